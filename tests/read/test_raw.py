"""Camera raws: exact pixels, the pattern of the active area, levels, and what Exif says."""

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from dng import EXIF, dng

from framecheck.errors import UnusableFrame
from framecheck.logbook.encode import decode, encode
from framecheck.night.records import Skipped
from framecheck.read import read_exposure, read_frame, unpacking
from framecheck.read.exposure import Frame

LEVELS = {"R": 900.0, "G": 1500.0, "B": 700.0}


@pytest.fixture
def written(tmp_path: Path) -> Callable[..., Path]:
    """Write bytes, or a raw as `dng` makes it of pixels that are there, under a name."""

    def write(held: bytes | np.ndarray | None = None, name: str = "IMG_0001.dng", **how: object) -> Path:
        path = tmp_path / name
        path.write_bytes(held if isinstance(held, bytes) else dng(mosaic() if held is None else held, **how))
        return path

    return write


def mosaic(pattern: str = "RGGB", shape: tuple[int, int] = (48, 64), corner: tuple[int, int] = (0, 0)) -> np.ndarray:
    """A sky in colours whose pattern begins at the corner (row, column), with its noise."""
    rng = np.random.default_rng(3)
    out = rng.normal(0, 8, shape)
    for row in range(2):
        for column in range(2):
            colour = pattern[2 * ((row - corner[0]) % 2) + (column - corner[1]) % 2]
            out[row::2, column::2] += LEVELS[colour]
    return np.rint(out).astype(np.uint16)


def colour_levels(frame: Frame) -> dict[str, float]:
    """Median of the pixels that the frame's pattern gives each colour."""
    assert frame.mosaic is not None
    return {colour: float(np.median(frame.pixels[k // 2 :: 2, k % 2 :: 2])) for k, colour in enumerate(frame.mosaic)}


def test_pixels_are_exactly_those_of_the_converter(written: Callable[..., Path]) -> None:
    pixels = np.random.default_rng(1).integers(0, 65536, (48, 64), dtype=np.uint16)
    for order in "<>":
        frame = read_frame(written(pixels, order=order))
        assert frame.pixels.dtype == np.uint16
        assert frame.pixels.dtype.isnative
        np.testing.assert_array_equal(frame.pixels, pixels)
    np.testing.assert_array_equal(read_frame(written(pixels, behind_a_preview=True)).pixels, pixels)
    np.testing.assert_array_equal(read_frame(written(pixels, packed=True)).pixels, pixels)


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("active", [(0, 0, 48, 64), (1, 1, 47, 63), (2, 5, 48, 64), (3, 4, 46, 64)])
def test_the_pattern_counts_from_the_active_area(
    written: Callable[..., Path], pattern: str, active: tuple[int, int, int, int]
) -> None:
    # DNG Specification 1.4, chapter 4, CFAPattern and ActiveArea: top, left, bottom, right
    pixels = mosaic(pattern, corner=active[:2])
    frame = read_frame(written(pixels, pattern=pattern, active=active))
    assert colour_levels(frame) == pytest.approx(LEVELS, abs=3)
    left, bottom, right, top = frame.exposure.light_area or (0, 0, 64, 48)
    assert active[0] <= bottom <= active[0] + 1
    assert active[1] <= left <= active[1] + 1
    assert (top, right) <= (active[2], active[3])
    np.testing.assert_array_equal(frame.pixels, pixels[bottom:top, left:right])
    assert (frame.exposure.width_px, frame.exposure.height_px) == (64, 48)
    assert read_exposure(frame.exposure.file).light_area == frame.exposure.light_area


def test_levels_become_pedestal_and_saturation(written: Callable[..., Path]) -> None:
    exposure = read_frame(written(black=(512, 512, 512, 512), white=15600)).exposure
    assert (exposure.pedestal_adu, exposure.saturation_adu) == (512, 15600)
    assert exposure.conflicts == ()


def test_black_levels_that_differ_by_colour_are_told(written: Callable[..., Path]) -> None:
    exposure = read_frame(written(black=(500, 512, 514, 530))).exposure
    assert exposure.pedestal_adu == 513  # of green, which is measured
    assert "BlackLevel differs from colour to colour (red 500, green 512 and 514, blue 530" in exposure.conflicts[0]


def test_what_exif_says(written: Callable[..., Path]) -> None:
    exposure = read_exposure(written())
    assert (exposure.exposure_s, exposure.lens_f_number, exposure.iso) == (60, 2.8, 1600)
    assert (exposure.focal_length_mm, exposure.camera) == (135, "Test Camera")
    assert exposure.aperture_mm == pytest.approx(135 / 2.8)
    assert exposure.pixel_um == pytest.approx(4.400, abs=5e-4)  # 10,000 / 2272.73, resolution in centimetres
    assert exposure.camera_gain_setting == 1600  # frames of two sensitivities are not compared
    assert exposure.kind == "unknown"


@pytest.mark.parametrize(
    ("unit", "resolution", "pixel_um"),
    [(2, 5772.73, 4.400), (3, 2272.73, 4.400), (2, 2272.73, 11.176), (3, 0, None), (9, 2272.73, None), (3, 5, None)],
)
def test_focal_plane_resolution_in_inches_and_centimetres(
    written: Callable[..., Path], unit: int, resolution: float, pixel_um: float | None
) -> None:
    # Exif 2.31, section 4.6.5: FocalPlaneResolutionUnit is 2 for inches, 3 for centimetres
    exif = {**EXIF, 41486: ("R", Fraction(round(resolution * 100), 100)), 41488: ("H", unit)}
    exposure = read_exposure(written(exif=exif))
    assert exposure.pixel_um == (None if pixel_um is None else pytest.approx(pixel_um, rel=1e-4))
    assert bool(exposure.conflicts) == (resolution == 5)


def test_a_clock_without_a_zone_is_local_time(written: Callable[..., Path]) -> None:
    exposure = read_exposure(written())
    assert exposure.start_utc is None
    assert exposure.start_local == datetime(2025, 3, 1, 22, 0, 0, 250_000)  # SubSecTimeOriginal 25
    zoned = read_exposure(written(exif={**EXIF, 36881: ("A", "+01:00")}))
    assert zoned.start_utc == datetime(2025, 3, 1, 21, 0, 0, 250_000, UTC)
    assert zoned.start_local is None
    unset = read_exposure(written(exif={**EXIF, 36867: ("A", "0000:00:00 00:00:00")}))
    assert (unset.start_utc, unset.start_local, unset.conflicts) == (None, None, ())


def test_the_receiver_in_the_camera_tells_the_place(written: Callable[..., Path]) -> None:
    degrees = ("R", (Fraction(48), Fraction(30), Fraction(36)))
    gps = {1: ("A", "S"), 2: degrees, 3: ("A", "W"), 4: ("R", (Fraction(11), Fraction(0), Fraction(0)))}
    exposure = read_exposure(written(gps=gps))
    assert exposure.site_latitude_deg == pytest.approx(-48.51)
    assert exposure.site_longitude_deg == -11


REFUSED = [
    ({"more": {262: ("H", 34892), 277: ("H", 3), 258: ("H", (16, 16, 16))}}, "is a demosaiced DNG"),
    ({"more": {33421: ("H", (6, 6)), 33422: ("B", (0, 1, 2) * 12)}}, "has a mosaic that repeats after 6 x 6 pixels"),
    ({"more": {259: ("H", 34892)}}, "is packed with loss"),
    ({"more": {33422: ("B", (0, 0, 1, 2))}}, "has a mosaic of other colours"),
    ({"more": {256: ("I", 60_000), 257: ("I", 60_000)}}, "claims 60,000 x 60,000 pixels, which it cannot hold"),
]


@pytest.mark.parametrize(("how", "fault"), REFUSED, ids=[fault for _, fault in REFUSED])
def test_what_is_no_mosaic_of_two_by_two_pixels_is_refused(
    written: Callable[..., Path], how: dict[str, object], fault: str
) -> None:
    pixels = np.dstack([mosaic()] * 3) if "demosaiced" in fault else mosaic()
    with pytest.raises(UnusableFrame) as refusal:
        read_frame(written(pixels, **how))
    assert fault in str(refusal.value)


def test_a_raw_without_colours_has_no_mosaic(written: Callable[..., Path]) -> None:
    pixels = np.random.default_rng(2).normal(900, 9, (48, 64)).astype(np.uint16)
    frame = read_frame(written(pixels, more={262: ("H", 34892)}))  # one sample a pixel: there is nothing to demosaic
    assert frame.mosaic is None
    assert frame.exposure.pedestal_adu == 512


def test_a_raw_still_being_written_is_refused(written: Callable[..., Path]) -> None:
    whole = dng(mosaic())
    tags_first = dng(mosaic(), behind_a_preview=True)
    for cut in (written(whole[:-200]), written(b"II*\0" + tags_first[4:3000], name="cut.nef"), written(b"")):
        with pytest.raises(UnusableFrame):
            read_frame(cut)
    from framecheck.read.whole import what_is_missing

    longer = dng(mosaic(), more={279: ("I", 48 * 64 * 2 + 5000)})
    missing = what_is_missing(written(longer))
    assert missing is not None
    assert missing.fault.startswith("ends after")


def test_content_tells_before_the_ending_does(written: Callable[..., Path], tmp_path: Path) -> None:
    import tifffile
    from astropy.io import fits

    grey = np.random.default_rng(4).normal(900, 9, (48, 64)).astype(np.uint16)
    tifffile.imwrite(tmp_path / "plain.dng", grey)  # the raw library opens it as a raw
    assert read_frame(tmp_path / "plain.dng").mosaic is None
    fits.PrimaryHDU(grey).writeto(tmp_path / "fits.dng")
    np.testing.assert_array_equal(read_frame(tmp_path / "fits.dng").pixels, grey)
    assert read_frame(written(name="raw.tif")).mosaic == "RGGB"
    with pytest.raises(UnusableFrame, match="isn't a raw file that the raw library knows"):
        read_frame(written(b"nothing of the kind" * 400, name="IMG_0001.cr3"))


def test_names_that_are_no_text_are_read_too(written: Callable[..., Path]) -> None:
    assert read_frame(written(name=os.fsdecode(b"a\xff\nb.dng"))).mosaic == "RGGB"


def test_the_library_prints_nothing(written: Callable[..., Path]) -> None:
    # lossless JPEG with rubbish for its data: the library by itself says "data corrupted"
    damaged = written(mosaic(), more={259: ("H", 7)})
    program = """if True:
        import sys
        from pathlib import Path
        from framecheck.errors import UnusableFrame
        from framecheck.read import read_frame
        try:
            read_frame(Path(sys.argv[1]))
        except UnusableFrame:
            pass
    """
    run = subprocess.run([sys.executable, "-c", program, str(damaged)], capture_output=True, check=False)
    assert (run.stdout, run.stderr) == (b"", b"")


def test_a_library_that_crashes_costs_one_frame(written: Callable[..., Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unpacking, "_answer", _kill)
    with pytest.raises(UnusableFrame, match="brought down the library"):
        read_frame(written())
    monkeypatch.undo()
    assert read_frame(written()).mosaic == "RGGB"


def _kill(process: "subprocess.Popen[bytes]", *_: object) -> None:
    process.kill()
    raise EOFError


def test_facts_of_a_raw_outlive_the_logbook(written: Callable[..., Path]) -> None:
    exposure = read_frame(written(active=(1, 1, 47, 63))).exposure
    skipped = Skipped(file=exposure.file, kind="dark", why="no light", exposure=exposure)
    assert decode(*encode(skipped)) == skipped
