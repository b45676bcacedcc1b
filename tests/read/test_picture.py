"""Pictures: TIFF and PNG of 16 bits as they are, those of 8 bits with a word of what they cannot tell."""

import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from framecheck import measure_frame
from framecheck.errors import UnusableFrame
from framecheck.read import find_frames, find_others, read_exposure, read_frame

GREY = np.random.default_rng(1).normal(900, 9, (48, 64)).astype(np.uint16)
COLOURS = np.dstack([GREY // 2, GREY, GREY // 3])


@pytest.mark.parametrize("packing", [None, "zlib"])
def test_tiff_of_sixteen_bits_is_read_as_it_is(tmp_path: Path, packing: str | None) -> None:
    path = tmp_path / "light.tif"
    for order in "<>":
        tifffile.imwrite(path, GREY, byteorder=order, compression=packing)
        frame = read_frame(path)
        np.testing.assert_array_equal(frame.pixels, GREY)
        assert (frame.exposure.value_scale, frame.mosaic, frame.exposure.conflicts) == ("ADU", None, ())


def test_of_colours_the_green_plane_is_measured(tmp_path: Path) -> None:
    for number, planar in enumerate(("contig", "separate")):
        pixels = COLOURS if planar == "contig" else np.moveaxis(COLOURS, 2, 0)
        path = tmp_path / f"{number}.tif"
        tifffile.imwrite(path, pixels, photometric="rgb", planarconfig=planar)
        frame = read_frame(path)
        np.testing.assert_array_equal(frame.pixels, GREY)
        assert frame.exposure.plane == "green of red, green and blue"


def test_png_of_sixteen_bits(tmp_path: Path) -> None:
    Image.fromarray(GREY).save(tmp_path / "light.png")
    np.testing.assert_array_equal(read_frame(tmp_path / "light.png").pixels, GREY)


def test_real_numbers_keep_holes_as_unknown(tmp_path: Path) -> None:
    pixels = GREY.astype(np.float32) / 65535
    pixels[3, 4] = np.inf
    tifffile.imwrite(tmp_path / "light.tif", pixels)
    frame = read_frame(tmp_path / "light.tif")
    assert frame.exposure.value_scale == "0 to 1"
    assert np.isnan(frame.pixels[3, 4])


@pytest.mark.parametrize("ending", ["jpg", "png", "tif"])
def test_eight_bits_say_what_they_cannot_tell(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"light.{ending}"
    Image.fromarray((COLOURS // 5).astype(np.uint8)).save(path)
    exposure = read_frame(path).exposure
    assert exposure.value_scale == "8 bit"
    assert exposure.processed
    (said,) = exposure.conflicts
    assert "its tone curve is unknown" in said
    assert ("compression has taken fine detail" in said) == (ending == "jpg")


def test_exif_of_a_jpeg_is_read(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[34665] = {33434: 30.0, 36867: "2025:03:01 22:00:00", 33437: 2.0, 37386: 24.0}
    Image.fromarray((COLOURS // 5).astype(np.uint8)).save(tmp_path / "light.jpg", exif=exif)
    exposure = read_exposure(tmp_path / "light.jpg")
    assert (exposure.exposure_s, exposure.lens_f_number, exposure.focal_length_mm) == (30, 2, 24)
    assert str(exposure.start_local) == "2025-03-01 22:00:00"


def test_a_grey_picture_may_be_a_mosaic_that_nothing_names(tmp_path: Path) -> None:
    pixels = GREY.copy()
    pixels[::2, ::2] //= 2
    pixels[1::2, 1::2] //= 3
    tifffile.imwrite(tmp_path / "light.tif", pixels)
    frame = read_frame(tmp_path / "light.tif")
    assert frame.mosaic == "RGGB"
    assert "red and blue may stand for each other" in frame.exposure.conflicts[0]


@pytest.mark.parametrize(
    ("name", "content", "fault"),
    [
        ("a.tif", b"II*\0" + b"\xff" * 200, "is damaged"),
        ("a.jpg", b"\xff\xd8\xff" + bytes(200), "is damaged"),
        ("a.png", b"\x89PNG\r\n\x1a\n" + bytes(200), "is damaged"),
        ("a.png", b"", "is empty"),
        ("a.jpg", b"SIMPLY text" * 300, "is damaged"),
    ],
)
def test_damaged_pictures_are_refused_in_a_sentence(tmp_path: Path, name: str, content: bytes, fault: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(UnusableFrame) as refusal:
        read_frame(tmp_path / name)
    assert fault in refusal.value.fault
    assert str(refusal.value).isprintable()


def test_a_picture_that_claims_too_much_takes_no_memory(tmp_path: Path) -> None:
    head = b"IHDR" + struct.pack(">IIBBBBB", 20_000, 20_000, 8, 0, 0, 0, 0)  # PNG specification, 11.2.2
    chunk = struct.pack(">I", 13) + head + struct.pack(">I", zlib.crc32(head))
    (tmp_path / "large.png").write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk + struct.pack(">I", 100_000) + b"IDAT" + bytes(100_000)
    )
    with pytest.raises(UnusableFrame, match="claims 20,000 x 20,000 pixels, which it cannot hold"):
        read_frame(tmp_path / "large.png")


@pytest.mark.parametrize(
    "stored", [{}, {"rowsperstrip": 16}, {"tile": (16, 16)}, {"tile": (16, 16), "compression": "zlib"}]
)
@pytest.mark.parametrize("tag", ["ImageWidth", "ImageLength"])
def test_a_tiff_with_fewer_tiles_or_bytes_than_its_size_asks_for_is_refused(
    tmp_path: Path, stored: dict[str, object], tag: str
) -> None:
    """TIFF 6.0, sections 3 and 15: strips and tiles cover the picture; the library would fill the rest with zeros."""
    tifffile.imwrite(tmp_path / "wide.tif", GREY, **stored)
    assert read_frame(tmp_path / "wide.tif").pixels.shape == GREY.shape
    with tifffile.TiffFile(tmp_path / "wide.tif", mode="r+") as tiff:
        tiff.pages[0].tags[tag].overwrite(262_272)
    with pytest.raises(UnusableFrame, match=r"claims .*262,272.* pixels, which it cannot hold"):
        read_frame(tmp_path / "wide.tif")


def test_pictures_are_frames_only_where_nothing_better_lies(tmp_path: Path) -> None:
    for name in ("b.JPG", "a.tiff", "c.png"):
        (tmp_path / name).write_text(name)
    assert [path.name for path in find_frames(tmp_path)] == ["a.tiff", "b.JPG", "c.png"]
    assert find_others(tmp_path) == []
    (tmp_path / "d.DNG").write_text("raw")
    assert [path.name for path in find_frames(tmp_path)] == ["d.DNG"]
    assert {why for _, why in find_others(tmp_path)} == {"a picture beside FITS files or raws, which tell more"}


@pytest.mark.parametrize(("quality", "noise"), [(92, 0.8), (75, 2.4)])
def test_blocks_of_compression_are_no_stars(tmp_path: Path, quality: int, noise: float) -> None:
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:240, :320]
    image = rng.normal(52, noise, (240, 320))
    places = rng.uniform(12, (308, 228), (25, 2))
    for at in places:
        image += 90 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 2 / 1.3**2)
    pixels = np.rint(image.clip(0, 255)).astype(np.uint8)
    path = tmp_path / "light.jpg"
    Image.fromarray(np.dstack([pixels] * 3)).save(path, quality=quality)
    found = measure_frame(path).stars.table
    away = np.hypot(found["x"][:, None] - places[:, 0], found["y"][:, None] - places[:, 1]).min(axis=1)
    assert (away < 2).sum() >= 22  # some lie on each other
    assert (away >= 2).sum() == 0
