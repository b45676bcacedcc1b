"""Overscan and dark edges: what does not see the sky is no sky, no star and no noise, with cards and without."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import erf

from framecheck.pipeline import measure_frame
from framecheck.read import read_exposure, read_frame
from framecheck.read.cards import Header
from framecheck.read.light_area import area_of_header, overscan_of_header

BIAS, SKY, GAIN, READ_NOISE = 1000.0, 900.0, 1.5, 6.0
"""[ADU, ADU, electrons per ADU, electrons] Chosen: a CCD under a town's sky."""
FWHM = 3.0
WIDE, TALL = 420, 360


def a_sky(seed: int = 3, sky: float = SKY, wide: int = WIDE, tall: int = TALL) -> tuple[np.ndarray, np.ndarray]:
    """Round Gaussian stars, integrated over pixels (closed form), on an even sky with noise of photons and readout."""
    rng = np.random.default_rng(seed)
    at = np.column_stack([rng.uniform(12, wide - 12, 60), rng.uniform(12, tall - 12, 60)])
    light = np.full((tall, wide), sky)
    for (x, y), flux in zip(at, 10 ** rng.uniform(3.8, 5.0, len(at)), strict=True):
        along_y, along_x = (
            np.diff(erf((np.arange(n + 1) - 0.5 - centre) * FWHM**-1 * (4 * np.log(2)) ** 0.5)) / 2
            for n, centre in ((tall, y), (wide, x))
        )
        light += flux * np.outer(along_y, along_x)
    return rng.poisson(light * GAIN) / GAIN + BIAS + rng.normal(0, READ_NOISE / GAIN, light.shape), at


def framed(sky: np.ndarray, left: int = 0, right: int = 0, bottom: int = 0, top: int = 0, seed: int = 4) -> np.ndarray:
    """The same with edges that see no light."""
    shape = sky.shape[0] + bottom + top, sky.shape[1] + left + right
    array = BIAS + np.random.default_rng(seed).normal(0, READ_NOISE / GAIN, shape)
    array[bottom : bottom + sky.shape[0], left : left + sky.shape[1]] = sky
    return np.rint(array).astype(np.uint16)


@pytest.mark.parametrize(
    ("section", "area"),
    [
        ("[18:1382,1:1370]", (17, 0, 1382, 1370)),
        ("[1382:18,1370:1]", (17, 0, 1382, 1370)),
        ("1:1400,11:1370", (0, 10, 1400, 1370)),
        ("[1:1432,1:1370]", None),
        ("[0:0,0:0]", None),
        ("[*,*]", None),
    ],
)
def test_a_section_counts_from_one_and_holds_both_ends(
    cards: Callable[..., Header], section: str, area: tuple[int, ...] | None
) -> None:
    # common practice of observatories, no source; FITS Standard 3.0, section 4.4.2: pixels are counted from 1
    said = area_of_header(cards(f"TRIMSEC = '{section}'"), width_px=1432, height_px=1370)
    assert said.value == area
    assert not said.conflicts


def test_a_section_that_cannot_be_is_doubted(cards: Callable[..., Header]) -> None:
    for wrong in ("[18:4096,1:1370]", "[-5:1400,1:1370]", "[1:700,1:600]"):
        said = area_of_header(cards(f"TRIMSEC = '{wrong}'"), width_px=1432, height_px=1370)
        assert said.value is None
        assert "TRIMSEC" in said.conflicts[0]


def test_the_next_card_is_asked_where_one_is_doubted(cards: Callable[..., Header]) -> None:
    header = cards("TRIMSEC = '[18:4096,1:1370]'", "DATASEC = '[18:1382,1:1370]'")
    said = area_of_header(header, width_px=1432, height_px=1370)
    assert (said.value, said.source, len(said.conflicts)) == ((17, 0, 1382, 1370), "DATASEC", 1)


def test_a_section_of_the_arrays_own_size_was_cut_before(cards: Callable[..., Header]) -> None:
    # calibrated frames of observatories keep the cards of the raw ones
    header = cards("TRIMSEC = '[11:1533,4:1023]'", "BIASSEC = '[3086:3100,1:2048]'", "DATASEC = '[1:1568,1:1056]'")
    said = area_of_header(header, width_px=1523, height_px=1020)
    assert said.value is None
    assert not said.conflicts


def test_where_only_the_overscan_is_named_the_rest_sees_the_sky(cards: Callable[..., Header]) -> None:
    header = cards("BIASSEC = '[1388:1432,1:1370]'")
    assert overscan_of_header(header, width_px=1432, height_px=1370).value == (1387, 0, 1432, 1370)
    assert area_of_header(header, width_px=1432, height_px=1370).value == (0, 0, 1387, 1370)


def test_the_section_of_a_detector_is_none_of_the_array(cards: Callable[..., Header]) -> None:
    header = cards("CCDSEC = '[101:500,1:400]'", "DETSEC = '[101:500,1:400]'")
    assert area_of_header(header, width_px=1000, height_px=900).value is None


@pytest.mark.parametrize("with_cards", [True, False])
def test_stars_and_noise_are_those_of_the_sky_alone(write: Callable[..., Path], with_cards: bool) -> None:
    sky, at = a_sky()
    bare = measure_frame(write(np.rint(sky).astype(np.uint16), name="bare.fits"))
    array = framed(sky, left=18, right=40, bottom=9, top=24)
    section = {"TRIMSEC": f"[19:{18 + WIDE},10:{9 + TALL}]"} if with_cards else {}
    found = measure_frame(write(array, section, name="framed.fits"))
    assert found.stars.n_found == pytest.approx(bare.stars.n_found, abs=2)
    assert found.stars.n_crossing == 0
    assert found.shape is not None
    assert found.shape.fwhm_px == pytest.approx(FWHM, rel=0.01)
    noise = np.hypot(np.sqrt(SKY / GAIN), READ_NOISE / GAIN)
    assert found.sky.noise_adu == pytest.approx(noise, rel=0.02)
    assert found.sky.level_adu == pytest.approx(BIAS + SKY, abs=1)
    good = found.stars.good
    apart = np.hypot(good["x"][:, None] - 18 - at[:, 0], good["y"][:, None] - 9 - at[:, 1]).min(axis=1)
    assert np.median(apart) < 0.05  # in pixels of the array as stored
    assert apart.max() < 1


@pytest.mark.parametrize("fill", [0, BIAS])
def test_an_edge_filled_with_one_value_is_no_sky(write: Callable[..., Path], fill: float) -> None:
    sky, _ = a_sky()
    array = framed(sky, left=30, top=20)
    array[:, :30] = array[TALL:] = fill
    left, bottom, right, top = read_frame(write(array)).exposure.light_area or (0, 0, 0, 0)
    assert (bottom, right) == (0, WIDE + 30)
    assert 30 <= left <= 32
    assert TALL - 2 <= top <= TALL


@pytest.mark.parametrize("seed", range(5))
def test_a_sky_without_dark_edges_is_left_whole(write: Callable[..., Path], seed: int) -> None:
    sky, _ = a_sky(seed)
    y, x = np.mgrid[:TALL, :WIDE]
    r2 = (x / WIDE - 0.5) ** 2 + (y / TALL - 0.5) ** 2
    shadow = np.clip((WIDE - x) / 40.0, 0.2, 1.0)  # of something before the sensor, so blurred
    for number, light in enumerate((np.ones_like(r2), 1 - 0.9 * r2, shadow)):
        array = np.rint(BIAS + (sky - BIAS) * light).astype(np.uint16)
        assert read_frame(write(array, name=f"{number}.fits")).exposure.light_area is None


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG"])
def test_a_mosaic_keeps_its_pattern(write: Callable[..., Path], pattern: str) -> None:
    sky, _ = a_sky()
    for place, letter in enumerate(pattern):
        sky[place // 2 :: 2, place % 2 :: 2] += {"R": -300, "G": 0, "B": -150}[letter]
    array = framed(sky, left=26, right=31, bottom=12)  # even: the pattern stands for the whole array
    frame = read_frame(write(array, {"BAYERPAT": pattern, "ROWORDER": "TOP-DOWN"}))
    assert frame.mosaic == pattern
    assert frame.corner_px[0] in (26, 28)
    assert frame.corner_px[1] in (12, 14)
    np.testing.assert_array_equal(frame.pixels[:50], array[frame.corner_px[1] :][:50, slice(*_columns(frame))])


def _columns(frame: Any) -> tuple[int, int]:
    return frame.exposure.light_area[0], frame.exposure.light_area[2]


def test_an_odd_corner_keeps_the_pattern_as_well(write: Callable[..., Path]) -> None:
    sky, _ = a_sky()
    sky[0::2, 0::2] -= 300
    sky[1::2, 1::2] -= 150
    cards = {"BAYERPAT": "RGGB", "ROWORDER": "TOP-DOWN", "TRIMSEC": f"[4:{WIDE},6:{TALL}]"}
    frame = read_frame(write(np.rint(sky).astype(np.uint16), cards))
    assert (frame.mosaic, frame.corner_px) == ("RGGB", (4, 6))


def test_the_file_keeps_its_size_and_its_place_on_the_sky(write: Callable[..., Path]) -> None:
    sky, _ = a_sky()
    cards = {"TRIMSEC": f"[19:{18 + WIDE},1:{TALL}]", "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 30.0,
             "CRVAL2": 20.0, "CRPIX1": (WIDE + 19) / 2, "CRPIX2": (TALL + 1) / 2, "CD1_1": -3e-4, "CD1_2": 0.0,
             "CD2_1": 0.0, "CD2_2": 3e-4}  # fmt: skip
    path = write(framed(sky, left=18), cards)
    for exposure in (read_exposure(path), read_frame(path).exposure):
        assert (exposure.width_px, exposure.height_px) == (WIDE + 18, TALL)
        assert exposure.orientation is not None
        assert exposure.orientation.ra_deg == pytest.approx(30.0)


def test_a_trail_lies_where_the_file_has_it(write: Callable[..., Path]) -> None:
    sky, _ = a_sky()
    y, x = np.mgrid[:TALL, :WIDE]
    sky += 600 * np.exp(-4 * np.log(2) * ((y - 60 - 0.5 * x) / np.hypot(1, 0.5) / FWHM) ** 2)  # from edge to edge
    section = {"TRIMSEC": f"[41:{40 + WIDE},21:{20 + TALL}]"}
    (line,) = measure_frame(write(framed(sky, left=40, bottom=20), section)).stars.lines
    assert line.flown
    ends = np.array([[line.x0_px, line.y0_px], [line.x1_px, line.y1_px]])
    np.testing.assert_allclose(ends[:, 1] - 20, 60 + 0.5 * (ends[:, 0] - 40), atol=1.0)
