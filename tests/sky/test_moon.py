"""The full Moon is known by its size on the sky; nothing else that is round and bright is taken for it."""

from pathlib import Path

import numpy as np
import pytest

from framecheck.read.exposure import Exposure, Frame
from framecheck.sky.moon import shows_the_moon

SCALE_ARCSEC = 6.0
MOON_PX = 31.1 * 60 / SCALE_ARCSEC
"""The Moon's mean diameter is 31.1 arcmin: from memory."""


def frame(diameter_px: float, *, scale: float | None = SCALE_ARCSEC, soft_px: float = 1.0, hole: float = 0.0) -> Frame:
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:600, :800]
    r = np.hypot(x - 410, y - 290)
    disc = 1 / (1 + np.exp(np.clip((r - diameter_px / 2) / soft_px, -50, 50)))
    disc *= r > hole * diameter_px / 2
    craters = 1 + 0.3 * np.repeat(np.repeat(rng.normal(size=(60, 80)), 10, 0), 10, 1)
    light = 500 + 20_000 * disc * np.clip(craters, 0.4, 1.6)
    pixels = rng.normal(light, np.sqrt(light)).clip(0, 65535).astype(np.uint16)
    exposure = Exposure(file=Path("a.fits"), kind="light", width_px=800, height_px=600, stated_scale_arcsec=scale)
    return Frame(exposure=exposure, pixels=pixels)


def test_the_full_moon_is_known() -> None:
    assert shows_the_moon(frame(MOON_PX))


@pytest.mark.parametrize(
    "other",
    [
        frame(MOON_PX / 2),  # a star out of focus
        frame(MOON_PX / 2, hole=0.4),
        frame(MOON_PX, scale=None),  # nobody knows how large it is
        frame(MOON_PX, soft_px=60),  # a nebula or glare, without an edge
        frame(2 * MOON_PX),  # hangs over the edges
        frame(0.0),
    ],
)
def test_nothing_else_is_taken_for_it(other: Frame) -> None:
    assert not shows_the_moon(other)
