"""A lens wide open and stopped down, in words: its corners at each f-number, and what stopping down gains."""

from collections.abc import Sequence
from dataclasses import asdict
from math import hypot
from typing import Any, Final

from framecheck.decision.apertures import ApertureFigures
from framecheck.words import fixed, number

SURE_SIGMA: Final = 3.0
"""Change over its error from which it is told. Chosen: one in 400 by chance."""


def apertures_document(found: Sequence[ApertureFigures]) -> tuple[dict[str, Any], ...] | None:
    """The figures as night.json tells them; None with fewer than two f-numbers."""
    return tuple(asdict(one) | {"added_px": one.added_px} for one in found) or None


def apertures_note(found: Sequence[ApertureFigures]) -> str | None:
    """What a page or a terminal says of it; None with fewer than two f-numbers."""
    if not found:
        return None
    told = "; ".join(
        f"f/{one.f_number:g}: {fixed(one.corner_fwhm_px, 2)} px in the corners, {fixed(one.middle_fwhm_px, 2)} px in "
        f"the middle, corners {fixed(one.corner_elongation, 2)} times as long as wide by the lens"
        for one in found
    )
    return f"Star width by f-number. {told}. {_gain(found[0], _best(found))}"


def _best(found: Sequence[ApertureFigures]) -> ApertureFigures:
    """The f-number whose corners add least; of those that hardly differ, the widest open."""
    least = min(found, key=lambda one: one.added_px2)
    return next(one for one in found if not _differ(one, least))


def _differ(one: ApertureFigures, other: ApertureFigures) -> bool:
    error = hypot(one.added_error_px2, other.added_error_px2)
    return abs(one.added_px2 - other.added_px2) > SURE_SIGMA * error


def _gain(open_wide: ApertureFigures, best: ApertureFigures) -> str:
    if best is open_wide:
        return "Stopping down gained nothing in the corners that these frames can show."
    light = (best.f_number / open_wide.f_number) ** 2
    return (
        f"Stopped down from f/{open_wide.f_number:g} to f/{best.f_number:g} the corners add "
        f"{fixed(best.added_px, 2)} px to the width instead of {fixed(open_wide.added_px, 2)} px; the same light takes "
        f"{number(light, 2)} times the exposure."
    )
