"""Whiskers lie along the long axis, as long as ln(elongation)."""

import math
import re
from dataclasses import replace

import by_hand
import numpy as np
import pytest

from framecheck.decision.judgement import Judgement
from framecheck.report.field_map import WIDTH_PX, whisker_map
from framecheck.stars.table import STAR_DTYPE, Stars


def night_of(e1: float, e2: float, scatter: float = 0.0, n: int = 4000) -> Judgement:
    """One frame whose stars all have one shape."""
    rng = np.random.default_rng(1)
    table = np.zeros(n, dtype=STAR_DTYPE)
    table["x"], table["y"] = rng.uniform(0, by_hand.WIDTH, n), rng.uniform(0, by_hand.HEIGHT, n)
    table["e1"], table["e2"] = rng.normal(e1, scatter, n), rng.normal(e2, scatter, n)
    table["fwhm_px"] = 2.5 + 0.5 * table["x"] / by_hand.WIDTH
    frame = by_hand.frame(0)
    stars = Stars(table=table, n_found=n, n_saturated=0)
    return by_hand.judgement_of((replace(frame, result=replace(frame.result, stars=stars)),))


def segments(svg: str) -> list[tuple[float, float, float, float]]:
    """All whiskers in a drawing, that of the key last; y downwards."""
    paths = "".join(re.findall(r'<path d="([^"]*)"[^>]*stroke-width: 1\.8', svg))
    found = re.findall(r"M ([\d.-]+) ([\d.-]+)\s*\nL ([\d.-]+) ([\d.-]+)", paths)
    return [tuple(map(float, one)) for one in found]  # type: ignore[misc]


@pytest.mark.parametrize("pa_deg", [0.0, 30.0, 90.0, 150.0])
def test_whiskers_lie_along_the_long_axis(pa_deg: float) -> None:
    size = math.log(1.3)
    cells = night_of(size * math.cos(math.radians(2 * pa_deg)), size * math.sin(math.radians(2 * pa_deg))).cells
    assert cells is not None
    *whiskers, key = segments(whisker_map(cells))
    assert len(whiskers) == 12 * 8  # cells of 6248 x 4176 px, 12 across
    for x1, y1, x2, y2 in whiskers:
        # closed form: counter-clockwise from +x with y upwards, and a drawing has y downwards
        off_deg = (math.degrees(math.atan2(-(y2 - y1), x2 - x1)) - pa_deg + 90) % 180 - 90
        assert off_deg == pytest.approx(0, abs=0.5)
        assert math.hypot(x2 - x1, y2 - y1) < WIDTH_PX / 12
    # the key's whisker stands for its number: lengths go as ln(elongation)
    named = float(re.search(r"elongation ([\d.]+)<", whisker_map(cells))[1])  # type: ignore[index]
    x1, y1, x2, y2 = whiskers[0]
    ratio = math.hypot(x2 - x1, y2 - y1) / (key[2] - key[0])
    assert ratio == pytest.approx(size / math.log(named), rel=0.02)


def test_the_map_of_a_picture_whose_first_row_is_on_top_is_the_other_one_seen_in_a_mirror() -> None:
    plain = night_of(0.0, 0.3)
    (frame,) = plain.night.frames
    exposure = replace(frame.result.exposure, rows_top_down=True)
    turned = by_hand.judgement_of((replace(frame, result=replace(frame.result, exposure=exposure)),)).cells
    assert plain.cells is not None
    assert turned is not None
    assert turned.corners["upper left"] == plain.cells.corners["lower left"]
    (x1, y1, x2, y2), *_ = segments(whisker_map(plain.cells))
    (u1, v1, u2, v2), *_ = segments(whisker_map(turned))
    assert (u2 - u1, v2 - v1) == pytest.approx((x2 - x1, y1 - y2), abs=0.05)


def test_round_stars_are_dots() -> None:
    cells = night_of(0.0, 0.0, scatter=0.05).cells
    assert cells is not None
    size = np.hypot(cells.e1, cells.e2)
    # two components within two standard errors: exp(-2) = 13.5 % of round cells lie outside (Rayleigh, closed form)
    assert np.mean(size > 2 * cells.error) < 0.3
    assert "too round to have a direction" in whisker_map(cells)


def test_sizes_are_told_against_the_median_and_in_the_corners() -> None:
    # closed form: the FWHM grows from 2.5 px at the left edge to 3.0 at the right, over the middle's 2.75
    cells = night_of(0.1, 0.0).cells
    assert cells is not None
    assert cells.corners["upper left"] == pytest.approx(2.5625 / 2.75 - 1, abs=0.02)
    assert cells.corners["lower right"] == pytest.approx(2.9375 / 2.75 - 1, abs=0.02)
    assert re.search(r"Star size from −[89] %.* on the left to [89] %.* on the right", svg_text(whisker_map(cells)))
    assert len(re.findall("<path", whisker_map(cells))) > 12 * 8  # a disc a cell


def svg_text(svg: str) -> str:
    return svg[svg.index("<desc") : svg.index("</desc>")].replace("\u202f", " ")


def test_rejected_frames_stay_out_and_a_night_of_rejects_is_shown_all_the_same() -> None:
    night = by_hand.judgement(12)
    rejects = sum(grade.grade == "reject" for grade in night.grades)
    cells = night.cells
    assert cells is not None
    assert rejects > 0
    assert cells.n_frames == 12 - rejects
    every = replace(night, grades=tuple(replace(grade, grade="reject", reasons=("x",)) for grade in night.grades))
    shown = every.cells
    assert shown is not None
    assert shown.n_frames == 12


def test_too_few_stars_make_no_map() -> None:
    assert night_of(0.1, 0.0, n=3).cells is None
    assert by_hand.judgement(0).cells is None
    few = night_of(0.1, 0.0, n=6).cells
    assert few is None or whisker_map(few) == ""


def test_an_upright_sensor_fits_the_page() -> None:
    cells = night_of(0.1, 0.0).cells
    assert cells is not None
    tall = replace(cells, width_px=cells.height_px, height_px=cells.width_px)
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', whisker_map(tall))
    assert box is not None
    assert float(box[1]) == WIDTH_PX
    assert float(box[2]) < 1.4 * WIDTH_PX
