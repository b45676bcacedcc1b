"""Every way of storing pixels gives the physical values of the standard."""

import gzip
import subprocess
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from framecheck.read.fits import read_exposure, read_frame

Write = Callable[..., Path]


def test_unsigned_16_bit(write: Write, sky: np.ndarray) -> None:
    # FITS Standard 3.0: BITPIX = 16, BZERO = 32768; physical 0 is stored as -32768, 65535 as 32767, big-endian
    sky[0, :2] = 0, 65535
    path = write(sky)
    raw = path.read_bytes()
    stored = np.frombuffer(raw[2880:], ">i2", 2)
    assert stored.tolist() == [-32768, 32767]
    assert len(raw) % 2880 == 0
    assert fits.getheader(path)["BZERO"] == 32768
    frame = read_frame(path)
    assert frame.pixels.dtype == np.uint16
    assert frame.pixels.dtype.isnative
    np.testing.assert_array_equal(frame.pixels, sky)


@pytest.mark.parametrize(
    ("stored", "kind"),
    [
        (np.uint8, np.uint16),
        (np.int16, np.uint16),
        (np.uint16, np.uint16),
        (np.int32, np.uint16),
        (np.uint32, np.uint16),
        (np.int64, np.float32),
        (np.float32, np.float32),
        (np.float64, np.float32),
    ],
)
@pytest.mark.parametrize("extension", [None, fits.ImageHDU])
def test_every_bitpix(write: Write, stored: type, kind: type, extension: type | None) -> None:
    values = np.random.default_rng(2).integers(0, 250, (40, 50)).astype(stored)
    frame = read_frame(write(values, hdu=extension))
    assert frame.pixels.dtype == kind
    np.testing.assert_array_equal(frame.pixels, values.astype(kind))
    assert (frame.exposure.width_px, frame.exposure.height_px) == (50, 40)


@pytest.mark.parametrize(("stored", "odd"), [(np.int16, -1), (np.int32, -1), (np.int32, 65536), (np.int32, 2**30)])
def test_what_16_bits_cannot_hold_becomes_real_numbers(write: Write, sky: np.ndarray, stored: type, odd: int) -> None:
    values = sky.astype(stored)
    values[40, 60] = odd
    frame = read_frame(write(values))
    assert frame.pixels.dtype == np.float32
    assert frame.pixels[40, 60] == np.float32(odd)
    assert frame.pixels[1, 1] == values[1, 1]


def test_scaled_integers(write_bytes: Write, blocks: Callable[..., bytes]) -> None:
    # FITS Standard 3.0, eq. 3: physical = BZERO + BSCALE x stored
    stored = np.arange(400, dtype=">i2")
    head = ["SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 20", "NAXIS2  = 20"]
    half = write_bytes(blocks(*head, "BSCALE  = 0.5", "BZERO   = 10.0") + stored.tobytes(), "half.fits")
    np.testing.assert_allclose(read_frame(half).pixels.ravel(), 10 + np.arange(400) / 2)
    twice = write_bytes(blocks(*head, "BSCALE  = 2", "BZERO   = 10.0") + stored.tobytes(), "twice.fits")
    frame = read_frame(twice)
    assert frame.pixels.dtype == np.uint16
    np.testing.assert_array_equal(frame.pixels.ravel(), 10 + 2 * np.arange(400))


def test_blank_pixels_of_unsigned_data(write_bytes: Write, blocks: Callable[..., bytes]) -> None:
    # FITS Standard 3.0: BLANK is the stored integer, before BZERO. astropy 8.0.2 reads 0 here by default (uint=True)
    stored = np.full(400, -32668, ">i2")
    stored[0], stored[1] = -32768, 0
    head = ["SIMPLE  = T", "BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 20", "NAXIS2  = 20", "BZERO   = 32768"]
    path = write_bytes(blocks(*head, "BLANK   = -32768") + stored.tobytes().ljust(2880, b"\0"))
    pixels = read_frame(path).pixels.ravel()
    assert np.isnan(pixels[0])
    assert pixels[1:3].tolist() == [32768, 100]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert fits.getdata(path).ravel()[0] == 0


def test_blank_that_no_pixel_has_costs_nothing(write: Write, sky: np.ndarray) -> None:
    frame = read_frame(write(sky.astype(np.int16), {"BLANK": -32768}))
    assert frame.pixels.dtype == np.uint16


def test_undefined_real_numbers(write: Write, sky: np.ndarray) -> None:
    # FITS Standard 3.0: NaN in real numbers; BLANK has no meaning there. Infinite pixels are no light either (chosen)
    values = sky.astype(np.float32)
    values[0, :3] = np.nan, np.inf, -np.inf
    frame = read_frame(write(values, {"BLANK": 1000}))
    assert np.isnan(frame.pixels[0, :3]).all()
    np.testing.assert_array_equal(frame.pixels[1:], values[1:])


def test_numbers_beyond_single_precision_are_undefined(write: Write, sky: np.ndarray) -> None:
    values = sky.astype(np.float64)
    values[0, 0] = 1e300
    assert np.isnan(read_frame(write(values)).pixels[0, 0])


def test_left_over_bzero(write_bytes: Write, blocks: Callable[..., bytes], sky: np.ndarray) -> None:
    # physical = stored + BZERO, also for real numbers: too high by 32768 here, so it is said (astropy issue 4974)
    head = ["SIMPLE  = T", "BITPIX  = -32", "NAXIS   = 2", "NAXIS1  = 64", "NAXIS2  = 48", "BZERO   = 32768"]
    frame = read_frame(write_bytes(blocks(*head) + sky.astype(">f4").tobytes(), "left.fits"))
    assert np.median(frame.pixels) == pytest.approx(np.median(sky) + 32768)
    assert "BZERO" in frame.exposure.conflicts[0]
    honest = sky.astype(">f4") - np.float32(32768)
    frame = read_frame(write_bytes(blocks(*head) + honest.astype(">f4").tobytes(), "honest.fits"))
    np.testing.assert_array_equal(frame.pixels, sky)
    assert frame.exposure.conflicts == ()


def test_pixels_from_0_to_1(write: Write, sky: np.ndarray) -> None:
    frame = read_frame(write((sky / 65535).astype(np.float32), {"EGAIN": 0.8, "SATURATE": 65535.0}))
    np.testing.assert_array_equal(frame.pixels, (sky / 65535).astype(np.float32))
    assert (frame.exposure.gain_e_per_adu, frame.exposure.saturation_adu) == (None, None)
    assert "0 to 1" in frame.exposure.conflicts[0]


@pytest.mark.parametrize(
    ("values", "cards", "scale"),
    [
        (np.uint16, {}, "ADU"),
        (np.int32, {}, "ADU"),
        (np.float32, {}, "ADU"),
        (np.uint8, {}, "8 bit"),
        (np.uint8, {"BSCALE": 256.0}, "ADU"),
        (np.float32, {"BSCALE": 1 / 65535}, "0 to 1"),
        (np.int16, {"BSCALE": 1 / 65535}, "0 to 1"),
    ],
)
def test_scale_of_the_values(write: Write, sky: np.ndarray, values: type, cards: dict[str, float], scale: str) -> None:
    assert read_frame(write((sky // 5).astype(values), cards)).exposure.value_scale == scale


def test_a_resampled_frame_from_0_to_1_may_overshoot(write: Write, sky: np.ndarray) -> None:
    scaled = (sky / 65535).astype(np.float32)
    scaled[5, 5], scaled[6, 6] = 1.04, np.nan
    assert read_frame(write(scaled)).exposure.value_scale == "0 to 1"


@pytest.mark.parametrize("codec", ["RICE_1", "GZIP_1", "GZIP_2", "PLIO_1", "HCOMPRESS_1"])
def test_compressed_tiles(write: Write, sky: np.ndarray, codec: str) -> None:
    # registry page of tiled compression: the image is in extension 1; integers come back exactly (astropy round trip)
    def compressed(pixels: np.ndarray) -> fits.CompImageHDU:
        return fits.CompImageHDU(pixels, compression_type=codec)

    values = sky.astype(np.int16) if codec == "PLIO_1" else sky
    path = write(values, {"EXPTIME": 30.0}, name="frame.fits.fz", hdu=compressed)
    with fits.open(path) as units:
        assert units[0].data is None
    frame = read_frame(path)
    assert frame.pixels.dtype == np.uint16
    np.testing.assert_array_equal(frame.pixels, sky)
    assert frame.exposure.exposure_s == 30
    assert read_exposure(path) == frame.exposure


def test_compressed_real_numbers_are_a_little_changed(write: Write) -> None:
    # quantum sigma / 16 at astropy's default: rms change about 0.0174 of the noise
    noise = np.random.default_rng(3).normal(1000, 20, (256, 256)).astype(np.float32)
    noise[0, 0] = np.nan
    path = write(noise, name="frame.fits.fz", hdu=fits.CompImageHDU)
    pixels = read_frame(path).pixels
    assert np.isnan(pixels[0, 0])
    assert np.nanstd(pixels - noise) / 20 == pytest.approx(0.017377971, rel=0.3)


def test_gzip_and_names_in_any_case(write: Write, sky: np.ndarray, tmp_path: Path) -> None:
    packed = tmp_path / "FRAME.FIT.GZ"
    packed.write_bytes(gzip.compress(write(sky, {"OBJECT": "M 31"}).read_bytes()))
    frame = read_frame(packed)
    np.testing.assert_array_equal(frame.pixels, sky)
    assert frame.exposure.target == "M 31"
    unnamed = packed.rename(tmp_path / "packed.fits")  # what counts is what is inside
    np.testing.assert_array_equal(read_frame(unnamed).pixels, sky)


def test_cards_of_the_primary_header_count_for_the_extension(tmp_path: Path, sky: np.ndarray) -> None:
    primary, image = fits.PrimaryHDU(), fits.ImageHDU(sky)
    primary.header["OBJECT"], primary.header["EXPTIME"] = "M 31", 30.0
    image.header["EXPTIME"] = 60.0
    table = fits.BinTableHDU.from_columns([fits.Column("x", "D", array=np.arange(5000.0))])
    fits.HDUList([primary, table, image]).writeto(tmp_path / "frame.fits")
    frame = read_frame(tmp_path / "frame.fits")
    assert (frame.exposure.target, frame.exposure.exposure_s) == ("M 31", 60)
    np.testing.assert_array_equal(frame.pixels, sky)


@pytest.mark.parametrize("interleaved", [False, True])
@pytest.mark.parametrize("compressed", [False, True])
def test_the_green_plane_of_a_colour_image(write: Write, sky: np.ndarray, interleaved: bool, compressed: bool) -> None:
    colours = np.stack([sky + 1000, sky, sky + 2000])
    stored = np.moveaxis(colours, 0, -1) if interleaved else colours
    frame = read_frame(write(stored, {"BAYERPAT": "RGGB"}, hdu=fits.CompImageHDU if compressed else None))
    np.testing.assert_array_equal(frame.pixels, sky)
    assert frame.exposure.plane == "green of red, green and blue"
    assert (frame.exposure.width_px, frame.exposure.height_px) == (64, 48)
    assert frame.mosaic is None  # its colours are separate already


def test_axes_of_length_1_do_not_make_a_cube(write: Write, sky: np.ndarray) -> None:
    np.testing.assert_array_equal(read_frame(write(sky[None, None])).pixels, sky)


def test_a_frame_is_not_changed(write: Write, sky: np.ndarray) -> None:
    path = write(sky)
    path.chmod(0o444)
    before = path.read_bytes(), path.stat().st_mtime_ns
    read_frame(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_a_last_block_without_padding_is_forgiven(write: Write, write_bytes: Write, sky: np.ndarray) -> None:
    raw = write(sky).read_bytes()
    path = write_bytes(raw[: 2880 + sky.nbytes], "unpadded.fits")
    np.testing.assert_array_equal(read_frame(path).pixels, sky)


def test_large_frames_need_no_more_memory_than_their_pixels(tmp_path: Path) -> None:
    # peak over import at most 1.2 times the pixels; the child process keeps pytest's memory out of it
    path = tmp_path / "large.fits"
    with path.open("wb") as file:
        cards = (
            "SIMPLE  = T",
            "BITPIX  = 16",
            "NAXIS   = 2",
            "NAXIS1  = 4096",
            "NAXIS2  = 4096",
            "BZERO   = 32768",
            "END",
        )
        file.write(b"".join(card.encode().ljust(80) for card in cards).ljust(2880))
        file.write(np.random.default_rng(4).integers(0, 60000, 4096 * 4096, dtype=np.uint16).tobytes())
    script = (
        "import resource, sys; from pathlib import Path; from framecheck.read import read_frame\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024\n"
        "before = peak(); pixels = read_frame(Path(sys.argv[1])).pixels; print((peak() - before) / pixels.nbytes)"
    )
    done = subprocess.run([sys.executable, "-c", script, path], capture_output=True, text=True, check=True)
    assert float(done.stdout) < 1.2


def test_reading_is_light_to_import() -> None:
    script = (
        "import sys, framecheck.read\n"
        "print([name for name in ('astropy', 'scipy', 'photutils', 'skimage', 'matplotlib') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
