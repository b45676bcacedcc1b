"""The same pixels give the same numbers, whether a raw or FITS brings them."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from dng import write_dng
from star_field import star_field

from framecheck import Rig, find_frames, measure_frame, measure_night
from framecheck.motion import build_night
from framecheck.pipeline import settle_facts

SHARES = {"R": 0.7, "G": 1.0, "B": 0.5}  # light of each colour; invented


def mosaic(pattern: str, seed: int = 1) -> np.ndarray:
    image, _ = star_field(n_stars=60, size=(400, 300), snr=120.0, pedestal_adu=512.0, seed=seed)
    out = np.zeros(image.shape)
    for k, colour in enumerate(pattern):
        out[k // 2 :: 2, k % 2 :: 2] = image[k // 2 :: 2, k % 2 :: 2] * SHARES[colour]
    return np.clip(np.rint(out), 0, 65535).astype(np.uint16)


@pytest.mark.parametrize(("pattern", "packed"), [("RGGB", False), ("GBRG", True)])
def test_a_raw_gives_the_numbers_of_fits_bit_for_bit(tmp_path: Path, pattern: str, packed: bool) -> None:
    pixels = mosaic(pattern)
    raw = measure_frame(write_dng(tmp_path / "light.dng", pixels, pattern, packed=packed, white=65535))
    cards = fits.Header({"BAYERPAT": pattern, "ROWORDER": "TOP-DOWN", "SATURATE": 65535, "PEDESTAL": 512})
    fits.PrimaryHDU(pixels, cards).writeto(tmp_path / "light.fits")
    same = measure_frame(tmp_path / "light.fits")
    assert raw.stars.n_found == pytest.approx(60, abs=1)
    assert raw.stars.table.tobytes() == same.stars.table.tobytes()
    assert raw.shape == same.shape
    assert raw.sky.level_adu == same.sky.level_adu
    np.testing.assert_array_equal(raw.sky.level_mesh_adu, same.sky.level_mesh_adu)


def test_margins_of_a_raw_move_no_star(tmp_path: Path) -> None:
    pixels = mosaic("RGGB")
    framed = np.pad(pixels, ((6, 0), (10, 4)), constant_values=512)
    plain = measure_frame(write_dng(tmp_path / "plain.dng", pixels))
    margins = measure_frame(write_dng(tmp_path / "margins.dng", framed, active=(6, 10, 306, 410)))
    assert margins.exposure.mosaic_pattern == "RGGB"
    np.testing.assert_allclose(margins.stars.table["x"] - 10, plain.stars.table["x"], atol=1e-3)
    np.testing.assert_allclose(margins.stars.table["y"] - 6, plain.stars.table["y"], atol=1e-3)


def test_a_night_of_raws_keeps_the_times_between_them(tmp_path: Path) -> None:
    from dng import EXIF

    for minute in range(3):
        exif = {**EXIF, 36867: ("A", f"2025:03:01 22:{minute:02}:00")}
        write_dng(tmp_path / f"IMG_{3 - minute:04}.dng", mosaic("RGGB", seed=1), exif=exif)
    with ThreadPoolExecutor(1) as here:
        measured = measure_night(find_frames(tmp_path), executor=here)
    rig, results = settle_facts(measured, Rig())
    night = build_night(tmp_path, rig, results, (), ())
    assert [frame.result.exposure.file.name for frame in night.frames] == [f"IMG_{n:04}.dng" for n in (3, 2, 1)]
    assert all(frame.result.exposure.start_utc is None for frame in night.frames)
    assert night.rig.lens_f_number == 2.8
    assert night.rig.pixel_scale_arcsec == pytest.approx(206_265 * 4.4e-3 / 135, rel=1e-3)  # closed form
    _, zoned = settle_facts(measured, Rig(clock_ahead_h=1.0))
    assert sorted(f"{result.exposure.start_utc:%H:%M}" for result in zoned) == ["21:00", "21:01", "21:02"]
