"""Small honest files of every kind that is read: what the mutants are made of. Drawn here, kept nowhere."""

import gzip
import io
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

Pixels = NDArray[np.generic]
HEIGHT, WIDTH = 96, 128
_N_STARS = 14


@dataclass(frozen=True, kw_only=True)
class Kind:
    """One way of storing an image."""

    name: str
    pixels: Callable[[Pixels], Pixels]  # from real numbers, in ADU
    pack: Callable[[Pixels, fits.Header], bytes]
    ending: str = ".fits"


def star_field(rng: np.random.Generator, height: int = HEIGHT, width: int = WIDTH) -> NDArray[np.float64]:
    """Round stars of 3 pixels on a flat sky of 600 ADU with its noise."""
    row, column = np.mgrid[:height, :width]
    image = np.full((height, width), 600.0)
    for _ in range(_N_STARS):
        x, y = rng.uniform(6, width - 6), rng.uniform(6, height - 6)
        image += 10 ** rng.uniform(2.3, 3.8) * np.exp(-((column - x) ** 2 + (row - y) ** 2) / (2 * 1.3**2))
    return np.clip(rng.normal(image, np.sqrt(image / 2)), 0, 65535)


def header() -> fits.Header:
    """Cards as a camera program writes them."""
    cards = fits.Header()
    cards["IMAGETYP"], cards["OBJECT"], cards["FILTER"] = "Light Frame", "Test field", "L"
    cards["EXPTIME"], cards["XPIXSZ"], cards["FOCALLEN"], cards["XBINNING"] = 60.0, 3.76, 530.0, 1
    cards["DATE-OBS"], cards["EGAIN"], cards["CCD-TEMP"] = "2025-03-01T21:00:00.5", 1.5, -10.0
    cards["RA"], cards["DEC"], cards["AIRMASS"] = 83.8, -5.4, 1.3
    cards["SITELAT"], cards["SITELONG"], cards["SATURATE"] = 48.1, 11.5, 65000
    cards["CTYPE1"], cards["CTYPE2"], cards["CRVAL1"], cards["CRVAL2"] = "RA---TAN", "DEC--TAN", 83.8, -5.4
    cards["CRPIX1"], cards["CRPIX2"] = WIDTH / 2, HEIGHT / 2
    cards["CD1_1"], cards["CD1_2"], cards["CD2_1"], cards["CD2_2"] = -4e-4, 1e-5, 1e-5, 4e-4
    return cards


def _written(*units: object) -> bytes:
    file = io.BytesIO()
    fits.HDUList(list(units)).writeto(file, output_verify="ignore")
    return file.getvalue()


def _plain(pixels: Pixels, cards: fits.Header) -> bytes:
    return _written(fits.PrimaryHDU(pixels, cards))


def _mosaic(pixels: Pixels, cards: fits.Header) -> bytes:
    cards["BAYERPAT"], cards["ROWORDER"], cards["XBAYROFF"], cards["YBAYROFF"] = "RGGB", "TOP-DOWN", 0, 0
    return _plain(pixels, cards)


def _dialect(pixels: Pixels, cards: fits.Header) -> bytes:
    cards["HIERARCH site altitude"] = 530.0
    cards["LONGTEXT"] = "words that go on over several cards " * 6
    cards["PICTTYPE"], cards["DATE-AVG"], cards["MJD-OBS"] = 1, "2025-03-01T21:00:30.5", 60735.875
    cards["OBJCTRA"], cards["OBJCTDEC"], cards["PIERSIDE"], cards["FOCPOS"] = "05 35 12", "-05 24 00", "WEST", 12000
    cards.add_history("dark subtracted")
    return _plain(pixels, cards)


def _blank(pixels: Pixels, cards: fits.Header) -> bytes:
    unit = fits.PrimaryHDU(pixels, cards)
    unit.header["BLANK"] = -32768
    return _written(unit)


def _scaled(pixels: Pixels, cards: fits.Header) -> bytes:
    raw = _plain(pixels, cards)
    end = raw.index(b"END" + b" " * 237)
    more = b"BSCALE  =                  0.5".ljust(80) + b"BZERO   =                100.0".ljust(80)
    return raw[:end] + more + raw[end : end + 80] + raw[end + 240 :]


def _extension(pixels: Pixels, cards: fits.Header) -> bytes:
    return _written(fits.PrimaryHDU(), fits.ImageHDU(pixels, cards))


def _behind_a_table(pixels: Pixels, cards: fits.Header) -> bytes:
    table = fits.BinTableHDU.from_columns([fits.Column("word", "PJ()", array=np.array([[1], [2, 3]], dtype=object))])
    return _written(fits.PrimaryHDU(), table, fits.ImageHDU(pixels, cards))


def _tiles(code: str, **more: object) -> Callable[[Pixels, fits.Header], bytes]:
    def pack(pixels: Pixels, cards: fits.Header) -> bytes:
        unit = fits.CompImageHDU(pixels, cards, compression_type=code, **more)
        return _written(fits.PrimaryHDU(), unit)

    return pack


def _gzipped(pack: Callable[[Pixels, fits.Header], bytes]) -> Callable[[Pixels, fits.Header], bytes]:
    return lambda pixels, cards: gzip.compress(pack(pixels, cards), compresslevel=6, mtime=0)


def _as(kind: str) -> Callable[[Pixels], Pixels]:
    def cast(image: Pixels) -> Pixels:
        if np.dtype(kind).kind == "f":
            return image.astype(kind)
        limits = np.iinfo(kind)
        return np.clip(np.nan_to_num(np.rint(image)), limits.min, limits.max).astype(kind)

    return cast


def _small(image: Pixels) -> Pixels:
    """Numbers whose steps fit into 12 bits: astropy's own packing of runs writes beyond its memory for larger ones."""
    return np.clip(np.nan_to_num(image / 4), 0, 4000).astype("i2")


def _colour(planes: Callable[[Pixels], Pixels], *, last: bool) -> Callable[[Pixels], Pixels]:
    return lambda image: np.stack([planes(image)] * 3, axis=-1 if last else 0)


KINDS = (
    Kind(name="16 bits unsigned", pixels=_as("u2"), pack=_plain),
    Kind(name="16 bits", pixels=lambda image: _as("i2")(image / 4), pack=_blank),
    Kind(name="16 bits, scaled", pixels=lambda image: _as("i2")(image / 4), pack=_scaled),
    Kind(name="8 bits", pixels=lambda image: _as("u1")(image / 20), pack=_plain, ending=".fit"),
    Kind(name="32 bits", pixels=_as("i4"), pack=_dialect),
    Kind(name="64 bits", pixels=_as("i8"), pack=_plain),
    Kind(name="real", pixels=_as("f4"), pack=_dialect, ending=".fts"),
    Kind(name="real, double", pixels=lambda image: image / 65535, pack=_plain),
    Kind(name="mosaic", pixels=_as("u2"), pack=_mosaic),
    Kind(name="colour in planes", pixels=_colour(_as("u2"), last=False), pack=_plain),
    Kind(name="colour in pixels", pixels=_colour(_as("f4"), last=True), pack=_plain),
    Kind(name="extension", pixels=_as("u2"), pack=_extension),
    Kind(name="behind a table", pixels=_as("f4"), pack=_behind_a_table),
    Kind(name="Rice", pixels=_as("u2"), pack=_tiles("RICE_1"), ending=".fits.fz"),
    Kind(name="Rice, squares", pixels=_as("i4"), pack=_tiles("RICE_1", tile_shape=(40, 50)), ending=".fz"),
    Kind(name="Rice, 8 bits", pixels=lambda image: _as("u1")(image / 20), pack=_tiles("RICE_1"), ending=".fits.fz"),
    Kind(name="Rice, real", pixels=_as("f4"), pack=_tiles("RICE_1", quantize_level=16), ending=".fits.fz"),
    Kind(name="gzip tiles", pixels=_as("u2"), pack=_tiles("GZIP_1"), ending=".fits.fz"),
    Kind(name="shuffled tiles", pixels=_as("f4"), pack=_tiles("GZIP_2", quantize_level=0), ending=".fits.fz"),
    Kind(
        name="H-transform", pixels=_as("i2"), pack=_tiles("HCOMPRESS_1", tile_shape=(HEIGHT, WIDTH)),
        ending=".fits.fz",
    ),
    Kind(name="runs", pixels=_small, pack=_tiles("PLIO_1"), ending=".fits.fz"),
    Kind(name="tiles as they are", pixels=_as("i2"), pack=_tiles("NOCOMPRESS"), ending=".fits.fz"),
    Kind(name="packed", pixels=_as("u2"), pack=_gzipped(_plain), ending=".fits.gz"),
    Kind(name="packed, real", pixels=_as("f4"), pack=_gzipped(_behind_a_table), ending=".fits.gz"),
    Kind(name="packed tiles", pixels=_as("u2"), pack=_gzipped(_tiles("RICE_1")), ending=".fits.fz.gz"),
)  # fmt: skip
