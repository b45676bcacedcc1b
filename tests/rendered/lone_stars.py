"""A star drawn finely, laid out in a frame some times over and measured as any frame is: what the rooms make of it."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from framecheck.model.responses import Response
from framecheck.read.exposure import Exposure, Frame
from framecheck.sky.model import Sky
from framecheck.stars.measure import measure_stars

ACROSS = 4  # stars in a row, and rows
FLUX_ADU = 1e5
TRUE_SNR = 3000.0
TOLD_SNR = 300.0  # together as telling as 350 stars of SNR 65, and nearly without noise
APART = 20  # lengths of a star: stars that stand apart by less count as crowded


def measure_alike(star: NDArray[np.float32], per_px: int, *, all_directions: bool, seed: int = 1) -> Response | None:
    """Measure a star.

    Parameters
    ----------
    star : ndarray, shape (n per_px + 1, n per_px + 1)
        Light of a whole pixel around each sample, flux 1; the star's middle is the middle sample.
    per_px : int
        Samples a pixel.
    all_directions : bool
        Whether the frame's stars are turned by quarters, as optics draw the stars of a field into all directions; they
        are turned back afterwards. Motion draws all stars into one.

    Returns
    -------
    Response or None
        Single numbers, medians of the stars; None if they are not all found.
    """
    chance = np.random.default_rng(seed)
    side, n = (len(star) - 1) // per_px, ACROSS**2
    quarters = np.arange(n) % 4 if all_directions else np.zeros(n, int)
    inside = star > star.max() / 2
    length = max(inside.any(axis=0).sum(), inside.any(axis=1).sum()) / per_px
    pitch = max(side + 8, int(APART * length))
    pixels = np.full((ACROSS * pitch, ACROSS * pitch), 1000, np.float32)
    x, y = np.empty(n), np.empty(n)
    for i in range(n):
        dx, dy = chance.integers(0, per_px, 2)
        margin = (pitch - side) // 2
        left, top = (i % ACROSS) * pitch + margin, (i // ACROSS) * pitch + margin
        turned = np.rot90(star, -quarters[i])[dy:-1:per_px, dx:-1:per_px]  # numpy's rows run along +y
        pixels[top : top + side, left : left + side] += np.float32(FLUX_ADU) * turned
        x[i], y[i] = left + side / 2 - dx / per_px, top + side / 2 - dy / per_px
    light = FLUX_ADU * float(np.sqrt((star[::per_px, ::per_px] ** 2).sum()))
    pixels += np.float32(light / TRUE_SNR) * chance.standard_normal(pixels.shape, dtype=np.float32)
    frame, sky = _frame(pixels, light / TOLD_SNR)
    found = measure_stars(frame, sky, saturation_adu=1e9, gain=1e6)
    table = found.stars.table
    if found.beta is None or len(table) < n - 2:
        return None
    nearest = np.hypot(table["x"][:, None] - x, table["y"][:, None] - y).argmin(axis=1)
    turn = 1j ** quarters[nearest]
    e = (table["e1"] + 1j * table["e2"]) / turn**2
    square, length = table["fwhm_px"].astype(float) ** 2, np.maximum(np.abs(e), 1e-9)
    return Response(
        size_px2=np.median(square * np.cosh(length)),
        shape_px2=_median(square * np.sinh(length) / length * e),
        comet=_median((table["coma1"] + 1j * table["coma2"]) / turn),
        lobes=_median((table["trefoil1"] + 1j * table["trefoil2"]) / turn**3),
        inverse_beta=np.float64(1 / found.beta),
    )


def _median(values: NDArray[np.complexfloating]) -> np.complex128:
    return np.complex128(np.median(values.real) + 1j * np.median(values.imag))


def _frame(pixels: NDArray[np.float32], noise_adu: float) -> tuple[Frame, Sky]:
    height, width = pixels.shape
    sky = Sky(
        level_adu=np.full((2, 2), 1000, np.float32),
        noise_adu=np.full((2, 2), noise_adu, np.float32),
        x_centres=np.array([0.25, 0.75], np.float32) * width,
        y_centres=np.array([0.25, 0.75], np.float32) * height,
        shape=(height, width),
    )
    exposure = Exposure(file=Path("stars"), kind="light", width_px=width, height_px=height)
    return Frame(exposure=exposure, pixels=pixels), sky
