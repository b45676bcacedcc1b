"""One row for each word of each dialect: what the card says, and what we make of it."""

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from framecheck.errors import UnusableFrame
from framecheck.read import keywords
from framecheck.read.cards import Header, parse_header
from framecheck.read.exposure import Exposure
from framecheck.read.fits import read_exposure
from framecheck.read.header import exposure_from_header

CAPTURE = "common practice of capture programs"
OBSERVATORY = "common practice of observatories, met in public frames"
STANDARD = "FITS Standard 3.0"

DIALECTS: list[tuple[str, str, str, Any]] = [
    # source, card, field, value
    (STANDARD, "OBJECT = 'M 31'", "target", "M 31"),
    (STANDARD, "TELESCOP= 'refractor'", "telescope", "refractor"),
    (STANDARD, "INSTRUME= 'a camera'", "camera", "a camera"),
    (OBSERVATORY, "OBJNAME = 'M 31'", "target", "M 31"),
    (OBSERVATORY, "FIELD = 'M 31'", "target", "M 31"),
    (OBSERVATORY, "CAM-MOD = 'a camera'", "camera", "a camera"),
    (CAPTURE, "EXPTIME = 300.0", "exposure_s", 300.0),
    (CAPTURE, "EXPOSURE= 300.0", "exposure_s", 300.0),
    ("Rots et al. 2015, A&A 574, A36", "XPOSURE = 300.0", "exposure_s", 300.0),
    ("met in an observatory's files of 1996", "EXPTIME = 300000 / [ms] exposure", "exposure_s", 300.0),
    ("met in an observatory's files of 1996", "EXPTIME = 300000 / exposure in milliseconds", "exposure_s", 300.0),
    (CAPTURE, "EXPTIME = 0.0", "exposure_s", 0.0),
    (CAPTURE, "EXPTIME = -1.0", "exposure_s", None),
    (CAPTURE, "FILTER = 'Ha'", "filter", "Ha"),
    (CAPTURE, "FILTER = 'RGGB'", "filter", None),
    (CAPTURE, "FILTER = 3", "filter", "3"),
    (OBSERVATORY, "FILTNAME= 'VR'", "filter", "VR"),
    (CAPTURE, "FOCALLEN= 530.0", "focal_length_mm", 530.0),
    (CAPTURE, "FOCALLEN= '530 mm'", "focal_length_mm", 530.0),
    (CAPTURE, "FOCALLEN= 0.0", "focal_length_mm", None),
    (OBSERVATORY, "FOCALLEN= 4.064 / [m] focal length", "focal_length_mm", 4064.0),
    (CAPTURE, "APTDIA = 106.0", "aperture_mm", 106.0),
    (CAPTURE, "APERTURE= 106.0", "aperture_mm", 106.0),
    ("from memory: a lens's focal ratio", "APERTURE= 2.8", "aperture_mm", None),
    (CAPTURE, "EGAIN = 0.77", "gain_e_per_adu", 0.77),
    (CAPTURE, "GAIN = 100", "camera_gain_setting", 100.0),
    (CAPTURE, "GAIN = 100", "gain_e_per_adu", None),
    (CAPTURE, "GAIN = 1", "gain_e_per_adu", None),
    ("an observatory's detector page", "GAIN = 0.20 / Nominal Photo-electrons per ADU", "gain_e_per_adu", 0.2),
    ("an observatory's keyword list", "GAIN = 2.5 / AMPLIFIER GAIN, E/ADU", "gain_e_per_adu", 2.5),
    (OBSERVATORY, "GAIN = 1.0 / [electrons/count] Pixel gain", "gain_e_per_adu", 1.0),
    (OBSERVATORY, "BUNIT = 'electron'", "gain_e_per_adu", 1.0),
    (CAPTURE, "ISO = 800", "camera_gain_setting", 800.0),
    (CAPTURE, "OFFSET = 50", "camera_offset_setting", 50.0),
    (CAPTURE, "PEDESTAL= -100", "pedestal_adu", 100.0),
    (OBSERVATORY, "RDNOISE = 14.0", "read_noise_e", 14.0),
    (OBSERVATORY, "RDNOISE = '14.0    '", "read_noise_e", 14.0),
    ("from memory", "READNOIS= 9.3", "read_noise_e", 9.3),
    (OBSERVATORY, "SATURATE= 65535.0", "saturation_adu", 65535.0),
    (OBSERVATORY, "MAXLIN = 60000.0", "saturation_adu", 60000.0),
    (CAPTURE, "CCD-TEMP= -10.0", "sensor_temp_c", -10.0),
    (CAPTURE, "SET-TEMP= -10.0", "sensor_temp_c", -10.0),
    (OBSERVATORY, "CAMTEMP = 271.0 / in Kelvin, =-1 if no data", "sensor_temp_c", -2.15),
    (OBSERVATORY, "CAMTEMP = -1 / in Kelvin, =-1 if no data", "sensor_temp_c", None),
    (OBSERVATORY, "CAMTEMP = '44 C'", "sensor_temp_c", 44.0),
    (CAPTURE, "CCD-TEMP= -273.15", "sensor_temp_c", None),
    (CAPTURE, "FOCUSTEM= 4.5", "tube_temp_c", 4.5),
    (CAPTURE, "FOCTEMP = 4.5", "tube_temp_c", 4.5),
    (CAPTURE, "AMBTEMP = 4.5", "tube_temp_c", 4.5),
    (OBSERVATORY, "TELTEMP = 50.0 / air in Deg F", "tube_temp_c", 10.0),
    (OBSERVATORY, "TEMP_IN = 50.0 / Air Temp Inside Dome in Deg F", "tube_temp_c", 10.0),
    (OBSERVATORY, "TEMP_OUT= 50.0 / Static Outside airtemp in Deg F", "tube_temp_c", 10.0),
    (CAPTURE, "AMBTEMP = '50.0 F'", "tube_temp_c", 10.0),
    (CAPTURE, "AMBTEMP = 50.0 / [degF] ambient, degrees F", "tube_temp_c", 10.0),
    (CAPTURE, "AMBTEMP = 50.0 / from the focuser", "tube_temp_c", 50.0),
    (OBSERVATORY, "AGAIN_01= 4.95 / Gain for amplifier 01", "gain_e_per_adu", 4.95),
    (OBSERVATORY, "ARDNS_01= 9.3 / Read Noise for amplifier 01", "read_noise_e", 9.3),
    ("from memory", "GAIN1 = 1.4", "gain_e_per_adu", 1.4),
    ("from memory", "RDNOISE1= 4.1", "read_noise_e", 4.1),
    ("from memory", "RON_2 = 4.1", "read_noise_e", 4.1),
    ("from memory", "AGAIN_01= -1", "gain_e_per_adu", None),
    (CAPTURE, "FOCUSPOS= 12345", "focuser_steps", 12345.0),
    (CAPTURE, "FOCPOS = 12345.", "focuser_steps", 12345.0),
    (CAPTURE, "XBINNING= 2", "binning", 2),
    (CAPTURE, "PIERSIDE= 'WEST'", "pier_side", "west"),
    (CAPTURE, "PIERSIDE= 'East'", "pier_side", "east"),
    (CAPTURE, "PIERSIDE= 'pierEast'", "pier_side", "east"),
    (CAPTURE, "PIERSIDE= 'UNKNOWN'", "pier_side", None),
    (CAPTURE, "ROWORDER= 'TOP-DOWN'", "rows_top_down", True),
    (CAPTURE, "ROWORDER= 'BOTTOM-UP'", "rows_top_down", False),
    (CAPTURE, "AIRMASS = 1.25", "airmass", 1.25),
    (CAPTURE, "SITELAT = '+48 12 00'", "site_latitude_deg", 48.2),
    (CAPTURE, "OBJCTALT= '41.5'", "altitude_deg", 41.5),
    (OBSERVATORY, "IM_SCALE= 5.210", "stated_scale_arcsec", 5.21),
]


def exposure(header: Header) -> Exposure:
    return exposure_from_header(Path("frame.fits"), header, width_px=64, height_px=48)


@pytest.mark.parametrize(("source", "card", "field", "expected"), DIALECTS)
def test_a_word_of_a_dialect(cards: Callable[..., Header], source: str, card: str, field: str, expected: Any) -> None:
    told = exposure(cards(card))
    value = getattr(told, field)
    assert value == (pytest.approx(expected) if isinstance(expected, float) else expected)
    if expected is not None:
        assert told.provenance[field].split(" ")[0] == card.partition("=")[0].strip()
    else:
        assert field not in told.provenance


@pytest.mark.parametrize(
    ("card", "kind"),
    [
        ("IMAGETYP= 'Light Frame'", "light"),
        ("IMAGETYP= 'LIGHT'", "light"),
        ("IMAGETYP= 'light'", "light"),
        ("FRAME = 'Light'", "light"),
        ("OBSTYPE = 'EXPOSE'", "light"),
        ("OBSTYPE = 'OBJECT'", "light"),
        ("PICTTYPE= 1", "light"),
        ("IMAGETYP= 'Dark Frame'", "dark"),
        ("IMAGETYP= 'DARK'", "dark"),
        ("IMAGETYP= 'Flat Dark'", "dark"),
        ("IMAGETYP= 'DarkFlat'", "dark"),
        ("IMAGETYP= 'Master Dark'", "dark"),
        ("PICTTYPE= 3", "dark"),
        ("IMAGETYP= 'Bias Frame'", "bias"),
        ("IMAGETYP= 'zero'", "bias"),
        ("IMAGETYP= 'Flat Field'", "flat"),
        ("IMAGETYP= 'SKYFLAT'", "flat"),
        ("IMAGETYP= 'twilight'", "flat"),
        ("OBJECT = 'bias'", "bias"),
        ("OBJECT = 'Dark Doodad Nebula'", "unknown"),
        ("OBJECT = 'M 31'", "unknown"),
        ("IMAGETYP= 'whatever'", "unknown"),
        ("FRAME = 'FK5'", "unknown"),
    ],
)
def test_kinds_in_their_spellings(cards: Callable[..., Header], card: str, kind: str) -> None:
    # "Light Frame", "Light", "LIGHT", "light frame": common practice; PICTTYPE by its own comment
    assert exposure(cards(card)).kind == kind


def test_gain_of_observatories_has_a_read_noise_beside_it(cards: Callable[..., Header]) -> None:
    # met in a public frame: GAIN = '1.22', RDNOISE = '14.0'
    assert exposure(cards("GAIN = '1.22'", "RDNOISE = '14.0'")).gain_e_per_adu == 1.22
    told = exposure(cards("GAIN = 120", "RDNOISE = 1.5"))
    assert (told.gain_e_per_adu, told.camera_gain_setting) == (None, 120)


def test_electronic_gain_comes_before_the_setting(cards: Callable[..., Header]) -> None:
    told = exposure(cards("GAIN = 100", "EGAIN = 0.77"))
    assert (told.gain_e_per_adu, told.camera_gain_setting) == (0.77, 100)


def test_focal_ratio_where_the_aperture_should_be(cards: Callable[..., Header]) -> None:
    assert exposure(cards("FOCALLEN= 280.0", "APERTURE= 'f/2.8'")).aperture_mm == pytest.approx(100)


@pytest.mark.parametrize(
    ("lines", "exposure_s", "complaint"),
    [
        (["EXPTIME = 300.0", "EXPOSURE= 300.0"], 300.0, None),
        (["EXPTIME = 300.0", "EXPOSURE= 120.0"], 300.0, "differ"),
        (["EXPTIME = 300000.0", "EXPOSURE= 300.0"], 300.0, "milliseconds"),
        (["EXPTIME = 0.5", "EXPOSURE= 500"], 0.5, "milliseconds"),
        (
            ["EXPTIME = 300000", "DATE-OBS= '2024-03-01T21:00:00'", "DATE-END= '2024-03-01T21:05:02'"],
            300.0,
            "milliseconds",
        ),
    ],
)
def test_two_exposure_times(
    cards: Callable[..., Header], lines: list[str], exposure_s: float, complaint: str | None
) -> None:
    told = exposure(cards(*lines))
    assert told.exposure_s == exposure_s
    assert (told.conflicts == ()) if complaint is None else (complaint in told.conflicts[0])


def test_impossible_values_are_left_out_and_said(cards: Callable[..., Header]) -> None:
    told = exposure(cards("FOCALLEN= 1.0E9", "CCD-TEMP= -400.0", "CCDTEMP = -10.0"))
    assert told.focal_length_mm is None
    assert told.sensor_temp_c == -10
    assert len(told.conflicts) == 2


def test_a_card_against_the_grammar_is_read_and_said(blocks: Callable[..., bytes]) -> None:
    told = exposure(parse_header(blocks("OBJECT  = 'M 31")))
    assert told.target == "M 31"
    assert "OBJECT" in told.conflicts[0]


def test_middle_of_the_exposure(cards: Callable[..., Header]) -> None:
    told = exposure(cards("DATE-OBS= '2024-03-01T21:00:00'", "EXPTIME = 300"))
    assert told.middle_utc is not None
    assert told.start_utc is not None
    assert (told.middle_utc - told.start_utc).total_seconds() == 150


def test_every_conflict_is_a_sentence(cards: Callable[..., Header]) -> None:
    told = exposure(
        cards("EXPTIME = 300", "EXPOSURE= 1", "XBINNING= 1", "YBINNING= 2", "DATE-OBS= 'x'", "RA = 0.0", "DEC = 0.0")
    )
    assert len(told.conflicts) == 4
    assert all(sentence.endswith(".") for sentence in told.conflicts)


KNOWN = sorted(
    {word for name, words in vars(keywords).items() if name.isupper() and isinstance(words, tuple) for word in words}
    | {"CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2", "CD1_1", "CD1_2", "CD2_1", "CD2_2", "CDELT1"}
    | {"CDELT2", "CROTA2", "PC1_1", "PC2_2", "CUNIT1", "TIMESYS", "BUNIT", "BSCALE", "BZERO", "BLANK", "ZIMAGE"}
    | {"SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "PCOUNT", "GCOUNT", "GROUPS", "XTENSION", "ZBITPIX", "ZNAXIS"}
)
VALUES = (
    "T", "F", "0", "1", "-1", "2", "3", "16", "-32", "999", "1E308", "-1E-308", "NaN", "inf", "''", "'", "RA",
    "12.5", "200.5", "88", "0.0003", "2460371.375", "60370.875", "'RA---TAN'", "'DEC--TAN'", "'RGGB'",
    "'12:30:00'", "'2024-03-01T21:00:00'", "'2024-03-01'", "'31/12/98'", "'-00:00:60'", "'2x2'",
    "'9999-12-31T23:59:60+14:00'", "'0001-01-01T00:00:00-14:00'", "'f/2.8'", "'\u00b0'", "'TT'", "'deg'",
    "'electron'", "'   '", "'05 35 17'", "9" * 65,
)  # fmt: skip
PLAUSIBLE = st.sampled_from(VALUES)
CARDS = st.lists(
    st.tuples(
        st.sampled_from(KNOWN),
        st.one_of(PLAUSIBLE, st.text(max_size=68), st.integers().map(str), st.floats().map(str)),
        st.sampled_from(["", " / [ms]", " / hours", " / deg West", " / in Kelvin", " / local", " / mid-exposure"]),
    ),
    max_size=30,
)


@given(CARDS)
@settings(max_examples=300)
def test_no_cards_can_make_the_header_fail(lines: list[tuple[str, str, str]]) -> None:
    raw = b"".join(f"{key:8}= {value}{note}".encode()[:80].ljust(80) for key, value, note in lines)
    told = exposure(parse_header(raw))
    assert told.start_utc is None or told.start_utc.tzinfo is not None
    for name in ("altitude_deg", "airmass", "hour_angle_deg", "pixel_um", "gain_e_per_adu", "exposure_s", "ra_deg"):
        value = getattr(told, name)
        assert value is None or abs(value) < 1e10, name  # finite, too


@given(CARDS, st.binary(max_size=200))
@settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_no_file_fails_with_anything_but_unusable(
    tmp_path: Path, lines: list[tuple[str, str, str]], data: bytes
) -> None:
    raw = b"SIMPLE  =                    T".ljust(80) + b"BITPIX  =                    8".ljust(80)
    raw += b"".join(f"{key:8}= {value}{note}".encode()[:80].ljust(80) for key, value, note in lines)
    raw += b"NAXIS   =                    2".ljust(80) + b"NAXIS1  =                   20".ljust(80)
    raw += b"NAXIS2  =                   20".ljust(80) + b"END".ljust(80)
    path = tmp_path / "hostile.fits"
    path.write_bytes(raw.ljust(-(-len(raw) // 2880) * 2880) + data * 5)
    with contextlib.suppress(UnusableFrame):
        assert read_exposure(path).width_px > 0


def test_of_several_amplifiers_those_that_read_the_image_count(cards: Callable[..., Header]) -> None:
    # as an observatory's camera writes them: four amplifiers, one of which was used
    told = exposure(
        cards("AAMP_01 = 0", "AAMP_02 = 1", "AGAIN_01= 4.95", "AGAIN_02= 4.81", "ARDNS_01= 9.3", "ARDNS_02= 8.9")
    )
    assert (told.gain_e_per_adu, told.read_noise_e) == (4.81, 8.9)
    assert told.provenance["gain_e_per_adu"] == "AGAIN_02"
    first = exposure(cards("NUMAMP = 1", "GAIN1 = 2.0", "GAIN2 = 3.0"))
    assert first.gain_e_per_adu == 2.0


def test_amplifiers_that_differ_have_no_common_gain(cards: Callable[..., Header]) -> None:
    alike = exposure(cards("GAIN1 = 2.0", "GAIN2 = 2.1"))
    assert alike.gain_e_per_adu == pytest.approx(2.05)
    told = exposure(cards("GAIN1 = 2.0", "GAIN2 = 3.0"))
    assert told.gain_e_per_adu is None
    assert "GAIN1" in told.conflicts[0]


def test_the_unit_of_all_temperatures_may_stand_on_a_card(cards: Callable[..., Header]) -> None:
    assert exposure(cards("AMBTEMP = 50.0", "TEMPUNIT= 'F'")).tube_temp_c == pytest.approx(10)
    assert exposure(cards("AMBTEMP = 5.0", "TEMPUNIT= 'Celsius'")).tube_temp_c == 5


def test_a_plate_solution_corrects_a_focal_length_that_was_typed_wrong(cards: Callable[..., Header]) -> None:
    # closed form, 206264.8 arcsec a radian: 3.76 um at 1.4633 arcsec make 530 mm
    solution = ("CTYPE1 = 'RA---TAN'", "CTYPE2 = 'DEC--TAN'", "CRVAL1 = 80.0", "CRVAL2 = 20.0", "CRPIX1 = 50.0",
                "CRPIX2 = 40.0", f"CD1_1 = {-1.4633 / 3600}", f"CD2_2 = {1.4633 / 3600}")  # fmt: skip
    told = exposure(cards("FOCALLEN= 5300.0", "XPIXSZ = 3.76", *solution))
    assert told.focal_length_mm == pytest.approx(530, rel=1e-3)
    assert told.provenance["focal_length_mm"] == "plate solution"
    assert "530 mm" in told.conflicts[0]
    right = exposure(cards("FOCALLEN= 535.0", "XPIXSZ = 3.76", *solution))
    assert (right.focal_length_mm, right.conflicts) == (535.0, ())


def test_binning_that_is_counted_twice_shows_on_the_sky(cards: Callable[..., Header]) -> None:
    # PIXSIZE1 of a file whose writer had binned it already: 7.52 um, not 15.04
    told = exposure(cards("PIXSIZE1= 7.52", "XBINNING= 2", "FOCALLEN= 530.0", "SECPIX = 2.927"))
    assert told.pixel_um == pytest.approx(7.52)
    assert "twice" in told.conflicts[0]
