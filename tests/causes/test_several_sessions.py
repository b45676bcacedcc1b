"""Several sessions in one folder: each is asked by itself, and none is laid on another."""

from dataclasses import replace

import numpy as np
from made_nights import AIRMASS, N, make_night

from framecheck.causes.result import Finding
from framecheck.causes.weigh import weigh
from framecheck.motion.night import Night
from framecheck.read.rig import Rig

I = np.arange(N)  # noqa: E741
SHORT = AIRMASS[:12]


def one_after_the_other(*visits: Night, rigs: tuple[Rig, ...] = ()) -> Night:
    """Nights as the sessions of one."""
    groups = tuple(
        replace(group, id=f"visit {k}", session=k, reference=first, members=tuple(first + i for i in group.members))
        for k, visit in enumerate(visits) for first in [sum(len(one.frames) for one in visits[:k])]
        for group in visit.groups
    )  # fmt: skip
    frames = tuple(replace(frame, group=f"visit {k}") for k, visit in enumerate(visits) for frame in visit.frames)
    return replace(visits[0], groups=groups, frames=frames, rigs=dict(enumerate(rigs)))


def claims(night: Night) -> dict[str, Finding]:
    return {one.cause: one for one in weigh(night, night.rig)[0] if one.confidence >= 0.5}


def test_a_wider_visit_after_a_sharp_one_is_no_drift_of_focus() -> None:
    sharp, wide = make_night(seed=1, airmass=SHORT), make_night(seed=2, widening=1.35, airmass=SHORT)
    assert "focus-drift" not in claims(one_after_the_other(sharp, wide))


def test_what_one_visit_shows_is_told_with_its_beginning_and_its_frames() -> None:
    bank = np.exp(-(((I - 20) / 4) ** 2))
    clear, clouded = make_night(seed=1), make_night(seed=2, light=1 - 0.4 * bank, sky=1 + 0.1 * bank)
    alone = claims(clouded)["cloud"]
    found = claims(one_after_the_other(clear, clouded))["cloud"]
    assert found.confidence == alone.confidence
    assert found.frames_affected == alone.frames_affected
    assert found.cost is not None
    assert alone.cost is not None
    assert abs(found.cost - alone.cost / 2) < 1e-9, "half of the frames lost nothing"
    assert "2024-03-12 19:40 UTC" in found.evidence[-1].statement
    assert claims(clear) == {}


def test_each_visit_is_judged_by_its_own_rig() -> None:
    """Stars of 2.4 arcsec are well sampled at one arcsecond a pixel, and not at two."""
    fine = make_night(seed=1, airmass=SHORT)
    coarse_rig = replace(fine.rig, focal_length_mm=387.5)
    coarse = make_night(seed=1, rig=coarse_rig, airmass=SHORT)
    both = one_after_the_other(fine, coarse, rigs=(fine.rig, coarse_rig))
    assert claims(both)["undersampled"].frames_affected == len(SHORT)
