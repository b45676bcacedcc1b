"""A night read again from its night.json is the night that was written."""

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import by_hand
import pytest

sys.path.append(str(Path(__file__).parent.parent / "decision"))
from night_documents import document_of, write_night
from past_nights import night

from framecheck.decision.past_night import Course, past_night, read_past_night
from framecheck.decision.records import FieldPattern, FieldStretch, FieldStretches, Range, TrackingFigures
from framecheck.document import json_text
from framecheck.errors import UnusableRequest
from framecheck.report.night_json import night_document


def test_what_is_read_is_what_was_written(tmp_path: Path) -> None:
    made = night(causes=("periodic-error",))
    folder = write_night(made, tmp_path / "report")
    found = read_past_night(folder / "night.json", made.name)
    assert found.course is not None
    assert made.course is not None
    assert found.course.minutes == pytest.approx(made.course.minutes, rel=1e-5)
    for read_back, written in zip(found.course.places, made.course.places, strict=True):
        assert read_back == pytest.approx(written, rel=1e-5)
    assert [one.fwhm_px for one in found.frames] == pytest.approx([one.fwhm_px for one in made.frames], rel=1e-5)
    assert [one.smear_px for one in found.frames] == pytest.approx([one.smear_px for one in made.frames], rel=1e-5)
    again = read_past_night(write_night(found, tmp_path / "again") / "night.json", made.name)
    assert again == found  # digits that the file does not hold aside, nothing is lost


def test_a_drift_in_pixels_is_read_as_one() -> None:
    made = night(n_frames=12)
    assert made.course is not None
    x, y = made.course.places
    told = past_night(document_of(replace(made, course=Course(minutes=made.course.minutes, x_px=x, y_px=y))), "a", "b")
    assert told.course is not None
    assert told.course.in_arcsec is False
    assert told.course.places[1][-1] == pytest.approx(y[-1], rel=1e-5)


def test_the_course_of_a_largest_group_without_pictures_is_unknown() -> None:
    document = document_of(night(n_frames=12))
    document["charts"]["groups"][0]["group"] = "another"
    assert past_night(document, "a", "night.json").course is None


def test_a_night_that_drew_one_course_for_all_is_read() -> None:
    old = document_of(night(n_frames=12))
    old["charts"] = {"course": old["charts"]["groups"][0]["course"]}
    assert (
        past_night(old, "old", "night.json").course
        == past_night(document_of(night(n_frames=12)), "new", "night.json").course
    )


def test_a_judged_nights_own_file_is_read() -> None:
    stretch = FieldStretch(
        start_utc="2024-03-12T19:40:00.000Z", n_frames=10, centre_fwhm_px=1.8, pattern=FieldPattern(tilt_x_percent=3.0)
    )
    judgement = replace(
        by_hand.with_causes(by_hand.judgement(12)),
        tracking=TrackingFigures(polar_error_arcmin=Range(value=3.0, low=2.5, high=3.6)),
        field_stretches=FieldStretches(group="M 101 L 300 s", width_px=6248, height_px=4176, each=(stretch,)),
    )
    found = past_night(json.loads(json_text(night_document(judgement))), "mine", "night.json")
    assert len(found.frames) == 12
    assert found.frames[3].start == judgement.night.frames[3].result.exposure.start_utc
    assert found.frames[3].fwhm_px == pytest.approx(judgement.night.frames[3].result.shape.fwhm_px, rel=1e-5)
    assert found.main is not None
    assert (found.main.target, found.main.filter, found.main.exposure_s) == ("M 101", "L", 300.0)
    assert found.field_stretches == judgement.field_stretches
    assert found.tracking == judgement.tracking
    assert [term.share for term in found.budget] == [0.6, 0.25, 0.15]
    assert [(one.cause, one.confidence) for one in found.findings] == [("polar-misalignment", 0.86)]
    assert found.rig.focal_length_mm == 530.0


def test_what_an_older_version_did_not_write_is_unknown() -> None:
    old = document_of(night())
    del old["field_stretches"], old["charts"]
    found = past_night(old, "old", "night.json")
    assert found.field_stretches is None
    assert found.course is None
    assert len(found.frames) == 120


def test_a_night_judged_before_the_decision_had_a_ladder_is_read() -> None:
    old = json.loads(json_text(night_document(by_hand.with_causes(by_hand.judgement(12)))))
    for name in ("ladder", "gain"):
        del old["mount_decision"][name]
    assert len(past_night(old, "old", "night.json").frames) == 12


def test_frames_that_failed_are_left_out() -> None:
    document = document_of(night(n_frames=12))
    document["frames"].append({"file": "broken.fits", "status": "failed", "failure": "It ends too soon."})
    assert len(past_night(document, "a", "night.json").frames) == 12


STRETCH = {"start_utc": "noon", "n_frames": 9, "centre_fwhm_px": 2.0, "pattern": {}}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"schema": 2}, "its schema is 2, ours is 1"),
        ({"schema": True}, "its schema is True, ours is 1"),
        ({"schema": None}, "it has no schema"),
        ({"frames": None}, "it has no frames"),
        ({"frames": "many"}, "frames is a text, not a list"),
        ({"frames": [3]}, r"frames\[0\] is a whole number, not a table of fields"),
        ({"frames": [{"file": "a", "fwhm_px": "wide"}]}, r"frames\[0\].fwhm_px is a text, not a number or nothing"),
        ({"frames": [{"file": "a", "start_utc": "yesterday"}]}, r"start_utc is 'yesterday', which isn't a time"),
        ({"frames": [{"file": "a", "start_utc": 5}]}, "start_utc is a whole number, not a text or nothing"),
        ({"frames": [{"file": "a" * 10_000_000}]}, "file has 10000000 signs"),
        ({"rig": {"mount_type": "a" * 5000}}, "mount_type has 5000 signs"),
        ({"rig": [1]}, "rig is a list, not a table of fields"),
        ({"rig": {"pixel_um": True}}, "rig.pixel_um is true or false, not a number or nothing"),
        ({"budget": [{"term": "luck"}]}, r"budget\[0\].term: invalid enum value 'luck'"),
        ({"charts": {"course": {"minutes": [1], "x_px": [1, 2], "y_px": [1]}}}, "differ in length"),
        ({"field_stretches": {"group": "", "width_px": 1, "height_px": 1, "each": [STRETCH]}}, "which isn't a time"),
    ],
)
def test_what_is_no_night_is_said_in_a_sentence(change: dict[str, Any], told: str) -> None:
    with pytest.raises(UnusableRequest, match=told) as failed:
        past_night(document_of(night(n_frames=12)) | change, "a", "somewhere/night.json")
    assert str(failed.value).startswith("somewhere/night.json: this isn't a night.json of framecheck: ")
    assert str(failed.value).endswith(".")


@pytest.mark.parametrize("document", [[], "text", 3, None])
def test_other_json_is_no_night(document: object) -> None:
    with pytest.raises(UnusableRequest, match="the file isn't a table"):
        past_night(document, "a", "night.json")


@pytest.mark.parametrize(
    "content", [b"{", b"", b"\xff\xfe\x00", b"[" * 100_000, b"[" + b"{}," * 3_100_000 + b"1]", b"9" * 5000]
)
def test_a_damaged_file_is_said_in_a_sentence(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "night.json").write_bytes(content)
    with pytest.raises(UnusableRequest, match=r"night.json: (this isn't a complete night.json|cannot be read)"):
        read_past_night(tmp_path / "night.json", "a")


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("frames", 3, "fwhm_px"), 1e308), (("frames", 3, "fwhm_px"), 0), (("frames", 3, "airmass"), 5e-324),
        (("frames", 3, "smear_px"), -1.0), (("frames", 3, "exposure_s"), 10**400), (("rig", "pixel_scale_arcsec"), 0.0),
        (("rig", "focal_length_mm"), -1e308), (("budget", 0, "share"), 1e300), (("findings", 0, "confidence"), 3),
        (("frames", 3, "start_utc"), "0001-01-01T00:00:00+23:59"), (("frames", 3, "fwhm_px"), float("inf")),
        (("frames", 3, "fwhm_px"), float("nan")), (("field_stretches", "each"), [{}] * 101), (("schema",), "x" * 10**6),
    ],
)  # fmt: skip
def test_a_number_that_cannot_be_is_refused_in_a_sentence(
    place: tuple[Any, ...], value: object, tmp_path: Path
) -> None:
    document = document_of(night(n_frames=12, causes=("periodic-error",)))
    *inside, last = place
    part: Any = document
    for key in inside:
        part = part[key]
    part[last] = value
    file = tmp_path / "night.json"
    file.write_text(json.dumps(document))
    with pytest.raises(UnusableRequest, match=r"this isn't a (complete )?night\.json") as why:
        read_past_night(file, "a")
    assert len(str(why.value)) < 400
