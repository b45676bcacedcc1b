"""rig.toml: read with care, merged with the headers, written as a start."""

import contextlib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from framecheck.errors import UnusableRig
from framecheck.read.exposure import Exposure, Orientation
from framecheck.read.rig import Rig, merge_rig
from framecheck.read.rig_file import load_rig, rig_template
from framecheck.read.rig_keys import KEYS

WHOLE = """\
[optics]
focal_length_mm = 530
aperture_mm = 106.0
central_obstruction = 0.0

[camera]
pixel_um = 3.76
binning = 1
gain_e_per_adu = 0.77
read_noise_e = 1.5
saturation_adu = 65535
pedestal_adu = 500
camera_angle_deg = -30.0

[mount]
mount_type = "equatorial"
guided = true
worm_period_s = 480

[site]
site_latitude_deg = 48.2
site_longitude_deg = 343.6
"""


def rig_of(tmp_path: Path, text: str) -> Rig:
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return load_rig(path)


def complaint(tmp_path: Path, text: str) -> str:
    with pytest.raises(UnusableRig) as caught:
        rig_of(tmp_path, text)
    said = str(caught.value)
    assert said.startswith(str(tmp_path / "rig.toml"))
    assert said.endswith(".")
    return said.removeprefix(str(tmp_path / "rig.toml"))


def exposure(**known: object) -> Exposure:
    return Exposure(file=Path("frame.fits"), kind="light", width_px=100, height_px=80, **known)  # type: ignore[arg-type]


def lying(scale: float, angle: float) -> Orientation:
    return Orientation(pixel_scale_arcsec=scale, north_up_deg=angle, mirrored=False, ra_deg=80, dec_deg=20)


def test_a_whole_rig(tmp_path: Path) -> None:
    rig = rig_of(tmp_path, WHOLE)
    assert (rig.focal_length_mm, rig.binning, rig.mount_type, rig.guided) == (530, 1, "equatorial", True)
    assert rig.camera_angle_deg == 330
    assert rig.site_longitude_deg == pytest.approx(-16.4)
    assert rig.provenance == dict.fromkeys(rig.provenance, "rig file")
    assert len(rig.provenance) == 16 - 1  # all keys but pixel_scale_arcsec


def test_keys_without_tables(tmp_path: Path) -> None:
    rig = rig_of(tmp_path, "focal_length_mm = 530\npixel_um = 3.76\n")
    assert rig.pixel_scale_arcsec == pytest.approx(1.46331, rel=1e-5)  # closed form, 206264.8" a radian
    assert rig_of(tmp_path, "") == Rig()
    assert rig_of(tmp_path, "pixel_scale_arcsec = 1.5").pixel_scale_arcsec == 1.5


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "[optics]\n\nfocal_lenght_mm = 530\n",
            ", line 3: there is no key `focal_lenght_mm` (did you mean `focal_length_mm`?); "
            "the keys here are focal_length_mm, aperture_mm, central_obstruction, pixel_scale_arcsec.",
        ),
        (
            "[optic]\nfocal_length_mm = 530\n",
            ", line 1: there is no table [optic] (did you mean `optics`?); "
            "the tables are [optics], [camera], [mount], [site].",
        ),
        (
            "[optics]\naperture_mm = 100\nfocal_length_mm = '530'\n",
            ', line 3: `focal_length_mm` is "530", but must be a number from 2 to 200000.',
        ),
        (
            "# my rig\n[camera]\npixel_um = 3.76\nbinning = 2.0\n",
            ", line 4: `binning` is 2.0, but must be a whole number from 1 to 32.",
        ),
        ("[camera]\npixel_um = -3\n", ", line 2: `pixel_um` is -3, but must be a number from 0.5 to 200."),
        ("[camera]\npixel_um = nan\n", ", line 2: `pixel_um` is NaN, but must be a number from 0.5 to 200."),
        ("[camera]\npixel_um = true\n", ", line 2: `pixel_um` is true, but must be a number from 0.5 to 200."),
        (
            "[optics]\nFocal_Length_mm = 530\n",
            ", line 2: there is no key `Focal_Length_mm` (did you mean `focal_length_mm`?)",
        ),
        ("[Mount]\nguided = true\n", ", line 1: there is no table [Mount] (did you mean `mount`?)"),
        (
            "[mount]\nmount_type = 'Equatorial'\n",
            ', line 2: `mount_type` is "Equatorial" (did you mean `equatorial`?), ',
        ),
        ("[mount]\nguided = 'yes'\n", ', line 2: `guided` is "yes", but must be true or false.'),
        (
            "[mount]\nmount_type = 'equatorail'\n",
            ', line 2: `mount_type` is "equatorail" (did you mean `equatorial`?), '
            'but must be one of "fixed", "tracker", "equatorial", "alt-azimuth".',
        ),
        (
            "[camera]\nfocal_length_mm = 530\n",
            ", line 2: `focal_length_mm` stands in [camera] but belongs in [optics].",
        ),
        (
            "focal_length_mm = 500\n[optics]\nfocal_length_mm = 530\n",
            ", line 3: `focal_length_mm` is given twice, on top and in [optics]; keep one.",
        ),
        (
            "[optics]\nfocal_length_mm = 53\naperture_mm = 530\n",
            ", line 3: `aperture_mm` = 530 with `focal_length_mm` = 53 makes f/0.10, "
            "but no optics are that fast; both must be in millimetres.",
        ),
        ("optics.focal_length_mm = 0\n", ", line 1: `focal_length_mm` is 0, but must be a number from 2 to 200000."),
        ("optics = 3\n", ", line 1: there is no key `optics`"),
        ("[optics.inner]\nx = 1\n", ", line 1: there is no key `inner`"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, expected: str) -> None:
    said = complaint(tmp_path, text)
    assert said.startswith(expected)


def test_no_toml(tmp_path: Path) -> None:
    said = complaint(tmp_path, "[optics]\nfocal_length_mm 530\n")
    assert said.startswith(": line 2 isn't valid TOML (")
    assert "'focal_length_mm 530'" in said
    yes = complaint(tmp_path, "[mount]\nguided = Yes\n")
    assert yes.endswith("'guided = Yes'. Write true or false, in small letters.")
    assert complaint(tmp_path, "[camera]\npixel_um = 3.76 um\n").endswith("Write the number without its unit.")
    assert ": line 3 isn't valid TOML" in complaint(tmp_path, "[mount]\nguided = true\nguided = false\n")


def test_no_file(tmp_path: Path) -> None:
    with pytest.raises(UnusableRig, match="no such file"):
        load_rig(tmp_path / "rig.toml")
    with pytest.raises(UnusableRig, match="no such file"):
        load_rig(tmp_path)
    (tmp_path / "rig.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(UnusableRig, match="isn't UTF-8 text"):
        load_rig(tmp_path / "rig.toml")
    (tmp_path / "rig.toml").write_bytes(b" " * 2_000_000)
    with pytest.raises(UnusableRig, match="too large"):
        load_rig(tmp_path / "rig.toml")


TOKENS = [key.name for key in KEYS] + ["[optics]", "[camera]", "[mount]", "[site]", "x", "[[site]]", "a.b", "{", "}"]


@given(
    st.lists(st.tuples(st.sampled_from(TOKENS), st.sampled_from(["", " = 1", " = 'x'", " = []", " = {}", " = nan"])))
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_any_file_is_a_rig_or_refused(tmp_path: Path, lines: list[tuple[str, str]]) -> None:
    with contextlib.suppress(UnusableRig):
        assert isinstance(rig_of(tmp_path, "\n".join(left + right for left, right in lines)), Rig)


def test_the_rig_file_wins_and_headers_fill_in() -> None:
    rig = Rig(focal_length_mm=530.0)
    merged = merge_rig(rig, [exposure(focal_length_mm=500.0, pixel_um=3.76, binning=1)] * 3)
    assert (merged.focal_length_mm, merged.pixel_um, merged.binning) == (530, 3.76, 1)
    assert merged.provenance == {
        "focal_length_mm": "rig file", "pixel_um": "header", "binning": "header", "pixel_scale_arcsec": "header",
    }  # fmt: skip
    assert isinstance(merged.binning, int)


def test_headers_that_disagree_leave_it_unknown() -> None:
    one, two = exposure(gain_e_per_adu=0.77, binning=1), exposure(gain_e_per_adu=0.25, binning=2)
    merged = merge_rig(Rig(), [one, one, two, two])
    assert (merged.gain_e_per_adu, merged.binning) == (None, None)
    assert merge_rig(Rig(), [one] * 19 + [two]).gain_e_per_adu == 0.77  # one odd frame in twenty
    assert merge_rig(Rig(), [one, exposure()]).gain_e_per_adu == 0.77  # silence is no disagreement
    assert merge_rig(Rig(), []) == Rig()


def test_plate_solutions_give_scale_and_angle() -> None:
    solved = [exposure(orientation=lying(1.46 + 0.001 * n, (359 + n) % 360), pixel_um=3.76) for n in range(3)]
    merged = merge_rig(Rig(focal_length_mm=600.0), solved)
    assert merged.pixel_scale_arcsec == pytest.approx(1.461)
    assert merged.provenance["pixel_scale_arcsec"] == "plate solution"
    assert merged.camera_angle_deg == pytest.approx(0, abs=1e-9) or merged.camera_angle_deg == pytest.approx(360)
    flipped = [*solved, *(replace(e, orientation=lying(1.46, 180)) for e in solved)]
    assert merge_rig(Rig(), flipped).camera_angle_deg is None
    assert merge_rig(Rig(solved_scale_arcsec=1.5), solved).pixel_scale_arcsec == 1.5


def test_a_stated_scale_is_the_last_resort() -> None:
    stated = exposure(stated_scale_arcsec=5.21)
    assert merge_rig(Rig(), [stated]).pixel_scale_arcsec == 5.21
    assert merge_rig(Rig(focal_length_mm=530, pixel_um=3.76), [stated]).pixel_scale_arcsec == pytest.approx(
        1.46331, rel=1e-5
    )


def test_the_template_is_read_back(tmp_path: Path) -> None:
    known = exposure(
        focal_length_mm=530.0, pixel_um=3.76, binning=2, gain_e_per_adu=0.7700001, orientation=lying(1.4633, 30.0),
        site_latitude_deg=48.2, provenance={"focal_length_mm": "FOCALLEN"},
    )  # fmt: skip
    text = rig_template(known)
    rig = rig_of(tmp_path, text)
    assert (rig.focal_length_mm, rig.pixel_um, rig.binning, rig.gain_e_per_adu) == (530, 3.76, 2, 0.77)
    assert (rig.camera_angle_deg, rig.site_latitude_deg, rig.solved_scale_arcsec) == (30, 48.2, 1.4633)
    assert (rig.aperture_mm, rig.mount_type, rig.guided) == (None, None, None)
    assert "focal_length_mm = 530.0  # from the header (FOCALLEN)" in text
    assert "# aperture_mm = 106.0" in text
    for key in KEYS:
        assert f"# {key.help}" in text


def test_the_template_does_not_hold_a_lens_wide_open(tmp_path: Path) -> None:
    text = rig_template(exposure(focal_length_mm=35.0, aperture_mm=17.5, lens_f_number=2.0))
    assert rig_of(tmp_path, text).aperture_mm is None
    assert rig_of(tmp_path, text).focal_length_mm == 35
    assert rig_of(tmp_path, rig_template(exposure(aperture_mm=106.0))).aperture_mm == 106


def test_every_example_of_the_template_is_allowed(tmp_path: Path) -> None:
    text = rig_template(exposure())
    assert rig_of(tmp_path, text) == Rig()
    filled = "\n".join(line.removeprefix("# ") if " = " in line else line for line in text.splitlines())
    assert len(rig_of(tmp_path, filled).provenance) == len(KEYS)


def test_the_template_holds_a_scale_that_the_header_only_states(tmp_path: Path) -> None:
    text = rig_template(exposure(stated_scale_arcsec=5.21, provenance={"stated_scale_arcsec": "IM_SCALE"}))
    assert "pixel_scale_arcsec = 5.21  # from the header (IM_SCALE)" in text
    assert rig_of(tmp_path, text).pixel_scale_arcsec == 5.21
    better = rig_template(exposure(stated_scale_arcsec=5.21, focal_length_mm=530.0, pixel_um=3.76))
    assert "# pixel_scale_arcsec" in better  # focal length and pixel size tell it better


def test_calibration_frames_and_plate_solutions_are_named() -> None:
    seen = exposure(read_noise_e=3.0, provenance={"read_noise_e": "bias frames"})
    assert merge_rig(Rig(), [seen] * 3).provenance["read_noise_e"] == "calibration frames"
    mixed = [seen, exposure(read_noise_e=3.0, provenance={"read_noise_e": "RDNOISE"})]
    assert merge_rig(Rig(), mixed).provenance["read_noise_e"] == "header"
    solved = exposure(focal_length_mm=530.0, pixel_um=3.76, provenance={"focal_length_mm": "plate solution"})
    assert merge_rig(Rig(), [solved]).provenance["focal_length_mm"] == "plate solution"
