"""Ground in view of a mount that follows the sky: drawn out, as it must be, so advice is due and no fault is told."""

from typing import Final

from framecheck.causes.result import CannotTell, Evidence, Finding, Healthy, answer, log_odds_above
from framecheck.motion.night import Night
from framecheck.night.ground import ground_in_view
from framecheck.read.rig import Rig

SEEN_PX: Final = 1.0
"""Smear from which ground looks drawn out. [px] Chosen: less is lost in its own blur."""
SMEAR_SCATTER_PX: Final = 0.2
"""[px] Chosen: over a night, ground is placed to a fraction of a pixel in each frame."""


def moving_ground(night: Night, rig: Rig) -> Finding | Healthy | CannotTell:
    """Ground moves over the sensor by more than a pixel within an exposure."""
    ground = ground_in_view(night.frames, night.groups)
    if ground is None:
        return Healthy(cause="moving-ground")
    if ground.smear_px is None:
        return CannotTell(
            cause="moving-ground", because="one frame, or a clock that isn't known, does not show whether ground moves",
            what_would_settle_it="a second frame of the same view, with the times of both",
        )  # fmt: skip
    return answer(
        "moving-ground",
        log_odds_above(ground.smear_px, SEEN_PX, SMEAR_SCATTER_PX),
        affected=frozenset(),
        cost=0.0,
        evidence=(
            Evidence(
                statement="in each exposure ground is drawn out by", value=ground.smear_px, unit="px",
                expected_if_healthy="about as much, on a mount that follows the sky",
            ),
        ),
    )  # fmt: skip
