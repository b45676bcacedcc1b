"""The night in stretches of time: what stays the same within a night, and what does not."""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.constants import FEWEST_THAT_AGREE
from framecheck.decision.figures import field_pattern
from framecheck.decision.records import FieldStretch, FieldStretches
from framecheck.document import time_text
from framecheck.field.model import fit_field_model
from framecheck.field.records import FieldModel
from framecheck.motion.night import Night
from framecheck.night.records import Group

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

STRETCH_MINUTES: Final = 20.0
"""[min] Chosen: longer than the air remembers (`estimate.MEMORY_MINUTES`), short enough for four in a short evening."""
MOST: Final = 8
"""Chosen: more add little to the seven degrees of freedom."""
FEWEST: Final = 3
"""Chosen: two would leave one degree of freedom, and an interval twelve standard errors wide."""


def split_in_stretches(minutes: Floats) -> list[Indices]:
    """Cut frames into stretches of about as many frames each.

    Parameters
    ----------
    minutes : ndarray, shape (n_frames,)
        When each was taken, in any order, all known. [min]

    Returns
    -------
    list of ndarray of int
        Indices of each stretch's frames in order of time; empty if the frames are too few for three stretches.
    """
    n = len(minutes)
    most = min(MOST, n // FEWEST_THAT_AGREE)
    if most < FEWEST:
        return []
    wanted = int(float(np.ptp(minutes)) // STRETCH_MINUTES)
    return list(np.array_split(np.argsort(minutes, kind="stable"), min(max(wanted, FEWEST), most)))


def field_stretches(night: Night, group: Group | None) -> FieldStretches | None:
    """Fit the pattern over the sensor in each stretch of a group's night.

    Returns
    -------
    FieldStretches or None
        None if no stretch has stars enough, or the frames do not say when they were taken.
    """
    if group is None or not isinstance(getattr(night.tracking.get(group.id), "field", None), FieldModel):
        return None
    members = [night.frames[i] for i in group.members if night.frames[i].result.shape is not None]
    frames = [frame.result for frame in members]
    starts = [frame.exposure.start_utc for frame in frames]
    known = [start for start in starts if start is not None]
    if not known or len(known) < len(starts):
        return None
    minutes = np.array([(start - known[0]).total_seconds() / 60 for start in known])
    each = []
    for indices in split_in_stretches(minutes):
        fitted = fit_field_model([frames[i] for i in indices], [members[i].place for i in indices])
        if isinstance(fitted, FieldModel):
            each.append(
                FieldStretch(
                    start_utc=time_text(known[indices[0]]),
                    n_frames=len(indices),
                    centre_fwhm_px=float(np.sqrt(fitted.centre_size_px2)),
                    pattern=field_pattern(fitted),
                )
            )
    first = frames[0].exposure
    return FieldStretches(group=group.id, width_px=first.width_px, height_px=first.height_px, each=tuple(each))
