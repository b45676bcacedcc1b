"""Ground in view, in words: that a tracker draws it out is told as advice, never as a fault."""

from dataclasses import asdict
from typing import Any, Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.moving_ground import SEEN_PX
from framecheck.night.ground import GroundInView
from framecheck.words import number

ADVICE: Final = "moving-ground"
"""Name of the advice, as in night.json."""


def ground_advice(ground: GroundInView | None) -> str | None:
    """What to do where ground is drawn out by a mount that follows the sky; None where it is not."""
    if ground is None or ground.smear_px is None or ground.smear_px < SEEN_PX:
        return None
    drawn_out = f"The ground in view trails by {number(ground.smear_px, 2)} px in each exposure"
    return f"{drawn_out}: the mount carries the camera along with the sky, as it should. {CAUSES[ADVICE].cures[0]}"


def ground_document(ground: GroundInView | None) -> dict[str, Any] | None:
    """Ground in view as night.json tells it; None without any."""
    if ground is None:
        return None
    text = ground_advice(ground)
    return asdict(ground) | {"advice": None if text is None else {"name": ADVICE, "text": text}}
