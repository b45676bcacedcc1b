"""Lens or mirror, where the rig does not say so: common practice, no source."""

import pytest

from framecheck.model.setting import USUAL_OBSTRUCTION, usual_obstruction
from framecheck.read import Rig


@pytest.mark.parametrize(
    ("aperture_mm", "focal_length_mm"), [(80, 480), (107, 300), (130, 910), (48, 135), (120, None), (None, 1000)]
)
def test_lenses_have_nothing_in_their_light(aperture_mm: float | None, focal_length_mm: float | None) -> None:
    assert usual_obstruction(Rig(aperture_mm=aperture_mm, focal_length_mm=focal_length_mm)) == 0


@pytest.mark.parametrize(("aperture_mm", "focal_length_mm"), [(130, 650), (203, 2030), (250, 2000), (200, None)])
def test_large_and_fast_telescopes_are_mirrors(aperture_mm: float, focal_length_mm: float | None) -> None:
    assert usual_obstruction(Rig(aperture_mm=aperture_mm, focal_length_mm=focal_length_mm)) == USUAL_OBSTRUCTION


def test_what_is_stated_counts() -> None:
    assert usual_obstruction(Rig(aperture_mm=250, focal_length_mm=2000, central_obstruction=0.0)) == 0
    assert usual_obstruction(Rig(aperture_mm=80, focal_length_mm=480, central_obstruction=0.2)) == 0.2
