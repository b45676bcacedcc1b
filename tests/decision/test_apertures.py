"""A lens wide open and stopped down: what the corners add, and what stopping down gains."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from star_tables import Field, make_frame

from framecheck.decision.apertures import ApertureFigures, apertures
from framecheck.field.result import FrameResult
from framecheck.motion import build_night
from framecheck.motion.night import Night
from framecheck.read import Rig
from framecheck.report.notes import apertures_note
from framecheck.stars.table import STAR_DTYPE

SIZE = (3000, 2000)


def frame(k: int, f_number: float | None, corner_px: float, long: float = 1.3, air_px: float = 2.5) -> FrameResult:
    """A frame whose corners add so much to the width, in quadrature, and draw stars out along the radius."""
    field, rng = Field(np.random.default_rng(3), 900, SIZE), np.random.default_rng(k)
    seen = (field.x > 0) & (field.x < SIZE[0]) & (field.y > 0) & (field.y < SIZE[1])
    x, y = field.x[seen], field.y[seen]
    in_corner = (np.abs(x / SIZE[0] - 0.5) > 0.25) & (np.abs(y / SIZE[1] - 0.5) > 0.25)
    table = np.zeros(len(x), STAR_DTYPE)
    table["x"], table["y"], table["flux_adu"], table["snr"] = x, y, field.flux[seen], 100.0
    table["x_error"] = table["y_error"] = 0.05
    table["flux_error_adu"] = 50.0
    table["fwhm_px"] = np.hypot(air_px, corner_px * in_corner) + 0.05 * rng.standard_normal(len(x))
    radial = np.sign(x - SIZE[0] / 2) * np.sign(y - SIZE[1] / 2)  # along the diagonals: pa of 45 or 135 degrees
    table["e1"] = 0.4 + 0.02 * rng.standard_normal(len(x))  # a trail along the rows, common to all stars
    table["e2"] = np.log(long) * radial * in_corner + 0.02 * rng.standard_normal(len(x))
    made = make_frame(table, name=f"{k:04}.dng", minutes=float(k), size=SIZE)
    return replace(made, exposure=replace(made.exposure, lens_f_number=f_number))


def night(*frames: FrameResult) -> Night:
    return build_night(Path(), Rig(), frames)


def figures(*frames: FrameResult) -> tuple[ApertureFigures, ...]:
    return apertures(night(*frames).frames)


def test_what_stopping_down_gains() -> None:
    wide = [frame(k, 2.0, 3.0, long=1.5) for k in range(5)]
    down = [frame(k, 4.0, 1.0, long=1.1, air_px=2.7) for k in range(5, 10)]  # the air has changed as well
    first, second = figures(*wide, *down)
    assert (first.f_number, second.f_number, first.n_frames) == (2.0, 4.0, 5)
    # closed form: widths of Gaussian stars add in quadrature, so that air and trails drop out
    assert first.added_px == pytest.approx(3.0, abs=0.05)
    assert second.added_px == pytest.approx(1.0, abs=0.1)
    assert first.corner_elongation == pytest.approx(1.5, abs=0.02)
    assert second.corner_elongation == pytest.approx(1.1, abs=0.02)
    said = apertures_note(figures(*wide, *down)) or ""
    assert "Stopped down from f/2 to f/4 the corners add" in said
    assert "takes 4.0 times the exposure" in said  # closed form: (4 / 2)²


def test_of_f_numbers_that_hardly_differ_the_wider_open_is_told() -> None:
    f_numbers = (2.0, 4.0, 5.6)
    frames = [
        frame(5 * i + k, f, added)
        for i, (f, added) in enumerate(zip(f_numbers, (3.0, 1.0, 1.0), strict=True))
        for k in range(5)
    ]
    assert "from f/2 to f/4 " in (apertures_note(figures(*frames)) or "")
    alike = [frame(5 * i + k, f, 1.0) for i, f in enumerate((2.8, 4.0)) for k in range(5)]
    assert "gained nothing" in (apertures_note(figures(*alike)) or "")


def test_ground_may_hide_two_of_the_corners() -> None:
    def above(one: FrameResult) -> FrameResult:
        table = one.stars.table
        return replace(one, stars=replace(one.stars, table=table[table["y"] > 0.3 * SIZE[1]]))

    frames = [above(frame(k, 2.0 if k < 4 else 4.0, 3.0 if k < 4 else 1.0)) for k in range(8)]
    first, second = figures(*frames)
    assert first.added_px == pytest.approx(3.0, abs=0.1)
    assert second.added_px == pytest.approx(1.0, abs=0.15)


def test_one_f_number_or_none_tells_nothing() -> None:
    assert figures(*(frame(k, 2.0, 1.0) for k in range(4))) == ()
    assert apertures_note(figures(*(frame(k, None, 1.0) for k in range(4)))) is None
    few = [*(frame(k, 2.0, 1.0) for k in range(4)), frame(4, 4.0, 1.0)]
    assert apertures_note(figures(*few)) is None
    assert apertures_note(figures()) is None


def test_frames_of_two_f_numbers_are_not_one_group() -> None:
    # closed form: f/4 lets in a quarter of the light of f/2, so that light cannot be compared across them
    both = night(*(frame(k, 2.0 if k < 3 else 4.0, 1.0) for k in range(6)))
    assert [len(group.members) for group in both.groups] == [3, 3]
    assert len({group.id for group in both.groups}) == 2
