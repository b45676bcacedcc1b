"""Nights rendered in pixels by an independent hand: their causes are named, no others, and figures are right.

Each night of `known_nights.py` is drawn by GalSim with faults from closed forms, measured from its files, and judged.
"""

from pathlib import Path

import pytest
from known_nights import NIGHTS
from nights_of_causes import claims, judged, off_mark

WITH_A_PATTERN = ("sensor-tilt", "sensor-tilt-centred", "field-curvature+shock", "coma")
"""Nights whose stars are of different size over the field."""

BY_HAND = ("periodic-error-cassegrain", "guiding-noise-long", "defocus-ring", "polar-misalignment+cloud")
"""Other strengths of nights that are asked here: `python tests/rendered/nights_of_causes.py` asks them."""

LEAST_EXPLAINED = 0.9
"""Share of the variance of size on stars held back, where there is a pattern: that the pattern of a telescope's stars
can be explained so far, Jarvis, Schechter & Jain, arXiv:0810.0027 (2008)."""


@pytest.mark.parametrize("night", [one for one in NIGHTS if one.name not in BY_HAND], ids=lambda night: night.name)
def test_the_night_is_judged_as_what_it_is(night, tmp_path: Path) -> None:
    judgement = judged(night, tmp_path)
    made = claims(judgement)
    assert set(night.claimed) <= set(made), made
    assert not set(night.forbidden) & set(made), made
    assert off_mark(night, judgement) == {}
    if night.name in WITH_A_PATTERN:
        share = judgement.explained.size
        assert share is not None
        assert share > LEAST_EXPLAINED
    if "healthy" in night.name:
        assert judgement.mount_decision.answer in ("not needed", "cannot tell")
