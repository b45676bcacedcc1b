"""The calibration set: drawn frames are like rendered ones, and other nights bear the confidence out."""

from pathlib import Path

import numpy as np
import pytest
from drawn_frames import drawn_frame
from marks import brier
from recipe import draw_night
from run import judged_night, measured

from framecheck import measure_frame
from framecheck.field import FrameResult
from framecheck.simulate.night import render_night
from framecheck.simulate.scenario import Camera, Mount, Scenario, SceneOptics, ScenePlan, Target

SHORT = (12, 16, 22, 24, 26)
"""The first nights of set 3 that have at most 13 frames, so that they are drawn in little time."""
SMALL = Camera(width=700, height=500, hot_pixels=10, cosmic_rays_per_min=0.5)
KINDS = {
    "healthy": Scenario(name="healthy", camera=SMALL, target=Target(stars=260)),
    "trailed": Scenario(
        name="trailed", camera=SMALL, target=Target(stars=260), mount=Mount(drift_ra_arcsec_per_min=1.6)
    ),
    "soft": Scenario(name="soft", camera=SMALL, target=Target(stars=260), optics=SceneOptics(defocus_um=70.0)),
    "tilted": Scenario(
        name="tilted", camera=SMALL, target=Target(stars=260), optics=SceneOptics(tilt_um=(150.0, 40.0))
    ),
}


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_drawn_frame_is_like_the_rendered_and_measured_one(kind: str, tmp_path: Path) -> None:
    scenario = KINDS[kind]
    one = Scenario(**{name: getattr(scenario, name) for name in ("name", "camera", "target", "mount", "optics")},
                   plan=ScenePlan(frames=1))  # fmt: skip
    rendered = measure_frame(render_night(one, tmp_path / "night")[0])
    drawn = drawn_frame(one, 0, folder=Path("night"))
    assert isinstance(drawn, FrameResult)
    assert rendered.shape is not None
    assert drawn.shape is not None
    assert drawn.shape.fwhm_px == pytest.approx(rendered.shape.fwhm_px, rel=0.03)
    for name in ("e1", "e2"):
        allowed = 0.02 + 3 * rendered.shape.elongation_error
        assert getattr(drawn.shape, name) == pytest.approx(getattr(rendered.shape, name), abs=allowed)
    assert drawn.stars.n_found == pytest.approx(rendered.stars.n_found, rel=0.2)


def test_nights_never_calibrated_on_bear_the_confidence_out() -> None:
    """The marks of the project: a Brier score below 0.06, and no healthy night that blames mount or optics."""
    nights = [draw_night(3, number) for number in SHORT]
    assert all(night.scenario.plan.frames <= 13 for night in nights)
    judged = [judged_night(night, measured(night)) for night in nights]
    assert brier(judged) < 0.06
    claims = [(one.name, cause) for one in judged for cause in one.claims if cause not in one.slight]
    right = [cause in one.causes for one in judged for cause in one.claims if cause not in one.slight]
    assert np.mean(right) >= 0.8, claims
