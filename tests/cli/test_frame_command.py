"""One frame: its faults in words, its star in signs, its picture."""

import math
from dataclasses import replace
from pathlib import Path

import by_hand
import galsim
import numpy as np
import pytest
from PIL import Image

from framecheck.cli.frame_command import account_for_frames, judge_alone, star_signs
from framecheck.errors import UnusableRequest
from framecheck.field.result import FrameResult, StackedStar
from framecheck.report.frame_account import frame_account
from framecheck.report.frame_picture import frame_picture
from framecheck.stars.line import Line


def faults(result: FrameResult) -> str:
    return " ".join(frame_account(judge_alone(result, by_hand.RIG)).faults)


def frame(elongation: float = 1.05, **stars: object) -> FrameResult:
    result = by_hand.frame(0, n_stars=200).result
    assert result.shape is not None
    shape = replace(result.shape, elongation=elongation, e1=math.log(elongation), e2=0.0, elongation_pa_deg=0.0)
    return replace(result, shape=shape, stars=replace(result.stars, **stars))


SATELLITE = Line(
    x0_px=0.0, y0_px=300.0, x1_px=2000.0, y1_px=900.0, fwhm_px=2.2, reach_px=5.0, light_adu_per_px=700.0,
    light_error_adu_per_px=1.0, unevenness=0.02, open_ends=0, look="trail",
)  # fmt: skip


def test_a_frame_alone_is_asked_for_what_a_frame_alone_can_show() -> None:
    assert "elongated stars, 1.40" in faults(frame(1.4)).lower()
    assert "elongated" not in faults(frame(1.1)).lower()
    assert "double stars" in faults(frame(1.1, doubled_px=(8.0, 6.0), doubled_share=0.4)).lower()
    assert "lines of light across the frames: 1 (normal: none)" in faults(frame(lines=(SATELLITE,)))
    asked = frame_account(judge_alone(frame(), by_hand.RIG))
    assert "can't tell cloud, focus" in asked.open


def test_moved_stars_are_not_held_against_the_optics() -> None:
    bowl = frame(1.05)
    table = bowl.stars.table.copy()
    u, v = table["x"] / by_hand.WIDTH - 0.5, table["y"] / by_hand.HEIGHT - 0.5
    table["fwhm_px"] = 1.75 * (1 + 1.6 * (u**2 + v**2))
    table["e1"] = table["e2"] = 0.0
    table["fwhm_error_px"] = 0.02
    curved = replace(bowl, stars=replace(bowl.stars, table=table))
    assert "Field curvature" in faults(curved)
    assert curved.shape is not None
    moved = replace(curved, shape=replace(curved.shape, trail_length_px=6.0))
    assert "Field curvature" not in faults(moved)


def star(elongation: float, pa_deg: float) -> StackedStar:
    drawn = galsim.Gaussian(fwhm=2.5).shear(q=1 / elongation, beta=pa_deg * galsim.degrees)
    image = drawn.drawImage(nx=61, ny=61, scale=0.15, method="no_pixel").array
    return StackedStar(image=(image / image.max()).astype(np.float32), pixel_px=0.15)


@pytest.mark.parametrize(("pa_deg", "rises"), [(45.0, True), (135.0, False)])
def test_the_star_in_signs_lies_as_it_lies_in_the_file(pa_deg: float, rises: bool) -> None:
    signs = star_signs(star(2.5, pa_deg))
    assert len(signs) == 11
    assert {len(line) for line in signs} == {22}
    y, x = np.array(
        [(-row, column / 2) for row, line in enumerate(signs) for column, sign in enumerate(line) if sign in "█▓"]
    ).T
    assert (np.corrcoef(x, y)[0, 1] > 0.5) == rises  # counter-clockwise from +x, +y upwards


def test_the_full_width_of_a_round_star_is_as_wide_in_signs() -> None:
    signs = star_signs(star(1.0001, 0.0))
    # GalSim: 2.5 px at half maximum; a sign is 61 x 0.15 px / 22 wide
    assert max(line.count("█") for line in signs) == pytest.approx(2.5 / (61 * 0.15 / 22), abs=1.5)


def test_the_picture_shows_the_frame_upright_with_its_stars_shapes(tmp_path: Path) -> None:
    result = frame(1.4)
    result = replace(result, stacked=star(1.4, 0.0))
    judgement = judge_alone(result, by_hand.RIG)
    shades = np.zeros((100, 150), dtype=np.uint8)
    shades[:20] = 255
    figure = frame_picture(judgement, shades, frame_account(judgement))
    figure.savefig(tmp_path / "frame.png", format="png")
    drawn = np.asarray(Image.open(tmp_path / "frame.png").convert("RGB"), dtype=float)
    grey = drawn[94:660, 31:880].mean(axis=2)
    assert grey[-60:].mean() > 200 > 60 > grey[:60].mean()  # the first rows of the file are lowest
    yellow = (drawn[..., 0] > 200) & (drawn[..., 2] < 120)
    assert yellow[94:560, 31:880].sum() > 500  # whiskers


def test_only_one_frame_has_a_picture_and_it_is_a_png(tmp_path: Path) -> None:
    with pytest.raises(UnusableRequest, match="takes one frame, and 2 were given"):
        account_for_frames([Path("a.fits"), Path("b.fits")], None, picture=tmp_path / "a.png")
    with pytest.raises(UnusableRequest, match=r"ends in \.png"):
        account_for_frames([Path("a.fits")], None, picture=tmp_path / "a.jpg")
