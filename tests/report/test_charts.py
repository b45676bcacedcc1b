"""Charts say what they show: motion put in by hand comes out in sign, size and words."""

from dataclasses import replace

import by_hand
import numpy as np
import pytest
from test_page import Page

from framecheck.decision.course import course_of
from framecheck.decision.judgement import Judgement
from framecheck.decision.mean_stars import mean_stars
from framecheck.field.records import NoFieldModel
from framecheck.field.result import StackedStar
from framecheck.motion.axes import Axes
from framecheck.motion.drifting import Drifting
from framecheck.motion.periodogram import Spectrum
from framecheck.motion.records import Motion
from framecheck.motion.rhythm import Rhythm
from framecheck.motion.smears import Smears
from framecheck.motion.tracking import Tracking
from framecheck.night.records import NightFrame
from framecheck.read.exposure import Orientation
from framecheck.report.blocks import Pictures
from framecheck.report.budget_chart import budget_chart
from framecheck.report.chart import Chart
from framecheck.report.chart_numbers import chart_numbers
from framecheck.report.expert import expert_parts
from framecheck.report.motion_chart import motion_charts
from framecheck.report.night_charts import SEEING_POWER, sharpness_charts
from framecheck.report.page import night_page
from framecheck.report.star_picture import round_moffat, star_chart

N = 24
MINUTES = 5.0 * np.arange(N, dtype=np.float64)
SCALE = 1.46
NORTH_UP = Orientation(pixel_scale_arcsec=SCALE, north_up_deg=0.0, mirrored=False, ra_deg=210.0, dec_deg=54.0)


def motion(drift_x: float = 0.0, drift_y: float = 0.0, wave_px: float = 0.0) -> Motion:
    wave = wave_px * np.sin(2 * np.pi * MINUTES * 60 / 478.0)
    return Motion(
        drift_x_px_per_min=drift_x, drift_y_px_per_min=drift_y, drift_error_px_per_min=0.001,
        rotation_deg_per_hour=0.0, rotation_error_deg_per_hour=0.001, dithered=False,
        frames=tuple(range(N)), minutes=tuple(MINUTES), residual_x_px=tuple(wave), residual_y_px=(0.0,) * N,
        stretch=(0,) * N,
    )  # fmt: skip


def tracking(*, rhythm: Rhythm | None = None, rhythm_inside: Rhythm | None = None, spin2: complex = 0j) -> Tracking:
    ones = np.ones(N)
    return Tracking(
        axes=Axes(ra_angle_deg=0.0, source="plate solution", orientation=NORTH_UP),
        field=NoFieldModel(because="by hand"),
        smears=Smears(
            frames=tuple(range(N)), minutes=MINUTES, exposure_s=300 * ones, fwhm_px=1.8 * ones,
            spin2_px2=np.full(N, spin2), error_px2=0.05 * ones, rms_px=0.5 * ones, rms_error_px=0.1 * ones,
            path=("line",) * (N - 1) + ("hook",), even=np.zeros(N, bool),
        ),
        response=1.0, drift=None, drifting=Drifting({}), guided=None, guided_log_odds=0.0, wander_arcsec=None,
        rhythm=rhythm, rhythm_inside=rhythm_inside, polar=None, polar_from=None,
    )  # fmt: skip


RHYTHM = Rhythm(
    period_s=478.0, period_error_s=1.0, amplitude_px=2.0, amplitude_error_px=0.1, seen_share=0.9,
    false_alarm_probability=1e-6, shortest_period_s=600.0, alias_periods_s=(), possible_periods_s=(478.0,),
    spectrum=Spectrum(
        period_s=np.array([1800.0, 478.0, 300.0]), gain=np.array([1.0, 60.0, 2.0]), gain_by_chance=9.0,
    ),
)  # fmt: skip


def night(moved: Motion, tracked: Tracking) -> Judgement:
    plain = by_hand.judgement(N)
    name = plain.night.groups[0].id
    return replace(plain, night=replace(plain.night, motion={name: moved}, tracking={name: tracked}))


def test_stars_that_move_towards_the_east_tell_of_a_pointing_that_moves_to_the_west() -> None:
    # closed form: north up and not mirrored, east is to the left, at -x
    course = course_of(motion(drift_x=-0.1, drift_y=0.2), tracking())
    assert course is not None
    assert course.unit == "arcsec"
    assert course.drift == pytest.approx((-0.1 * SCALE, -0.2 * SCALE))
    assert course.first[-1] == pytest.approx(-0.1 * SCALE * MINUTES[-1])
    assert course.second[-1] == pytest.approx(-0.2 * SCALE * MINUTES[-1])


def test_without_axes_the_course_stays_on_the_sensor() -> None:
    course = course_of(motion(drift_x=0.1), None)
    assert course is not None
    assert (course.unit, course.drift[0]) == ("px", 0.1)


def charts_of(judgement: Judgement) -> dict[str, Chart]:
    return {chart.name: chart for chart in motion_charts(judgement, judgement.pictured[0])}


def test_the_rhythm_is_shown_with_its_period_and_chance_only_where_it_is_claimed() -> None:
    charts = charts_of(night(motion(wave_px=2.0), tracking(rhythm=RHYTHM)))
    assert list(charts) == ["course", "periods", "rhythm", "smear"]
    assert "period of 478.0 ± 1.0 s" in charts["rhythm"].caption
    assert "below 0.1 %" in charts["periods"].caption
    assert "noise reaches 9.0 in one night of 200" in charts["periods"].drawing
    assert {"periods", "rhythm"}.isdisjoint(charts_of(night(motion(), tracking())))
    assert "23 lines, 1 hooked line." in charts["smear"].drawing


def test_a_rhythm_found_in_the_smear_alone_has_its_pictures_too() -> None:
    inside = replace(RHYTHM, amplitude_px=None, amplitude_error_px=None, possible_periods_s=(478.0, 956.0))
    judgement = night(motion(), tracking(rhythm_inside=inside))
    charts = charts_of(judgement)
    assert list(charts) == ["course", "periods", "rhythm", "smear"]
    assert "A wave in the smear with a period of 478.0 ± 1.0 s" in charts["rhythm"].caption
    assert "smear in each exposure, rms, ″" in charts["rhythm"].drawing
    assert chart_numbers(judgement)["groups"][0]["rhythm"]["of"] == "smear"


def test_each_group_has_pictures_of_its_own_and_a_group_of_two_frames_none() -> None:
    filters = ["L"] * 6 + ["R"] * 5 + ["B"] * 2
    frames = [by_hand.frame(i, filter=name, group=f"M 101 {name} 300 s") for i, name in enumerate(filters)]
    moved = {name: motion() for name in ("M 101 L 300 s", "M 101 R 300 s")}
    judgement = by_hand.judgement_of(tuple(frames))
    judgement = replace(judgement, night=replace(judgement.night, motion=moved))
    (others,) = [part for part in expert_parts(judgement, judgement.rows) if part.name == "groups"]
    names = [chart.name for block in others.blocks if isinstance(block, Pictures) for chart in block.charts]
    assert names == ["course-2"]
    page = Page(night_page(judgement))
    ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert "M 101 R 300 s, 5 frames" in page.words
    assert "M 101 B 300 s, 2 frames" not in page.words


def test_what_remains_without_the_mount_is_round_where_only_the_mount_moved() -> None:
    def smeared(index: int) -> NightFrame:
        frame = by_hand.frame(index, n_stars=200)
        table = frame.result.stars.table
        table["fwhm_px"], table["e1"], table["e2"] = 2.0, 0.3, 0.0
        return frame

    frames = tuple(smeared(i) for i in range(N))
    # (a² - b²) / 2 over ab is sinh(ln(a / b)), closed form
    spin2 = 4.0 * np.sinh(0.3)
    plain = by_hand.judgement_of(frames)
    name = plain.night.groups[0].id
    moved = replace(plain, night=replace(plain.night, tracking={name: tracking(spin2=complex(spin2))}))
    before, after = moved.cells, moved.cells_at_rest
    assert before is not None
    assert after is not None
    assert np.nanmedian(before.e1) == pytest.approx(0.3, abs=1e-3)
    assert np.nanmax(np.hypot(after.e1, after.e2)) < 0.01


def test_a_round_star_is_half_as_bright_at_half_its_width() -> None:
    for beta in (2.5, 4.77, np.inf):
        assert round_moffat(3.0, beta, np.array([0.0, 1.5])) == pytest.approx([1.0, 0.5])


def test_the_mean_star_stands_beside_a_round_one() -> None:
    at = (np.arange(31) - 15) * 0.2
    x, y = np.meshgrid(at, at)
    image = np.exp2(-4 * (x**2 / 9 + y**2 / 4)).astype(np.float32)

    def with_star(index: int) -> NightFrame:
        frame = by_hand.frame(index)
        return replace(frame, result=replace(frame.result, stacked=StackedStar(image=image, pixel_px=0.2)))

    judgement = by_hand.judgement_of(tuple(with_star(i) for i in range(6)))
    group = judgement.night.groups[0]
    chart = star_chart(judgement, mean_stars(judgement.night, group))
    assert chart is not None
    assert chart.drawing.count("<image") == 6
    assert "elongation 1.07" in chart.drawing
    plain = by_hand.judgement(4)
    assert star_chart(plain, mean_stars(plain.night, plain.night.groups[0])) is None
    # rms of a line is its length over the square root of twelve, closed form: 0.5 px rms, along 45 degrees
    along = tracking(spin2=1j)
    smears = replace(along.smears, frames=tuple(range(6)), spin2_px2=along.smears.spin2_px2[:6])
    smears = replace(smears, rms_px=smears.rms_px[:6], path=("line",) * 6)
    moved = replace(judgement.night, tracking={group.id: replace(along, smears=smears)})
    ends = mean_stars(moved, group)[0].ends_px
    assert ends is not None
    assert abs(ends[1] - ends[0]) == pytest.approx(0.5 * np.sqrt(12))
    assert np.degrees(np.angle(ends[1])) == pytest.approx(45.0, abs=0.01)


def test_sharpness_against_the_air_and_the_cold() -> None:
    airmass, temperature = sharpness_charts(by_hand.judgement(40).rows)
    assert f"to the power {SEEING_POWER}" in airmass.caption
    assert "rank correlation" in temperature.drawing
    assert "temperature of the tube, °C" in temperature.drawing


def test_the_budget_is_told_in_words() -> None:
    budget = budget_chart(by_hand.with_causes(by_hand.judgement(5)))
    assert budget is not None
    assert "tracking 1.30 (1.10 to 1.50) arcsec, 25 % of the square" in budget.drawing
    assert budget_chart(by_hand.judgement(5)) is None


def test_every_chart_has_its_numbers_in_night_json() -> None:
    numbers = chart_numbers(night(motion(drift_x=-0.1), tracking(rhythm=RHYTHM)))
    (group,) = numbers["groups"]
    assert group["course"]["ra_arcsec"][-1] == pytest.approx(-0.1 * SCALE * MINUTES[-1])
    assert len(group["course"]["file"]) == N
    assert len(group["stack"]["fwhm_px"]) == len(group["stack"]["n_kept"])
    assert group["rhythm"]["of"] == "position"
    assert len(group["rhythm"]["tried_period_s"]) == len(group["rhythm"]["gain_log_likelihood"]) == 3
    assert group["smear"]["rms_px"] == [0.5] * N
    cells = numbers["field"]
    assert len(cells["x_px"]) == len(cells["fwhm_px"]) == len(cells["without_motion"]["elongation"])


def test_a_page_with_all_its_charts_stays_whole() -> None:
    page = Page(night_page(night(motion(wave_px=2.0), tracking(rhythm=RHYTHM))))
    names = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(names) == len(set(names))
    assert {"chart-course", "chart-periods", "chart-rhythm", "chart-smear", "chart-field"} <= set(names)
