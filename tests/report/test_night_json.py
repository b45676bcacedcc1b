"""night.json keeps to its contract: every field there, under its name, unknown as null."""

import json
import math
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import by_hand
import pytest

from framecheck.causes.catalogue import CAUSES
from framecheck.document import json_text
from framecheck.field.result import FrameFailure
from framecheck.read.exposure import Orientation
from framecheck.read.rig import Rig
from framecheck.report.night_json import frame_document, night_document

# The contract: fields of each block in their order, and what a known value is.
NUMBER, TEXT, FLAG, WHOLE = (int, float), (str,), (bool,), (int,)
FRAME = {
    "file": TEXT, "group": TEXT, "start_utc": TEXT, "exposure_s": NUMBER, "status": TEXT, "failure": TEXT,
    "grade": TEXT, "reasons": (list,), "n_stars": WHOLE, "n_measured_stars": WHOLE, "n_saturated_stars": WHOLE,
    "fwhm_px": NUMBER, "fwhm_px_error": NUMBER, "fwhm_arcsec": NUMBER, "elongation": NUMBER, "elongation_error": NUMBER,
    "elongation_pa_deg": NUMBER, "elongation_pa_sky_deg": NUMBER, "moffat_beta": NUMBER, "half_flux_radius_px": NUMBER,
    "sky_adu": NUMBER, "sky_noise_adu": NUMBER, "sky_e_per_s": NUMBER, "sky_gradient_percent": NUMBER,
    "transparency": NUMBER, "effective_exposure_s": NUMBER, "shift_x_px": NUMBER, "shift_y_px": NUMBER,
    "rotation_deg": NUMBER, "trail_length_px": NUMBER, "altitude_deg": NUMBER, "airmass": NUMBER,
    "sensor_temp_c": NUMBER, "tube_temp_c": NUMBER,
    "causes": (list,), "ground_share": NUMBER,
    # ours, beyond the contract
    "smear_px": NUMBER, "smear_pa_deg": NUMBER, "star_trace": TEXT, "session": WHOLE,
    # of camera raws
    "iso": NUMBER, "f_number": NUMBER, "start_local": TEXT, "tag": TEXT,
}  # fmt: skip
BLOCKS = {
    "generator": {"name": TEXT, "version": TEXT},
    "source": {"folder": TEXT, "n_files": WHOLE, "n_measured": WHOLE, "n_failed": WHOLE},
    "rig": {
        "focal_length_mm": NUMBER, "aperture_mm": NUMBER, "pixel_um": NUMBER, "binning": WHOLE,
        "pixel_scale_arcsec": NUMBER, "gain_e_per_adu": NUMBER, "read_noise_e": NUMBER, "saturation_adu": NUMBER,
        "mount_type": TEXT, "worm_period_s": NUMBER, "camera_angle_deg": NUMBER,
        "lens_f_number": NUMBER, "provenance": (dict,), "from_saved_rig": (list,),
    },
    "tracking": {
        "axis_known": FLAG, "rms_along_px": NUMBER, "rms_across_px": NUMBER, "rms_ra_arcsec": NUMBER,
        "rms_dec_arcsec": NUMBER, "drift_ra_arcsec_per_min": NUMBER, "drift_dec_arcsec_per_min": NUMBER,
        "rotation_deg_per_hour": NUMBER, "period_s": NUMBER, "period_error_s": NUMBER,
        "periodic_peak_to_peak_arcsec": NUMBER, "polar_error_arcmin": (dict,),
        "polar_azimuth_arcmin": NUMBER, "polar_altitude_arcmin": NUMBER, "axes_from": TEXT,
        "period_false_alarm_probability": NUMBER, "period_aliases_s": (list,), "smear_explained_by_drift": NUMBER,
    },
    "sampling": {"px_per_fwhm": NUMBER, "verdict": TEXT, "diffraction_fwhm_arcsec": NUMBER, "suggestion": TEXT},
    "field": {
        "tilt_x_percent": NUMBER, "tilt_y_percent": NUMBER, "curvature_percent": NUMBER, "coma_px": NUMBER,
        "astigmatism_px": NUMBER, "trefoil_px": NUMBER,
    },
    "explained": {"size": NUMBER, "shape": NUMBER},
    "mount_decision": {
        "answer": TEXT, "because": (list,), "ladder": (list,), "gain": (dict,), "tracking_rms_arcsec": (dict,),
        "needed_rms_arcsec": NUMBER,
        "fwhm_now_arcsec": NUMBER, "fwhm_with_perfect_tracking_arcsec": NUMBER, "kept_now": WHOLE,
        "kept_with_perfect_tracking": WHOLE, "what_would_settle_it": (list,),
    },
}  # fmt: skip
LISTS = {
    "groups": {
        "id": TEXT, "session": WHOLE, "target": TEXT, "filter": TEXT, "exposure_s": NUMBER, "binning": WHOLE,
        "n_frames": WHOLE, "total_exposure_s": NUMBER, "effective_exposure_s": NUMBER, "median_fwhm_arcsec": NUMBER,
        "median_elongation": NUMBER,
    },
    "frames": FRAME,
    "skipped": {"file": TEXT, "kind": TEXT, "why": TEXT},
    "budget": {"term": TEXT, "fwhm_arcsec": NUMBER, "low": NUMBER, "high": NUMBER, "share": NUMBER},
    "findings": {
        "cause": TEXT, "family": TEXT, "confidence": NUMBER, "frames_affected": WHOLE, "cost": NUMBER,
        "evidence": (list,), "rivals": (list,), "cures": (list,), "caution": TEXT,
    },
    "undecided": {"cause": TEXT, "family": TEXT, "because": TEXT, "what_would_settle_it": TEXT},
    "what_if": {
        "case": TEXT, "fwhm_arcsec": NUMBER, "recorded_fwhm_arcsec": NUMBER, "narrower": NUMBER, "n_frames": WHOLE,
        "kept": WHOLE, "effective_exposure_s": NUMBER, "sentence": TEXT,
    },
}  # fmt: skip
TOP = [
    "schema", "generator", "source", "rig", "groups", "frames", "skipped", "tracking", "sampling", "field", "budget",
    "findings", "undecided", "explained", "mount_decision", "what_if", "charts",
    "field_stretches", "failures", "ground", "standing", "alignment", "apertures", "morning",
]  # fmt: skip


def read(text: str) -> Any:
    """JSON read with no mercy for NaN and Infinity."""

    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is no JSON (RFC 8259)")

    return json.loads(text, parse_constant=refuse)


def holds(block: dict[str, Any], fields: dict[str, tuple[type, ...]]) -> None:
    assert list(block) == list(fields)
    for name, kinds in fields.items():
        value = block[name]
        assert value is None or (isinstance(value, kinds) and isinstance(value, bool) == (kinds is FLAG)), name


@pytest.fixture(params=["plain", "with causes"])
def document(request: pytest.FixtureRequest) -> dict[str, Any]:
    night = by_hand.judgement(12)
    whole = by_hand.with_causes(night) if request.param == "with causes" else night
    read_back: dict[str, Any] = read(json_text(night_document(whole)))
    return read_back


def test_every_field_of_the_contract_is_there(document: dict[str, Any]) -> None:
    assert list(document) == TOP
    assert document["schema"] == 1
    for name, fields in BLOCKS.items():
        holds(document[name], fields)
    for name, fields in LISTS.items():
        for item in document[name]:
            holds(item, fields)
    for name in ("tracking_rms_arcsec", "gain"):
        holds(document["mount_decision"][name], {"value": NUMBER, "low": NUMBER, "high": NUMBER})
    for finding in document["findings"]:
        for seen in finding["evidence"]:
            assert list(seen) == ["statement", "value", "unit", "expected_if_healthy"]
        for rival in finding["rivals"]:
            assert list(rival) == ["cause", "why_less_likely"]


def test_the_catalogue_is_that_of_the_contract() -> None:
    families = [cause.family for cause in CAUSES.values()]
    assert [families.count(family) for family in ("mount", "optics", "camera", "sky")] == [9, 9, 4, 5]
    assert {"periodic-error", "pinched-optics", "read-noise-limited", "trail-crossing"} <= set(CAUSES)
    assert [name for name, cause in CAUSES.items() if cause.advice] == ["moving-ground"]
    assert all(name == cause.name and cause.meaning.endswith(".") for name, cause in CAUSES.items())


def test_a_failed_file_stands_among_the_frames_with_its_reason() -> None:
    document = night_document(by_hand.judgement(3))
    (failed,) = [frame for frame in document["frames"] if frame["status"] == "failed"]
    assert failed["file"] == "lights/M101_L_099.fits"
    assert failed["failure"] == "Ends after 12 of 52 MB. Copy it again from the camera."
    assert failed["grade"] is failed["n_stars"] is failed["fwhm_px"] is None
    assert document["source"] == {"folder": "nights/2024-03-12", "n_files": 6, "n_measured": 3, "n_failed": 1}


def test_what_is_not_finite_is_null() -> None:
    frame = by_hand.frame(0, transparency=math.nan, effective_exposure_s=math.inf, airmass=None)
    (row,) = [one for one in night_document(by_hand.judgement_of((frame,)))["frames"] if one["status"] == "measured"]
    assert row["transparency"] is row["effective_exposure_s"] is row["airmass"] is None


def test_frames_come_in_order_of_start_and_those_without_one_last() -> None:
    night = by_hand.judgement(4)
    late = FrameFailure(exposure=night.night.frames[1].result.exposure, file="z.fits", fault="is cut", remedy="Look.")
    lost = FrameFailure(exposure=None, file="0.fits", fault="is cut", remedy="Look.")
    whole = replace(night, night=replace(night.night, failures=(lost, late)))
    rows = whole.rows
    names = [row.file.split("_")[-1] for row in rows]
    assert names == ["001.fits", "002.fits", "z.fits", "003.fits", "004.fits", "0.fits"]


def test_equal_nights_give_equal_bytes() -> None:
    assert json_text(night_document(by_hand.judgement(6))) == json_text(night_document(by_hand.judgement(6)))


def test_floats_have_six_significant_digits() -> None:
    frame = by_hand.frame(0, effective_exposure_s=123.456789)
    assert night_document(by_hand.judgement_of((frame,)))["frames"][0]["effective_exposure_s"] == 123.457


def test_a_scale_makes_arcseconds_and_none_leaves_them_unknown() -> None:
    frames = (by_hand.frame(0),)
    known, unknown = by_hand.judgement_of(frames), by_hand.judgement_of(frames, rig=Rig())
    # 206264.806 * 3.76e-3 / 530 = 1.46331 arcsec per pixel: closed form
    first = night_document(known)["frames"][0]
    assert first["fwhm_arcsec"] == pytest.approx(1.46331 * first["fwhm_px"], rel=1e-5)
    assert night_document(unknown)["frames"][0]["fwhm_arcsec"] is None
    assert night_document(unknown)["rig"]["pixel_scale_arcsec"] is None


@pytest.mark.parametrize(
    ("mirrored", "north_up_deg", "pa_deg", "on_sky_deg"),
    [
        # Closed form. North up, east left (not mirrored): the +x axis points west, so its line lies at 90.
        (False, 0.0, 0.0, 90.0),
        (False, 0.0, 90.0, 0.0),
        # 30 degrees from +x towards +y: from north (up) 60 degrees to the right, that is west: 180 - 60.
        (False, 0.0, 30.0, 120.0),
        (True, 0.0, 30.0, 60.0),
        (False, 25.0, 90.0, 25.0),
        (True, 25.0, 90.0, 25.0),
    ],
)
def test_directions_on_the_sky(mirrored: bool, north_up_deg: float, pa_deg: float, on_sky_deg: float) -> None:
    lies = Orientation(pixel_scale_arcsec=1.0, north_up_deg=north_up_deg, mirrored=mirrored, ra_deg=0.0, dec_deg=0.0)
    result = by_hand.frame(0).result
    assert result.shape is not None
    turned = replace(
        result,
        exposure=replace(result.exposure, orientation=lies),
        shape=replace(result.shape, elongation_pa_deg=pa_deg),
    )
    assert frame_document(turned, Rig())["elongation_pa_sky_deg"] == pytest.approx(on_sky_deg)


def test_a_direction_on_the_sky_needs_the_order_of_the_rows_beside_the_camera_angle() -> None:
    result = by_hand.frame(0).result
    rig = Rig(camera_angle_deg=0.0)
    assert frame_document(result, rig)["elongation_pa_sky_deg"] is None
    upright = replace(result, exposure=replace(result.exposure, rows_top_down=False))
    assert result.shape is not None
    assert result.shape.elongation_pa_deg is not None
    expected = (result.shape.elongation_pa_deg + 90) % 180
    assert frame_document(upright, rig)["elongation_pa_sky_deg"] == pytest.approx(expected, abs=1e-3)


def test_a_single_frame_has_the_same_fields_and_no_grade() -> None:
    document = frame_document(by_hand.frame(0).result, by_hand.RIG, by_hand.FOLDER)
    holds(document, FRAME)
    assert document["file"] == "lights/M101_L_001.fits"
    assert document["grade"] is document["group"] is document["transparency"] is None
    failed = frame_document(FrameFailure(exposure=None, file="a.fits", fault="is empty", remedy="Delete it."), Rig())
    holds(failed, FRAME)
    assert (failed["status"], failed["failure"]) == ("failed", "Is empty. Delete it.")


@pytest.mark.parametrize(
    "start",
    [
        datetime(2024, 3, 12, 19, 40, 0, 500000),
        datetime(2024, 3, 12, 19, 40, 0, 500000, tzinfo=UTC),
        datetime(2024, 3, 12, 20, 40, 0, 500000, tzinfo=timezone(timedelta(hours=1))),
    ],
)
def test_times_are_utc_in_iso_8601(start: datetime) -> None:
    result = by_hand.frame(0).result
    moved = replace(result, exposure=replace(result.exposure, start_utc=start))
    assert frame_document(moved, Rig())["start_utc"] == "2024-03-12T19:40:00.500Z"


def test_names_that_are_no_utf8_can_be_written() -> None:
    result = by_hand.frame(0).result
    odd = replace(result, exposure=replace(result.exposure, file=Path(os.fsdecode(b"caf\xe9.fits"))))
    text = json_text(frame_document(odd, Rig()))
    assert read(text.encode().decode())["file"] == "caf\\xe9.fits"


@pytest.mark.parametrize("sign", ["\x1b", "\x7f", "\x9b", "\u202e", "\u2028", "\ufeff", "\U000e0041", "\u200b"])
def test_signs_that_steer_a_terminal_are_written_as_escapes(sign: str) -> None:
    # RFC 8259, section 7: any character may be escaped; one beyond 0xFFFF as a surrogate pair
    text = json_text({"name": f"a{sign}b", sign: "é µ 星"})
    assert sign not in text
    assert "é µ 星" in text
    assert json.loads(text) == {"name": f"a{sign}b", sign: "é µ 星"}
