"""Nights rendered in pixels by an independent hand: their causes are named, no others, and figures are right.

Each night of `known_nights.py` is drawn by GalSim with faults from closed forms, measured from its files, and judged.
"""

from pathlib import Path

import numpy as np
import pytest
from known_nights import NIGHTS, NightOfCause
from nights_of_causes import claims, judged, off_mark

from framecheck.decision.judgement import Judgement
from framecheck.model.costs import optics_effects
from framecheck.model.explain import explain, share_explained
from framecheck.model.setting import setting_of

BY_THE_MODEL = (
    "healthy-refractor", "healthy-lens-tracker", "polar-misalignment-guided", "guiding-noise", "shock", "defocus-ring",
    "focus-drift", "sensor-tilt-centred", "field-curvature+shock", "coma", "miscollimation", "astigmatism",
    "pinched-optics",
)  # fmt: skip
"""Nights that the model of the night is asked about as well: each cause of the optics once, and its rivals."""

LEAST_EXPLAINED = 0.9
"""Share of the variance of size on stars held back, where there is a pattern: that the pattern of a telescope's stars
can be explained so far, Jarvis, Schechter & Jain, arXiv:0810.0027 (2008)."""


@pytest.mark.parametrize("night", NIGHTS, ids=lambda night: night.name)
def test_the_night_is_judged_as_what_it_is(night, tmp_path: Path) -> None:
    judgement = judged(night, tmp_path)
    made = claims(judgement)
    assert set(night.claimed) <= set(made), made
    assert not set(night.forbidden) & set(made), made
    assert off_mark(night, judgement) == {}
    if night.name in BY_THE_MODEL:
        explained_as_what_it_is(night, judgement)
    if "healthy" in night.name:
        assert judgement.mount_decision.answer in ("not needed", "cannot tell")


def explained_as_what_it_is(night: NightOfCause, judgement: Judgement) -> None:
    """One model of air, optics and motion finds the causes of the optics, and no others."""
    whole = judgement.night
    found = setting_of(whole, whole.groups, whole.rig)
    assert found is not None
    explained = explain(*found)
    sure = {name: float(np.mean(effect.over > 1)) for name, effect in optics_effects(explained).items()}
    named = {name for name, probability in sure.items() if probability >= 0.5}
    assert set(night.claimed) & set(sure) <= named, sure
    assert not named & set(night.forbidden), sure
    share = share_explained(explained, [whole.frames[i] for i in found[1]])
    assert share.size is None or share.size > LEAST_EXPLAINED, share
