"""A camera that stands still: stars run over it as exact turns of the sky say."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from star_tables import make_frame

from framecheck.causes.setting import with_tripod
from framecheck.motion import build_night
from framecheck.motion.night import Night
from framecheck.motion.standing import StandingCamera, scale_of_standing, standing_camera
from framecheck.plan.longest import standing_figures
from framecheck.read import Rig
from framecheck.report.notes import standing_note
from framecheck.stars.table import STAR_DTYPE

SIZE = (3000, 2000)
PIXEL_MM = 0.006
CADENCE_S = 20.0
SKY_RAD_PER_S = np.radians(15.041 / 3600)  # the sidereal rate: the row TRK-05 of the table of references


class Lens:
    """Stars on a sphere before a plane image, turned about the pole; drawn here."""

    def __init__(self, focal_mm: float, dec_deg: float, distortion: float = 0.0, rolled_deg: float = 0.0) -> None:
        rng = np.random.default_rng(3)
        stars = rng.normal(size=(20_000, 3))
        self.stars = stars / np.linalg.norm(stars, axis=1)[:, None]
        self.flux = 2000 * rng.random(len(stars)) ** (-1 / 0.6)
        dec, roll = np.radians([dec_deg, rolled_deg])
        level = np.array([[0, 1, 0], [-np.sin(dec), 0, np.cos(dec)], [np.cos(dec), 0, np.sin(dec)]])
        self.axes = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]]) @ level
        self.focal_px, self.distortion = focal_mm / PIXEL_MM, distortion

    def place(self, seconds: float, share: float = 1.0) -> np.ndarray:
        turn = share * SKY_RAD_PER_S * seconds
        turning = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
        x, y, depth = self.axes @ turning @ self.stars.T
        at = np.column_stack([x, y]) / np.where(depth > 0.2, depth, np.nan)[:, None] * self.focal_px
        at *= 1 + self.distortion * np.minimum(np.hypot(*at.T) / (np.hypot(*SIZE) / 2), 1.3)[:, None] ** 2
        return at + (np.array(SIZE) - 1) / 2

    def table(self, seconds: float, share: float = 1.0) -> np.ndarray:
        at = self.place(seconds, share)
        seen = ((at > 0) & (at < SIZE)).all(axis=1)
        order = np.argsort(-self.flux[seen])[:500]
        table = np.zeros(len(order), STAR_DTYPE)
        noise = 0.05 * np.random.default_rng(int(seconds)).standard_normal((len(order), 2))
        table["x"], table["y"] = (at[seen][order] + noise).T
        table["x_error"] = table["y_error"] = 0.05
        table["flux_adu"], table["flux_error_adu"], table["fwhm_px"] = self.flux[seen][order], 50.0, 3.0
        table["snr"] = table["flux_adu"] / 50
        return table

    def corner_speeds(self) -> dict[str, float]:
        """Fastest of the stars within 150 px of each corner, by where they were a second before and after. [px/s]"""
        at, before, after = (self.place(t) for t in (0.0, -1.0, 1.0))
        speed = np.hypot(*(after - before).T) / 2
        corners = {"lower left": (0, 0), "lower right": (SIZE[0], 0), "upper left": (0, SIZE[1]), "upper right": SIZE}
        return {name: float(speed[np.hypot(*(at - corner).T) < 150].mean()) for name, corner in corners.items()}


@pytest.fixture
def night_of() -> Callable[..., Night]:
    def of(lens: Lens, mount: str | None = "fixed", frames: int = 4, share: float = 1.0, **exposure: Any) -> Night:
        rig = Rig(focal_length_mm=lens.focal_px * PIXEL_MM, pixel_um=1e3 * PIXEL_MM, mount_type=mount)  # type: ignore[arg-type]
        results = [
            make_frame(lens.table(k * CADENCE_S, share), name=f"{k}.dng", size=SIZE, minutes=k * CADENCE_S / 60,
                     exposure_s=15.0, **exposure)
            for k in range(frames)
        ]  # fmt: skip
        return build_night(Path(), rig, results, (), ())

    return of


def told(night: Night) -> StandingCamera:
    camera = standing_camera(night)
    assert camera is not None
    return camera


@pytest.mark.parametrize(("focal_mm", "dec_deg", "rolled_deg"), [(14, 5.0, 0.0), (24, -45.0, 33.0), (50, 80.0, 200.0)])
@pytest.mark.parametrize("frames", [2, 4])
def test_stars_run_as_the_sky_turns(
    night_of: Any, focal_mm: float, dec_deg: float, rolled_deg: float, frames: int
) -> None:
    lens = Lens(focal_mm, dec_deg, rolled_deg=rolled_deg)
    camera = told(night_of(lens, frames=frames))
    expected = SKY_RAD_PER_S * np.cos(np.radians(dec_deg)) * lens.focal_px  # closed form
    assert camera.px_per_s == pytest.approx(expected, rel=0.01)
    assert camera.expected_px_per_s == pytest.approx(expected, rel=0.01)
    assert camera.turning_over_sky == pytest.approx(1.0, abs=0.01)
    assert (camera.dec_deg, camera.dec_from) == (pytest.approx(abs(dec_deg), abs=0.1), "frames")
    corners = lens.corner_speeds()
    assert camera.worst_px_per_s == pytest.approx(max(corners.values()), rel=0.05)
    assert corners[camera.worst_corner] == pytest.approx(max(corners.values()), rel=0.03)
    ways = np.nanmedian(lens.place(1.0)[near(lens)] - lens.place(0.0)[near(lens)], axis=0)
    off = (camera.direction_deg - np.degrees(np.arctan2(ways[1], ways[0])) + 180) % 360 - 180
    assert off == pytest.approx(0.0, abs=12 if dec_deg > 70 else 3)


def near(lens: Lens) -> np.ndarray:
    """Stars near the middle of the frame."""
    return np.asarray(np.hypot(*(lens.place(0.0) - np.array(SIZE) / 2).T) < 300)


@pytest.mark.parametrize("focal_mm", [14, 35, 50])
@pytest.mark.parametrize("distortion", [-0.05, 0.05])
def test_a_lens_that_bends_lines_is_seen_through(night_of: Any, focal_mm: float, distortion: float) -> None:
    lens = Lens(focal_mm, 30.0, distortion)
    camera = told(night_of(lens))
    assert camera.px_per_s == pytest.approx(SKY_RAD_PER_S * np.cos(np.radians(30)) * lens.focal_px, rel=0.01)
    assert camera.turning_over_sky == pytest.approx(1.0, abs=0.01)
    if focal_mm < 35:  # there are stars of the drawn sky in each corner
        assert camera.worst_px_per_s == pytest.approx(max(lens.corner_speeds().values()), rel=0.025)
    assert camera.bend is not None
    # the corner lies at 1 + distortion, and one term stands for the series that straightens it
    assert camera.bend == pytest.approx(1 / (1 + distortion) - 1, abs=0.015)


def test_a_lens_that_keeps_straight_lines_is_not_said_to_bend_them(night_of: Any) -> None:
    assert told(night_of(Lens(14, 30.0))).bend is None


def test_a_mount_that_nothing_names_is_known_by_the_turning(night_of: Any) -> None:
    lens = Lens(24, 30.0)
    assert told(night_of(lens, mount=None)).px_per_s > 0
    for share in (0.0, 0.5):  # a tracker, and one at half the rate
        assert standing_camera(night_of(lens, mount=None, share=share)) is None
    assert standing_camera(night_of(lens, mount="fixed", share=0.0)) is None  # called so, but something followed
    assert standing_camera(night_of(lens, mount="tracker")) is None
    assert standing_camera(night_of(lens, frames=1)) is None
    assert standing_figures(None, 24.0) is None
    assert standing_note(None) is None
    assert standing_camera(build_night(Path(), Rig(mount_type="fixed"), [])) is None


def test_a_lens_before_which_the_sky_turns_is_on_a_tripod(night_of: Any) -> None:
    lens = Lens(24, 30.0)
    standing, followed = night_of(lens, mount=None), night_of(lens, mount=None, share=0.0)
    assert with_tripod(standing, standing.rig).mount_type == "fixed"
    assert with_tripod(followed, followed.rig).mount_type is None
    named = night_of(lens, mount="equatorial")  # whose drive stands
    assert with_tripod(named, named.rig).mount_type == "equatorial"


def test_how_long_it_may_expose(night_of: Any) -> None:
    night = night_of(Lens(24, 0.0), dec_deg=0.0)
    camera = standing_figures(told(night), 24.0)
    assert camera is not None
    longest = camera.longest_exposure_s
    assert camera.dec_from == "header"
    assert longest["pixel"] * camera.worst_px_per_s == pytest.approx(1.0)
    # common practice, no source: 1/3438 of the diagonal, one arcminute of a print seen from as far as its diagonal
    assert longest["print"] * camera.worst_px_per_s == pytest.approx(np.hypot(*SIZE) / 3437.75, rel=1e-4)
    note = standing_note(camera) or ""
    assert "Common practice, 500 over the focal length, would say 21 s" in note  # TRK-40
    assert camera.rule_of_500_s == pytest.approx(20.8333, rel=1e-3)
    assert "fixed tripod" in note


def test_a_focal_length_that_is_wrong_is_told(night_of: Any) -> None:
    lens = Lens(24, 30.0)
    lens.focal_px *= 1.3  # zoomed in, while the rig says 24 mm
    night = night_of(lens)
    zoomed = build_night(
        Path(),
        Rig(focal_length_mm=24.0, pixel_um=1e3 * PIXEL_MM, mount_type="fixed"),
        [frame.result for frame in night.frames],
    )
    assert "check focal length" in (standing_note(standing_figures(standing_camera(zoomed), 24.0)) or "")


def marked(night: Night, focal_mm: float) -> Night:
    """The night by a lens on which another focal length is written, as its headers have it."""
    rig = Rig(focal_length_mm=focal_mm, pixel_um=1e3 * PIXEL_MM, provenance={"pixel_scale_arcsec": "header"})
    return build_night(Path(), rig, [frame.result for frame in night.frames])


@pytest.mark.parametrize(("focal_mm", "dec_deg", "distortion"), [(24, -40.0, 0.0), (35, 10.0, 0.03), (50, 50.0, -0.03)])
@pytest.mark.parametrize("off", [0.96, 1.02, 1.04])
def test_the_sky_s_turning_tells_what_a_lens_has_in_truth(
    night_of: Any, focal_mm: float, dec_deg: float, distortion: float, off: float
) -> None:
    lens = Lens(focal_mm, dec_deg, distortion)
    night = night_of(lens, frames=8)
    scale = np.degrees(PIXEL_MM / focal_mm) * 3600
    assert scale_of_standing(marked(night, off * focal_mm)) == pytest.approx(scale, rel=0.01)


@pytest.mark.parametrize("distortion", [-0.05, 0.0, 0.05])
def test_a_lens_that_has_what_is_written_on_it_keeps_it(night_of: Any, distortion: float) -> None:
    night = night_of(Lens(24, 20.0, distortion), frames=8)
    assert scale_of_standing(marked(night, 24.0)) is None


def test_a_camera_that_was_pointed_again_meanwhile_tells_no_scale(night_of: Any) -> None:
    night = marked(night_of(Lens(24, 20.0), mount=None, frames=8), 24.0)
    results = []
    for k, frame in enumerate(night.frames):
        table = frame.result.stars.table.copy()
        table["x"] += 120.0 * (k >= 5)
        stars = replace(frame.result.stars, table=table[(table["x"] > 0) & (table["x"] < SIZE[0])])
        results.append(replace(frame.result, stars=stars))
    assert scale_of_standing(build_night(Path(), night.rig, results)) is None


def test_a_scale_is_not_measured_where_it_is_given_or_little_runs(night_of: Any) -> None:
    night = night_of(Lens(24, 20.0), mount=None, frames=8)
    said = replace(marked(night, 23.0).rig, provenance={"pixel_scale_arcsec": "rig file"})
    assert scale_of_standing(build_night(Path(), said, [frame.result for frame in night.frames])) is None
    assert scale_of_standing(marked(night_of(Lens(24, 80.0), frames=8), 23.0)) is None  # beside the pole
    assert scale_of_standing(marked(night_of(Lens(24, 20.0), mount=None, frames=8, share=0.0), 23.0)) is None
    assert scale_of_standing(marked(night_of(Lens(24, 20.0), mount=None, frames=3), 23.0)) is None
    assert scale_of_standing(build_night(Path(), Rig(), [])) is None
