"""Nights rendered in pixels by an independent hand: their causes are named, no others, and figures are right.

Each night of `known_nights.py` is drawn by GalSim with faults from closed forms, measured from its files, and judged.
"""

from pathlib import Path

import pytest
from known_nights import NIGHTS
from nights_of_causes import claims, judged, off_mark


@pytest.mark.parametrize("night", NIGHTS, ids=lambda night: night.name)
def test_the_night_is_judged_as_what_it_is(night, tmp_path: Path) -> None:
    judgement = judged(night, tmp_path)
    made = claims(judgement)
    assert set(night.claimed) <= set(made), made
    assert not set(night.forbidden) & set(made), made
    assert off_mark(night, judgement) == {}
    if "healthy" in night.name:
        assert judgement.mount_decision.answer in ("not needed", "cannot tell")
