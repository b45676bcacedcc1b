"""Light of two exposures of one field, drawn by GalSim and measured from the pixels."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import sqrt
from pathlib import Path

import pytest
from star_field import Scene, Truth, power_law

from framecheck.field import FrameResult
from framecheck.motion import build_night
from framecheck.read import Rig


@pytest.mark.parametrize("light", [1.0, 0.5])
def test_half_of_the_light_in_the_short_frame_is_seen_against_the_long_one(
    drawn: Callable[..., tuple[FrameResult, Truth]], light: float
) -> None:
    """30 and 240 s of the same sky and stars; the short frame through a half-covered aperture, or not."""
    usual = Scene(size=(500, 400), n_stars=60, snr=power_law(60, 15, 120), fwhm_px=2.8, sky_adu=250.0)
    noise = [sqrt(sky * usual.gain + usual.read_noise_e**2) for sky in (250.0 * light, 2000.0)]
    long_snr = tuple(8 / light * one * noise[0] / noise[1] for one in usual.snr)
    short, _ = drawn(**{name: getattr(usual, name) for name in ("size", "n_stars", "snr", "fwhm_px")},
                     sky_adu=250.0 * light)  # fmt: skip
    long, _ = drawn(size=usual.size, n_stars=60, snr=long_snr, fwhm_px=2.8, sky_adu=2000.0)
    start = datetime(2025, 2, 3, 21, 10, tzinfo=UTC)
    facts = {"target": "M 31", "filter": "L"}
    results = [
        replace(one, exposure=replace(
            one.exposure, file=Path(f"{seconds}.fits"), exposure_s=seconds, start_utc=start + timedelta(minutes=i),
            **facts,
        ))
        for i, (one, seconds) in enumerate(((short, 30.0), (long, 240.0)))
    ]  # fmt: skip
    dim, clear = build_night(Path("night"), Rig(), results).frames
    assert clear.transparency == 1.0
    assert dim.transparency == pytest.approx(light, rel=0.02)
    assert dim.transparency_error is not None
