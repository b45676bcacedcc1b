"""Honest files made hostile: each mutant follows from a seed and its number, so that any can be made again."""

import gzip
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from honest import HEIGHT, KINDS, WIDTH, Kind, Pixels, header, star_field

Random = np.random.Generator
Change = Callable[[bytearray, Random], bytearray]
CARD, BLOCK = 80, 2880

STRUCTURE = (
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "PCOUNT", "GCOUNT", "GROUPS", "EXTEND", "XTENSION",
    "BSCALE", "BZERO", "BLANK", "TFIELDS", "TFORM1", "TFORM2", "TFORM3", "TTYPE1", "TTYPE2", "THEAP", "TZERO1",
    "ZIMAGE", "ZCMPTYPE", "ZBITPIX", "ZNAXIS", "ZNAXIS1", "ZNAXIS2", "ZNAXIS3", "ZTILE1", "ZTILE2", "ZTILE3",
    "ZNAME1", "ZVAL1", "ZNAME2", "ZVAL2", "ZQUANTIZ", "ZDITHER0", "ZBLANK", "ZSCALE", "ZZERO", "ZMASKCMP", "ZTENSION",
    "ZSIMPLE", "ZPCOUNT", "ZGCOUNT", "CHECKSUM", "DATASUM", "INHERIT", "END",
)  # fmt: skip
"""Keywords that say where the pixels are and how they are stored. FITS Standard 4.0, sections 4.4, 7.3 and 10."""
SCIENCE = (
    "IMAGETYP", "EXPTIME", "DATE-OBS", "DATE-AVG", "DATE-END", "MJD-OBS", "TIMESYS", "XPIXSZ", "YPIXSZ", "FOCALLEN",
    "APTDIA", "FOCRATIO", "XBINNING", "EGAIN", "GAIN", "RDNOISE", "SATURATE", "PEDESTAL", "CCD-TEMP", "FOCTEMP",
    "FOCPOS", "RA", "DEC", "OBJCTRA", "OBJCTDEC", "AIRMASS", "ALTITUDE", "CENTALT", "AZIMUTH", "SITELAT", "SITELONG",
    "HA", "PIERSIDE", "CTYPE1", "CTYPE2", "CRVAL1", "CRVAL2", "CRPIX1", "CRPIX2", "CD1_1", "CD1_2", "CD2_1", "CD2_2",
    "CDELT1", "CDELT2", "CROTA2", "PC1_1", "PC1_2", "EQUINOX", "SCALE", "BAYERPAT", "XBAYROFF", "YBAYROFF", "ROWORDER",
    "OBJECT", "FILTER", "INSTRUME", "TELESCOP", "PICTTYPE", "DATAMAX", "UT", "TIME-OBS", "LST", "HIERARCH A B",
)  # fmt: skip
NUMBERS = (
    "0", "-0.0", "1", "-1", "2", "3", "4", "7", "8", "16", "32", "64", "-32", "-64", "12", "255", "999", "32767",
    "-32768", "65535", "65536", "100000", "2147483647", "-2147483648", "4294967296", "9223372036854775807",
    "-9223372036854775808", "18446744073709551616", "1" + "0" * 60, "0.1", "1.5", "-7.25", "1E-320", "1.0E+38",
    "1.0D+308", "-1.7E308", "1E999", "NaN", "INF", "-INF", "1e", "0x10", "1_000", "1,5", "--1", "1 2", "1/0",
)  # fmt: skip
WORDS = (
    "T", "F", "''", "'", "'unclosed", "'T'", "' '", "'N/A'", "'IMAGE'", "'BINTABLE'", "'TABLE'", "'RICE_1'", "'GZIP_1'",
    "'GZIP_2'", "'PLIO_1'", "'HCOMPRESS_1'", "'NOCOMPRESS'", "'RICE_ONE'", "'NONE'", "'SUBTRACTIVE_DITHER_1'",
    "'SUBTRACTIVE_DITHER_2'", "'NO_DITHER'", "'BLOCKSIZE'", "'BYTEPIX'", "'SCALE'", "'SMOOTH'", "'1PB(999999999)'",
    "'1QB'", "'1PI'", "'0PB'", "'999999999J'", "'1D'", "'64A'", "'COMPRESSED_DATA'", "'GZIP_COMPRESSED_DATA'",
    "'2025-02-30T25:61:61'", "'9999-12-31T23:59:59'", "'0001-01-01T00:00:00'", "'01/02/03'", "'-999 99 99'",
    "'90 60 60'", "'RA---TAN-SIP'", "'RA---XYZ'", "'RGGB'", "'XXXX'", "'EAST'", "'dark'", "'Flat Field'", "'TAI'",
    "'<script>alert(1)</script>'", "'=cmd|A0'", "'\\x1b[2J'", "/ only a comment", "(1.0, 2.0)", "",
)  # fmt: skip
VALUES = (*NUMBERS, *WORDS)
WHOLE = re.compile(rb"= *-?\d{1,18} *")


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """One hostile file and how it came about."""

    number: int
    ending: str
    content: bytes
    story: str


def mutant(seed: int, number: int) -> Mutant:
    """The so-manieth mutant of a seed: one kind of honest file, one to four changes."""
    rng = np.random.default_rng([seed, number])
    kind = KINDS[rng.integers(len(KINDS))]
    if rng.random() < 0.25:
        name, content = _with_odd_pixels(kind, rng)
        story = [kind.name, name]
        n_changes = int(rng.integers(2))
    else:
        content = honest_file(KINDS.index(kind))
        story = [kind.name]
        n_changes = int(rng.integers(1, 5))
    packed = content[:2] == b"\x1f\x8b"
    raw = bytearray(gzip.decompress(content) if packed else content)
    for _ in range(n_changes):
        change = CHANGES[rng.integers(len(CHANGES))]
        raw = change(raw, rng)
        story.append(change.__name__.strip("_"))
    ending = kind.ending
    if packed or rng.random() < 0.04:
        wrap = WRAPS[rng.integers(len(WRAPS)) if rng.random() < 0.3 else 0]
        raw = wrap(raw, rng)
        story.append(wrap.__name__.strip("_"))
    elif rng.random() < 0.02:
        raw = bytearray(_bomb(rng))
        story.append("bomb")
    return Mutant(number=number, ending=ending, content=bytes(raw), story=", ".join(story))


@cache
def honest_file(index: int) -> bytes:
    kind = KINDS[index]
    return kind.pack(kind.pixels(star_field(np.random.default_rng(index))), header())


# --- pixels -----------------------------------------------------------------------------------------------------


def _with_odd_pixels(kind: Kind, rng: Random) -> tuple[str, bytes]:
    """An honestly stored image of what no camera sees."""
    height, width = (HEIGHT, WIDTH) if rng.random() < 0.6 else (int(rng.integers(16, 150)), int(rng.integers(16, 150)))
    if kind.name == "H-transform":
        height, width = HEIGHT, WIDTH
    image = star_field(rng, height, width)
    change = PIXELS[rng.integers(len(PIXELS))]
    with np.errstate(all="ignore"):
        image = np.asarray(change(image, rng))
        pixels = kind.pixels(image)
    try:
        return change.__name__.strip("_"), kind.pack(pixels, header())
    except (ValueError, OverflowError, OSError):  # values that this way of storing cannot hold
        return "as it was", honest_file(KINDS.index(kind))


def _window(image: Pixels, rng: Random) -> tuple[slice, slice]:
    top, left = (int(rng.integers(side)) for side in image.shape)
    return slice(top, top + int(rng.integers(1, 60))), slice(left, left + int(rng.integers(1, 60)))


def _hole(image: Pixels, rng: Random) -> Pixels:
    image[_window(image, rng)] = rng.choice([np.nan, np.inf, -np.inf, 0, -1e30, 1e30])
    return image


def _holes_everywhere(image: Pixels, rng: Random) -> Pixels:
    image[rng.random(image.shape) < rng.choice([0.01, 0.3, 0.5, 0.9, 0.999])] = rng.choice([np.nan, np.inf, 0])
    return image


def _lines_gone(image: Pixels, rng: Random) -> Pixels:
    step, first = int(rng.integers(2, 9)), int(rng.integers(2))
    lines = image[first::step] if rng.random() < 0.5 else image[:, first::step]
    lines[...] = rng.choice([np.nan, 0, 65535, -np.inf])
    return image


def _one_value(image: Pixels, rng: Random) -> Pixels:
    level = rng.choice([0, 1, 65535, -1, 1e-40, 3e38, np.nan])
    image[...] = level
    image[_window(image, rng)] += rng.choice([0, 1, 1e-3, 1e3])
    return image


def _only_noise(image: Pixels, rng: Random) -> Pixels:
    return rng.normal(rng.choice([0, 600, 30000]), rng.choice([1e-6, 0.3, 5, 500, 1e6]), image.shape)


def _salt_and_pepper(image: Pixels, rng: Random) -> Pixels:
    return np.where(rng.random(image.shape) < 0.5, image, rng.choice([0, 65535, 1e20]))


def _heavy_tails(image: Pixels, rng: Random) -> Pixels:
    return image + rng.choice([1, 1e3, 1e10]) * rng.standard_cauchy(image.shape)


def _other_scale(image: Pixels, rng: Random) -> Pixels:
    return image * rng.choice([1e-45, 1e-30, 1e-5, -1, 1e5, 1e30, 1e35]) + rng.choice([0, -1e4, 1e9])


def _ramp(image: Pixels, rng: Random) -> Pixels:
    return image + np.linspace(0, rng.choice([1e2, 1e5, 1e12]), image.shape[1]) ** rng.choice([1, 3])


def _one_huge_star(image: Pixels, rng: Random) -> Pixels:
    row, column = np.indices(image.shape)
    far = np.hypot(row - rng.uniform(-20, image.shape[0] + 20), column - rng.uniform(-20, image.shape[1] + 20))
    return image + 10 ** rng.uniform(2, 7) * np.exp(-((far / rng.uniform(0.2, 60)) ** 2))


def _stripes(image: Pixels, rng: Random) -> Pixels:
    along = np.arange(image.shape[1]) if rng.random() < 0.5 else np.arange(image.shape[0])[:, None]
    return image + rng.choice([10, 1e4]) * (along // int(rng.integers(1, 12)) % 2)


def _single_pixels(image: Pixels, rng: Random) -> Pixels:
    image[...] = rng.choice([0, 600])
    rows, columns = rng.integers(image.shape[0], size=40), rng.integers(image.shape[1], size=40)
    image[rows, columns] = rng.uniform(0, 65535, 40)
    return image


def _clipped(image: Pixels, rng: Random) -> Pixels:
    return np.minimum(image, np.quantile(image, rng.uniform(0.01, 0.99)))


def _steps(image: Pixels, rng: Random) -> Pixels:
    step = rng.choice([16, 256, 5000])
    return image // step * step


def _repeated(image: Pixels, rng: Random) -> Pixels:
    n = int(rng.integers(2, 17))
    few = image[: max(1, image.shape[0] // n), : max(1, image.shape[1] // n)]
    return np.tile(few, (n + 2, n + 2))[: image.shape[0], : image.shape[1]]


PIXELS = (
    _hole, _holes_everywhere, _lines_gone, _one_value, _only_noise, _salt_and_pepper, _heavy_tails, _other_scale, _ramp,
    _one_huge_star, _stripes, _single_pixels, _clipped, _steps, _repeated,
)  # fmt: skip

# --- headers ----------------------------------------------------------------------------------------------------


def _cards(raw: bytearray) -> list[int]:
    """Where cards with a value begin, in all headers."""
    found, at = [], 0
    while at < len(raw) and len(found) < 2000:
        if raw[at : at + 6] == b"SIMPLE" or raw[at : at + 8] == b"XTENSION":
            while at < len(raw):
                found.append(at)
                if raw[at : at + 8] == b"END     ":
                    break
                at += CARD
            at = at // BLOCK * BLOCK
        at += BLOCK
    return found


def _card(keyword: str, value: str) -> bytes:
    return f"{keyword:8.8}= {value:>20}".encode("latin-1", "replace").ljust(CARD)[:CARD]


def _pick(names: tuple[str, ...], rng: Random) -> str:
    return names[rng.integers(len(names))]


def _wrong_value(raw: bytearray, rng: Random) -> bytearray:
    """A card that is there says something else."""
    places = [at for at in _cards(raw) if raw[at + 8 : at + 9] == b"="]
    if places:
        at = places[rng.integers(len(places))]
        raw[at : at + CARD] = _card(raw[at : at + 8].decode("latin-1"), _pick(VALUES, rng))
    return raw


def _wrong_structure(raw: bytearray, rng: Random) -> bytearray:
    """The same for a card that says where the pixels are."""
    words = {word.encode().ljust(8) for word in STRUCTURE}
    places = [at for at in _cards(raw) if bytes(raw[at : at + 8]) in words]
    if places:
        at = places[rng.integers(len(places))]
        value = _pick(NUMBERS, rng) if rng.random() < 0.6 else _pick(VALUES, rng)
        raw[at : at + CARD] = _card(raw[at : at + 8].decode("latin-1"), value)
    return raw


def _near_value(raw: bytearray, rng: Random) -> bytearray:
    """A whole number is a little, or a factor, off: the kind of lie that passes rough checks."""
    places = [at for at in _cards(raw) if WHOLE.fullmatch(raw, at + 8, at + 30)]
    if places:
        at = places[rng.integers(len(places))]
        value = int(raw[at + 9 : at + 30])
        other = rng.choice(
            [value + 1, value - 1, 2 * value, value // 2, -value, 10 * value, value + int(rng.integers(50))]
        )
        raw[at : at + CARD] = _card(raw[at : at + 8].decode("latin-1"), str(other))
    return raw


def _new_card(raw: bytearray, rng: Random) -> bytearray:
    """A card more, in the place of another."""
    places = _cards(raw)
    if places:
        at = places[rng.integers(len(places))]
        raw[at : at + CARD] = _card(_pick(STRUCTURE + SCIENCE, rng), _pick(VALUES, rng))
    return raw


def _cards_swapped(raw: bytearray, rng: Random) -> bytearray:
    places = _cards(raw)
    if places:
        one, other = (places[i] for i in rng.integers(len(places), size=2))
        raw[one : one + CARD], raw[other : other + CARD] = raw[other : other + CARD], raw[one : one + CARD]
    return raw


def _card_gone(raw: bytearray, rng: Random) -> bytearray:
    places = _cards(raw)
    if places:
        at = places[rng.integers(len(places))]
        raw[at : at + CARD] = b" " * CARD
    return raw


def _rubbish_in_a_card(raw: bytearray, rng: Random) -> bytearray:
    places = _cards(raw)
    if places:
        at = places[rng.integers(len(places))] + int(rng.integers(CARD))
        length = int(rng.integers(1, 30))
        raw[at : at + length] = rng.bytes(length)
    return raw


def _no_end(raw: bytearray, rng: Random) -> bytearray:
    at = raw.find(b"END     ")
    if at >= 0:
        raw[at : at + 3] = bytes(rng.choice([list(b"   "), list(b"EnD"), list(b"EN\0")]))
    return raw


# --- bytes ------------------------------------------------------------------------------------------------------


def _cut(raw: bytearray, rng: Random) -> bytearray:
    edges = [0, 1, 79, 80, 2879, 2880, 5760, len(raw) - 1, len(raw) - BLOCK, int(rng.integers(len(raw) + 1))]
    return raw[: max(0, int(rng.choice(edges)))]


def _more(raw: bytearray, rng: Random) -> bytearray:
    tail = [bytes(1), bytes(BLOCK), rng.bytes(777), b"XTENSION= 'IMAGE   '".ljust(BLOCK), bytes(raw[:BLOCK])]
    return raw + tail[rng.integers(len(tail))]


def _block_moved(raw: bytearray, rng: Random) -> bytearray:
    """A block left out, doubled or put elsewhere: what follows is out of step."""
    step = int(rng.choice([1, CARD, BLOCK]))
    at = int(rng.integers(len(raw) // step + 1)) * step
    block = raw[at : at + step]
    if rng.random() < 0.5:
        return raw[:at] + raw[at + step :]
    to = int(rng.integers(len(raw) // step + 1)) * step
    return raw[:to] + block + raw[to:]


def _bits(raw: bytearray, rng: Random) -> bytearray:
    for at in rng.integers(len(raw), size=int(rng.choice([1, 4, 64]))) if raw else ():
        raw[at] ^= 1 << int(rng.integers(8))
    return raw


def _bits_of_the_table(raw: bytearray, rng: Random) -> bytearray:
    """Lengths and places of compressed tiles, which lie first behind the last header."""
    places = _cards(raw)
    start = -(-(places[-1] + CARD) // BLOCK) * BLOCK if places else 0
    if start + 8 >= len(raw):
        return raw
    at = start + 4 * int(rng.integers(min(400, (len(raw) - start) // 4)))
    word = rng.choice([0, 1, 2**31 - 1, 2**31, 2**32 - 1, 2**16, int(rng.integers(2**32)), int(rng.integers(4000))])
    raw[at : at + 4] = int(word).to_bytes(4, "big")
    return raw


def _rubbish_in_the_data(raw: bytearray, rng: Random) -> bytearray:
    places = _cards(raw)
    start = places[-1] + CARD if places else 0
    at = int(rng.integers(start, max(start + 1, len(raw))))
    length = int(rng.choice([1, 16, 400, 5000]))
    filler = [rng.bytes(length), bytes(length), b"\xff" * length, b"\x7f\xc0\x00\x00" * (length // 4)]
    raw[at : at + length] = filler[rng.integers(4)][: max(0, len(raw) - at)]
    return raw


def _other_beginning(raw: bytearray, rng: Random) -> bytearray:
    magic = (
        b"II*\0",
        b"\xff\xd8\xff",
        b"PK\x03\x04",
        b"SIMPLE  ",
        b"\x1f\x8b\x08\0",
        b"XISF0100",
        b"\0" * 8,
        b"simple =",
    )
    start = magic[rng.integers(len(magic))]
    raw[: len(start)] = start
    return raw


def _spliced(raw: bytearray, rng: Random) -> bytearray:
    """The head of one file on the body of another."""
    other = honest_file(int(rng.integers(len(KINDS))))
    at = int(rng.choice([BLOCK, 2 * BLOCK, 3 * BLOCK, len(raw) // 2]))
    return raw[:at] + other[at:]


CHANGES: tuple[Change, ...] = (
    _wrong_value, _wrong_structure, _wrong_structure, _wrong_structure, _near_value, _near_value, _new_card, _new_card,
    _cards_swapped, _card_gone, _rubbish_in_a_card, _no_end, _cut, _more, _block_moved, _bits, _bits_of_the_table,
    _bits_of_the_table, _rubbish_in_the_data, _rubbish_in_the_data, _other_beginning, _spliced,
)  # fmt: skip

# --- gzip -------------------------------------------------------------------------------------------------------


def _gz(raw: bytearray, rng: Random) -> bytearray:
    return bytearray(gzip.compress(bytes(raw), compresslevel=1, mtime=0))


def _gz_cut(raw: bytearray, rng: Random) -> bytearray:
    packed = _gz(raw, rng)
    return packed[: int(rng.integers(len(packed) + 1))]


def _gz_with_wrong_bits(raw: bytearray, rng: Random) -> bytearray:
    return _bits(_gz(raw, rng), rng)


def _gz_in_members(raw: bytearray, rng: Random) -> bytearray:
    at = int(rng.integers(len(raw) + 1))
    return _gz(raw[:at], rng) + _gz(raw[at:], rng) + rng.bytes(int(rng.choice([0, 0, 3, 500])))


def _gz_of_gz(raw: bytearray, rng: Random) -> bytearray:
    return _gz(_gz(raw, rng), rng)


def _gz_that_lies_of_its_size(raw: bytearray, rng: Random) -> bytearray:
    packed = _gz(raw, rng)
    packed[-4:] = int(rng.choice([0, 1, 2**32 - 1, 2**31])).to_bytes(4, "little")
    return packed


WRAPS: tuple[Change, ...] = (
    _gz, _gz_cut, _gz_with_wrong_bits, _gz_in_members, _gz_of_gz, _gz_that_lies_of_its_size,
)  # fmt: skip


def _bomb(rng: Random) -> bytes:
    """A few hundred kB that unpack to hundreds of MB behind a header that asks for them."""
    width = int(rng.choice([1000, 20000, 40000]))
    heads = (
        (b"SIMPLE  = T", b"BITPIX  = 16", b"NAXIS   = 2", b"NAXIS1  = %d" % width, b"NAXIS2  = %d" % width),
        (b"SIMPLE  = T", b"BITPIX  = 8", b"NAXIS   = 1", b"NAXIS1  = %d" % (width * 10000)),
        (b"SIMPLE  = T", b"BITPIX  = 8", b"NAXIS   = 0"),
        (),
    )
    head = heads[rng.integers(len(heads))]
    text = b"".join(card.ljust(CARD) for card in (*head, b"END")) if head else b"\0"
    filler = b"\0" if rng.random() < 0.5 else b" "
    return gzip.compress(text.ljust(BLOCK), mtime=0) + _megabyte(filler) * int(rng.choice([4, 300]))


@cache
def _megabyte(filler: bytes) -> bytes:
    """A megabyte of one sign, as a member of gzip data."""
    return gzip.compress(filler * 2**20, mtime=0)
