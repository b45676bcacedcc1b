"""What a plan says: numbers that follow from what is given, and what it needs for the others."""

from dataclasses import replace
from math import hypot

import pytest
from reference import reference

from framecheck.plan.make import make_plan
from framecheck.plan.records import Plan, PlanLine, Setup, Span, short, short_time
from framecheck.read.rig import Rig

RIG = Rig(focal_length_mm=530.0, aperture_mm=106.0, pixel_um=3.76, read_noise_e=1.5, mount_type="equatorial")
SETUP = Setup(rig=RIG, seeing_arcsec=(2.0, 4.0), declination_deg=60.0, exposure_s=120.0, polar_error_arcmin=5.0)


def setup(**facts: object) -> Setup:
    """The usual setup with other facts of it or of its rig."""
    of_rig = {name: value for name, value in facts.items() if hasattr(RIG, name)}
    rest = {name: value for name, value in facts.items() if name not in of_rig}
    return replace(SETUP, rig=replace(RIG, **of_rig), **rest)


def lines(plan: Plan) -> dict[str, PlanLine]:
    return {line.key: line for section in plan.sections for line in section.lines}


def line(key: str, **facts: object) -> PlanLine:
    return lines(make_plan(setup(**facts)))[key]


def value(key: str, **facts: object) -> float:
    told = line(key, **facts).value
    assert told is not None
    return told


def test_nothing_given_nothing_invented() -> None:
    for told in lines(make_plan(Setup(rig=Rig()))).values():
        assert told.value is None
        assert told.needs, told.key


def test_a_line_needs_what_is_not_given() -> None:
    assert line("sampling", seeing_arcsec=None).needs == ("seeing_arcsec",)
    assert line("sampling", seeing_arcsec=None, pixel_um=None).needs == ("pixel_um", "seeing_arcsec")
    assert line("drift_exposure").needs == ("drift_arcsec_per_min",)
    assert line("periodic_exposure").needs == ("periodic_error_arcsec", "worm_period_s")
    assert line("sub_length").needs == ("sky_mag",)
    assert "sky_level" not in lines(make_plan(SETUP))
    assert line("needed_polar_error_guided").needs == ("sensor_diagonal_mm",)


def test_every_key_stands_once() -> None:
    for mount in ("fixed", "tracker", "equatorial", "alt-azimuth", None):
        plan = make_plan(setup(mount_type=mount, sky_mag=20.5, gain_e_per_adu=0.25, tracking_rms_arcsec=1.0))
        keys = [told.key for section in plan.sections for told in section.lines]
        assert len(keys) == len(set(keys))


def test_scale_and_sampling() -> None:
    assert value("pixel_scale") == reference("SAM-01").approx
    star, scale = value("star_fwhm"), value("pixel_scale")
    assert value("sampling") == pytest.approx(star / scale)
    # SAM-18: 3.2 arcsec on 1.4633 arcsec pixels; without an aperture the air's width is the star's
    assert value("sampling", aperture_mm=None, seeing_arcsec=(3.2, 3.2)) == reference("SAM-18").approx
    assert "undersampled in the best air" in (line("sampling").verdict or "")
    assert (line("sampling", focal_length_mm=2000.0).verdict or "").startswith("oversampled")


def test_a_solved_scale_needs_no_focal_length() -> None:
    told = line("pixel_scale", focal_length_mm=None, solved_scale_arcsec=1.2)
    assert (told.value, told.needs) == (1.2, ())
    assert line("focal_ratio", focal_length_mm=None, solved_scale_arcsec=1.2).needs == ("focal_length_mm",)


def test_good_scale_is_a_third_to_a_half_of_the_star() -> None:
    # SAM-15: 0.8 to 1.2 arcsec for stars of 2.4
    told = line("pixel_scale", aperture_mm=None, seeing_arcsec=(2.4, 2.4))
    assert (told.good or "").startswith("0.80 to 1.2″")
    assert reference("SAM-15").value == 0.8


def test_a_range_of_seeing_makes_a_range_of_answers() -> None:
    told, one = line("star_fwhm"), line("star_fwhm", seeing_arcsec=(3.0, 3.0))
    assert told.low is not None
    assert told.high is not None
    assert told.low < value("star_fwhm") < told.high
    assert told.value == one.value
    assert (one.low, one.high) == (None, None)


def test_a_fixed_camera() -> None:
    facts = {"mount_type": "fixed", "focal_length_mm": 50.0, "aperture_mm": 25.0, "declination_deg": 0.0}
    assert value("untracked_sharp", **facts) == reference("TRK-45").approx
    assert value("untracked_screen", **facts) == pytest.approx(3 * value("untracked_sharp", **facts))
    sections = [section.key for section in make_plan(setup(**facts)).sections]
    assert sections == ["pixels", "untracked", "focus", "sub_length"]


def test_a_print_and_the_corners_of_a_wide_lens() -> None:
    facts = {"mount_type": "fixed", "focal_length_mm": 14.0, "aperture_mm": 5.0, "declination_deg": 0.0}
    wide = {**facts, "sensor_diagonal_mm": 43.27}
    # closed form: one arcminute of the diagonal over 14 mm at 15.041 arcsec/s
    assert value("untracked_print", **wide) == pytest.approx(60 * 43.27 / 14 / 15.041, rel=1e-4)
    assert line("untracked_print", **facts).needs == ("sensor_diagonal_mm",)
    worst = line("untracked_sharp", **wide).low
    assert worst is not None
    stretch = 1 + (43.27 / 2 / 14) ** 2  # closed form: on the equator along the corner's own direction, 1 / cos²
    assert value("untracked_sharp", **wide) / worst == pytest.approx(stretch, rel=1e-6)
    assert line("untracked_sharp", **facts).low is None
    assert line("untracked_sharp", **{**wide, "focal_length_mm": 200.0, "aperture_mm": 70.0}).low is None
    at_the_pole = line("untracked_sharp", **{**wide, "declination_deg": 90.0})
    assert "but in a corner of the frame, where it is" in (at_the_pole.note or "")


@pytest.mark.parametrize("focal_mm", [24.0, 200.0])
def test_the_old_rule_draws_the_same_trail_at_any_focal_length(focal_mm: float) -> None:
    trail_px = value("rule_of_500_trail", mount_type="fixed", focal_length_mm=focal_mm, declination_deg=0.0)
    assert trail_px * 3.76 == reference("TRK-41").approx
    said = line("rule_of_500_trail", mount_type="fixed", focal_length_mm=24.0, declination_deg=0.0).note or ""
    assert said.startswith("common practice")
    assert "in 21 s" in said  # TRK-40
    assert round(reference("TRK-40").value) == 21


def test_nothing_limits_a_camera_at_the_pole() -> None:
    told = line("untracked_sharp", mount_type="fixed", declination_deg=90.0)
    assert (told.value, told.needs, told.note) == (None, (), "sets no limit")


def test_exposure_by_polar_error_and_needed_polar_error_are_one_sum() -> None:
    assert value("polar_exposure") * 5.0 == pytest.approx(value("needed_polar_error") * 120.0)
    # TRK-20: the worst drift of 5 arcmin, whatever the declination
    drift = 5 * reference("TRK-20").value
    assert value("polar_exposure") == pytest.approx(value("tolerable_trail") / drift * 60, rel=1e-3)
    assert value("polar_exposure", declination_deg=0.0) == value("polar_exposure")
    assert value("drift_exposure", drift_arcsec_per_min=drift) == pytest.approx(value("polar_exposure"), rel=1e-3)


def test_a_tracker_is_told_at_other_focal_lengths() -> None:
    facts = {"mount_type": "tracker", "focal_length_mm": 135.0, "aperture_mm": 48.0, "seeing_arcsec": (2.0, 2.0)}
    own = value("polar_exposure", **facts)
    for other in (50, 85, 200):  # closed form: 1 / focal length, but for what air adds
        assert value(f"polar_exposure_{other}_mm", **facts) == pytest.approx(own * 135 / other, rel=0.02)
    told = lines(make_plan(setup(**facts)))
    assert "polar_exposure_135_mm" not in told
    assert not [key for key in lines(make_plan(SETUP)) if key.endswith("_mm")]


def test_guided_fields_bear_a_far_greater_polar_error() -> None:
    needed = value("needed_polar_error_guided", sensor_diagonal_mm=28.3)
    assert needed > 10 * value("needed_polar_error")
    # TRK-29: 5 arcmin draw 0.229 arcsec one degree from the guide star, at declination 60 in 300 s
    facts = {"exposure_s": 300.0, "sensor_diagonal_mm": 2 * 530.0 * 0.0174550649}  # tan of 1 degree
    seen = 5 * value("tolerable_trail") / value("needed_polar_error_guided", **facts)
    assert seen == reference("TRK-29").within(rel=0.01)
    near = line("needed_polar_error_guided", sensor_diagonal_mm=28.3, declination_deg=89.5)
    assert (near.value, near.needs) == (None, ())


def test_a_trail_shorter_than_a_pixel_is_allowed() -> None:
    lens = {"focal_length_mm": 24.0, "aperture_mm": 8.6, "mount_type": "tracker"}
    assert value("tolerable_trail", **lens) >= value("pixel_scale", **lens)


def test_a_swing_smaller_than_the_trail_sets_no_limit() -> None:
    calm = {"periodic_error_arcsec": 1.0, "worm_period_s": 480.0}
    assert line("periodic_exposure", **calm).note == "sets no limit"
    between = line("periodic_exposure", periodic_error_arcsec=3.0, worm_period_s=480.0)
    assert "but in the best air" in (between.note or "")
    assert value("periodic_exposure", periodic_error_arcsec=20.0, worm_period_s=480.0) < 60


def test_drift_of_the_air() -> None:
    # TRK-36a, TRK-37a: 0.353 in declination and 0.503 in right ascension three hours from the meridian
    told = line("air_drift", declination_deg=0.0, site_latitude_deg=45.0)
    three_hours = hypot(reference("TRK-36a").value, reference("TRK-37a").value)
    assert told.high == pytest.approx(three_hours, rel=0.05)  # 3 h is the lowest full hour above 30 degrees
    assert (
        line("air_drift", declination_deg=-80.0, site_latitude_deg=45.0).note == "the target never stands 30° high here"
    )


def test_alt_azimuth_fields_turn() -> None:
    facts = {"mount_type": "alt-azimuth", "declination_deg": 0.0, "site_latitude_deg": 45.0, "sensor_diagonal_mm": 28.3}
    told = line("field_rotation", **facts)
    assert told.high == reference("TRK-30a").approx  # fastest on the meridian
    fastest = line("rotation_exposure", **facts).low
    assert fastest is not None
    assert fastest < value("rotation_exposure", **facts)
    keys = set(lines(make_plan(setup(**facts))))
    assert not keys & {"polar_exposure", "needed_polar_error", "periodic_exposure"}


def test_tracking_of_the_needed_rms_costs_a_tenth() -> None:
    air = {"seeing_arcsec": (3.0, 3.0)}
    needed = value("needed_rms", **air)
    tracked, still = (value("star_fwhm_tracked", tracking_rms_arcsec=rms, **air) for rms in (needed, 0.0))
    assert tracked / still == pytest.approx(1.1, rel=1e-3)
    assert needed == pytest.approx(reference("BUD-04").value * still, rel=0.12)  # Gaussian there
    assert f"{2**0.5 * needed:.2f}″" in (line("needed_rms", **air).note or "")  # TRK-58: total of both axes


@pytest.mark.parametrize(
    ("key", "facts", "verdict"),
    [
        ("polar_exposure", {"exposure_s": 30.0}, "enough for your 30 s"),
        ("polar_exposure", {"exposure_s": 600.0}, "too short for your 10 min"),
        ("polar_exposure", {"exposure_s": 150.0}, "just enough for your 2.5 min"),
        ("needed_rms", {"tracking_rms_arcsec": 0.3}, "yours, 0.30″, is good enough"),
        ("needed_rms", {"tracking_rms_arcsec": 3.0}, "yours, 3″, is too much"),
        ("needed_rms", {"tracking_rms_arcsec": 0.6}, "yours, 0.60″, will just do"),
    ],
)
def test_what_is_given_is_set_beside_what_is_needed(key: str, facts: dict[str, float], verdict: str) -> None:
    assert line(key, **facts).verdict == verdict


def test_trail_in_the_exposure() -> None:
    # closed form: 1.2 arcsec a minute make 2.4 arcsec in two minutes
    assert value("drift_trail", drift_arcsec_per_min=1.2) * value("pixel_scale") == pytest.approx(2.4)
    assert value("drift_trail") * value("pixel_scale") == pytest.approx(10 * reference("TRK-20").value, rel=1e-3)
    still = {"polar_error_arcmin": None}
    assert "drift_trail" not in lines(make_plan(setup(**still)))


def test_focus_zone_of_fast_and_slow_optics() -> None:
    # OPT-09a: in 3.0 arcsec of air, f/5, 32 micrometres each side cost 15 %; a tenth allows less
    zone = value("focus_tolerance", seeing_arcsec=(3.0, 3.0))
    assert 0.75 * reference("OPT-09a").value / 2 < zone < reference("OPT-09a").value / 2
    # OPT-02: in calm air the wave decides, 2 lambda N² each side
    calm = line("focus_tolerance", seeing_arcsec=(0.3, 0.3), pixel_um=1.0)
    assert calm.value == reference("OPT-02").approx
    assert "quarter" in (calm.note or "")


def test_exposure_that_the_sky_wants() -> None:
    facts = {"sky_mag": 20.5, "aperture_mm": 80.0, "passband_nm": 100.0}
    told = line("sub_length", **facts)
    # NOI-12 with half of the light for 0.6 of it; NOI-06: 9.756 R² over that
    rate = reference("NOI-12").value * 0.5 / 0.6
    assert told.value == pytest.approx(9.756 * 1.5**2 / rate, rel=2e-3)
    assert told.low is not None
    assert told.high == pytest.approx(told.low * 0.7 / 0.3)
    assert "(good: below 5)" in (told.note or "")
    without = make_plan(setup(sky_mag=20.5)).sections[-1].lines
    assert [one.name for one in without] == ["Clear or luminance filter", "One colour", "Narrow band"]


def test_level_of_sky_that_can_be_seen_on_a_frame() -> None:
    # NOI-06 at 0.25 electrons a step
    assert value("sky_level", gain_e_per_adu=0.25) == pytest.approx(9.756 * 1.5**2 / 0.25, rel=1e-4)


def test_numbers_in_sentences() -> None:
    assert [short(x) for x in (0.0123, 0.123, 1.23, 5.0, 12.3, 1234.5)] == ["0.012", "0.12", "1.2", "5", "12", "1234"]
    assert [short_time(x) for x in (0.5, 45, 120, 150, 7200)] == ["0.50 s", "45 s", "2 min", "2.5 min", "2 h"]
    assert Span.of(3, 1, 2) == Span(value=2, low=1, high=3)
