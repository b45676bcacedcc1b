"""Draw the table of `framecheck.model.responses` again: stars of the simulator, measured by our own rooms, and the fit.

    PYTHONPATH=.:tests/rendered python tests/calibration/draw_responses.py

writes `framecheck/model/responses.csv` and tells how far stars that were held back differ from it: 10,800 stars, some
ten minutes of two cores. GalSim's stars are the check from outside (`tests/rendered/test_responses.py`).
"""

import argparse
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from math import log, sqrt
from pathlib import Path
from typing import Any

import numpy as np
from lone_stars import measure_alike
from numpy.typing import NDArray
from scipy import fft
from scipy.optimize import least_squares

from framecheck.constants import AIRY_FWHM_LAMBDA_OVER_D, FWHM_PER_SIGMA
from framecheck.model import responses
from framecheck.model.responses import DRAWN_OBSTRUCTION, MISFIT, Distorted, disc_functions, disc_laws, round_functions
from framecheck.simulate.air import air_transfer
from framecheck.simulate.optics import Aberrations, Grid, optical_transfer
from framecheck.simulate.scenario import Camera, Scenario, SceneOptics

F64 = NDArray[np.float64]
TABLE = Path(responses.__file__).with_name("responses.csv")
WAVELENGTH_NM, PIXEL_UM, FOCAL_MM = 550.0, 4.0, 1000.0
OBSTRUCTIONS = (0.0, 0.0, 0.2, 0.35, 0.35, DRAWN_OBSTRUCTION)
NARROWEST_PX, WIDEST_PX = 2.5, 6.0
MOST_SQUARED = 3.0  # squared width of the aberrations over the round star's
HELD_BACK = 0.2
ROBUST = 4.0  # typical misfits from which on a star counts less
FROM_THE_END = 1.2  # times the least 1 / beta of the fits: so little counts as that
RIDGE = 1e-4  # of the mean square of a term: coefficients that stars do not tell stay small


@dataclass(frozen=True, slots=True)
class Drawn:
    """Stars drawn: what made them, and what was measured. Arrays over stars."""

    air: F64
    diffraction: F64
    gaussian: F64
    obstruction: F64
    focus: F64
    astigmatism: NDArray[np.complex128]
    coma: NDArray[np.complex128]
    pinch: NDArray[np.complex128]
    size: F64
    shape: NDArray[np.complex128]
    comet: NDArray[np.complex128]
    lobes: NDArray[np.complex128]
    wing: F64

    def part(self, some: NDArray[np.bool_]) -> "Drawn":
        return Drawn(*(getattr(self, name)[some] for name in self.__slots__))

    @property
    def base(self) -> F64:
        return self.air**2 + self.diffraction**2 + self.gaussian**2

    @property
    def rounds(self) -> tuple[F64, F64, F64]:
        """Shares of diffraction and Gaussian blur, and the obstruction's area over the largest drawn."""
        hole = (self.obstruction / DRAWN_OBSTRUCTION) ** 2
        return self.diffraction**2 / self.base, self.gaussian**2 / self.base, hole

    @property
    def distortion(self) -> F64:
        squares = self.focus**2 + sum(np.abs(v) ** 2 for v in (self.astigmatism, self.coma, self.pinch))
        return squares / self.base


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stars", type=int, default=900, help="of each seed; some hundred at the least")
    parser.add_argument("--seeds", type=int, nargs="+", default=[*range(100, 112)])
    parser.add_argument("--out", type=Path, default=TABLE)
    asked = parser.parse_args()
    with ProcessPoolExecutor() as workers:
        rows = [row for some in workers.map(stars_of, asked.seeds, [asked.stars] * len(asked.seeds)) for row in some]
    drawn = Drawn(*(np.array(column) for column in zip(*rows, strict=True)))
    held = np.random.default_rng(5).random(len(drawn.air)) < HELD_BACK
    table = fitted(drawn.part(~held))
    lines = [",".join([name, *(f"{c:.5g}" for c in row)]) for name, values in table.items() for row in values]
    asked.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    tell_misfit(drawn.part(held), asked.out)


def stars_of(seed: int, n: int) -> list[tuple[Any, ...]]:
    """So many stars, but for those that the rooms do not find."""
    chance = np.random.default_rng(seed)
    return [row for i in range(n) if (row := one_star(chance, i)) is not None]


def one_star(chance: np.random.Generator, number: int) -> tuple[Any, ...] | None:
    """Draw and measure a star of a chosen kind and random strength; None if the rooms do not find it."""
    width = np.exp(chance.uniform(log(NARROWEST_PX), log(WIDEST_PX)))
    sharp = np.exp(chance.uniform(log(0.015), log(0.55)))
    gaussian = (1 - sharp) * chance.uniform(0, 0.75) * (chance.random() < 0.5)
    round_px = width * np.sqrt([1 - sharp - gaussian, sharp, gaussian])
    hole = float(chance.choice(OBSTRUCTIONS))
    kinds = ("", "z", "z", "za", "za", "zc", "c", "zp", "p", "zacp", "zacp", "zacp")
    kind = kinds[number % len(kinds)]
    shares = chance.dirichlet([0.7] * len(kind)) if kind else np.empty(0)
    strength = width * np.sqrt(MOST_SQUARED * chance.random() ** 1.3 * shares)
    by_kind = {letter: s * np.exp(2j * np.pi * chance.random()) for letter, s in zip(kind, strength, strict=True)}
    focus = abs(by_kind.get("z", 0.0))
    astigmatism, coma, pinch = (complex(by_kind.get(letter, 0.0)) for letter in "acp")
    star, per_px = drawn_star(*map(float, round_px), hole, float(focus), astigmatism, coma, pinch)
    seen = measure_alike(star, per_px, all_directions=True, seed=number)
    if seen is None:
        return None
    measured = seen.size_px2, seen.shape_px2, seen.comet, seen.lobes, seen.inverse_beta
    return (*round_px, hole, focus, astigmatism, coma, pinch, *measured)


def drawn_star(
    air: float, diffraction: float, gaussian: float, hole: float,
    focus: float, astigmatism: complex, coma: complex, pinch: complex,
) -> tuple[NDArray[np.float32], int]:  # fmt: skip
    """The star as `measure_alike` takes it. Widths and aberrations as `respond` takes them, but not squared. [px]"""
    ratio = diffraction / AIRY_FWHM_LAMBDA_OVER_D * PIXEL_UM / (WAVELENGTH_NM * 1e-3)
    aberrated = sqrt(focus**2 + abs(astigmatism) ** 2 + abs(coma) ** 2 + abs(pinch) ** 2)
    reach = 7.5 * sqrt(air**2 + diffraction**2 + gaussian**2) + 8.5 * aberrated
    per_px = max(6, 2 * int(np.ceil(PIXEL_UM / (ratio * WAVELENGTH_NM * 1e-3) + 0.25)))
    grid = Grid(stamp_px=int(np.clip(16 * np.ceil(reach / 16), 64, 160)), oversampling=per_px)
    glass = SceneOptics(
        focal_length_mm=FOCAL_MM, aperture_mm=FOCAL_MM / ratio, obstruction=hole, wavelength_nm=WAVELENGTH_NM
    )
    # Slopes of Noll's terms at the edge of the aperture, and the spot's rms along one axis over them: geometry
    to_slope_nm = PIXEL_UM * 1e3 / (2 * ratio) / FWHM_PER_SIGMA
    second = sqrt((1 + hole**2) / 4)

    def pair(value: complex, edge: float) -> tuple[float, float]:
        return float(value.real * to_slope_nm / edge), float(value.imag * to_slope_nm / edge)

    wave = Aberrations(
        defocus=focus * to_slope_nm / (4 * sqrt(3) * second),
        astigmatism=pair(astigmatism, 2 * sqrt(6) * second),
        coma=pair(coma, 3 * sqrt(8) * sqrt((2 - hole**2 + 2 * hole**4) / 6)),
        trefoil=pair(pinch, 3 * sqrt(8) * sqrt((1 + hole**2 + hole**4) / 6)),
    )
    transfer = optical_transfer(Scenario(optics=glass, camera=Camera(pixel_um=PIXEL_UM)), grid, wave)
    along_y, along_x = grid.frequencies()
    frequency = np.hypot(along_y, along_x)
    transfer = transfer * air_transfer(frequency, air) * np.sinc(along_x) * np.sinc(along_y)
    transfer *= np.exp(-2 * (np.pi * frequency * gaussian / FWHM_PER_SIGMA) ** 2)
    samples = fft.fftshift(fft.irfft2(transfer, s=(grid.size, grid.size))) * per_px**2
    return np.pad(samples, (0, 1), mode="wrap").astype(np.float32), per_px


def fitted(drawn: Drawn) -> dict[str, F64]:
    """Coefficients of each quantity: the round star first, then the disc, then all else."""
    in_focus = drawn.distortion < 1e-9
    still = drawn.part(in_focus)
    functions = round_functions(*still.rounds)
    table = {"round": np.array([
        solved(functions.T, still.size / still.base, np.ones(len(still.air)), ridge=0.0),
        solved(functions.T, still.wing, np.ones(len(still.air)), ridge=0.0),
    ])}  # fmt: skip
    others = np.abs(drawn.astigmatism) + np.abs(drawn.coma) + np.abs(drawn.pinch)
    table["disc"] = _fitted_disc(drawn.part((others == 0) & ~in_focus), table["round"])
    star, functions, size, wing, logarithms = _over_round(drawn, table["round"])
    growth, narrowing = disc_laws(table["disc"] @ logarithms, star.squares[0])
    y = 1 + star.distortion

    def rows(terms: Any, target: NDArray[Any], weight: F64) -> F64:
        columns = np.concatenate([functions.T * term[:, None] for term in terms], axis=1)
        return solved(columns, target, weight).reshape(-1, len(functions))

    by_size = 1 / (1 + star.distortion**2 / 2) / np.maximum(drawn.size / size, 0.5)
    round_terms = star.round_terms()
    table["size"] = rows(round_terms, drawn.size / size - 1 - star.squares[0] * growth, by_size)
    table["wing"] = _fitted_wing(rows, round_terms / y, wing * narrowing, drawn.wing, functions, 1 / y)
    table["shape"] = rows(_flat(star.shape_terms()), drawn.shape / size, by_size)
    table["comet"] = rows(_flat(star.comet_terms()), drawn.comet, 1 / y)
    table["lobes"] = rows(_flat(star.lobes_terms()), drawn.lobes, 1 / y)
    return table


def _fitted_wing(
    rows: Callable[[Any, NDArray[Any], F64], F64], terms: F64, narrowed: F64, seen: F64, functions: F64, weight: F64
) -> F64:
    """1 / beta beyond that of the disc. Fits of stars end at its least value, below which the law may say anything."""
    target = seen - narrowed
    for _ in range(5):
        table = rows(terms, target, weight)
        law = np.einsum("tn,tf,fn->n", terms, table, functions)
        at_end = seen < FROM_THE_END * responses.LEAST_WING
        target = np.where(at_end, np.minimum(law, responses.LEAST_WING - narrowed), seen - narrowed)
    return table


def _fitted_disc(drawn: Drawn, in_focus: F64) -> F64:
    """Parameters of the laws of a disc, by least squares of size and 1 / beta in turn."""
    star, _, size, wing, logarithms = _over_round(drawn, in_focus)
    square = star.squares[0]

    def off_size(p: F64) -> F64:
        table = np.concatenate([p.reshape(3, -1), np.zeros((2, len(logarithms)))])
        return ((1 + square * disc_laws(table @ logarithms, square)[0]) / (drawn.size / size) - 1) / 0.02

    def off_wing(p: F64) -> F64:
        table = np.concatenate([np.zeros((3, len(logarithms))), p.reshape(2, -1)])
        return (np.maximum(wing * disc_laws(table @ logarithms, square)[1], responses.LEAST_WING) - drawn.wing) / 0.02

    first, second = np.zeros((3, len(logarithms))), np.zeros((2, len(logarithms)))
    second[0, 0] = -2
    by_size = least_squares(off_size, first.ravel(), loss="soft_l1").x.reshape(3, -1)
    by_wing = least_squares(off_wing, second.ravel(), loss="soft_l1", max_nfev=300).x.reshape(2, -1)
    return np.concatenate([by_size, by_wing])


def _over_round(drawn: Drawn, in_focus: F64) -> tuple[Distorted, F64, F64, F64, F64]:
    """Aberrations over the round star, the functions they are multiplied by, and the round star's size and 1 / beta."""
    part, gaussian, hole = drawn.rounds
    grown, wing = in_focus @ round_functions(part, gaussian, hole)
    size = drawn.base * grown
    width, sharpness = np.sqrt(size), np.sqrt(part / grown)
    star = Distorted.of(*(v / width for v in (drawn.focus, drawn.astigmatism, drawn.coma, drawn.pinch)))
    functions = star.functions(sharpness, gaussian, hole)
    return star, functions, size, wing, disc_functions(sharpness, gaussian, hole)


def _flat(terms: list[tuple[Any, list[F64]]]) -> list[Any]:
    return [value for term, own in terms for value in (term, *(term * more for more in own))]


def solved(columns: NDArray[Any], target: NDArray[Any], weight: F64, ridge: float = RIDGE) -> F64:
    """Real coefficients by least squares, real and imaginary parts alike; stars far off count less."""
    robust = np.ones(len(weight))
    for _ in range(4):
        a, b = columns * (weight * robust)[:, None], target * weight * robust
        if np.iscomplexobj(columns):
            a, b = np.concatenate([a.real, a.imag]), np.concatenate([b.real, b.imag])
        scale = np.sqrt(np.mean(a**2, axis=0)) + 1e-12
        a = a / scale
        out = np.linalg.solve(a.T @ a + ridge * len(a) * np.eye(a.shape[1]), a.T @ b) / scale
        off = np.abs(columns @ out - target) * weight
        cut = ROBUST * 1.48 * np.median(off[off > 1e-9])
        robust = np.sqrt(np.minimum(1, cut / np.maximum(off, 1e-12)))
    return out


def tell_misfit(held: Drawn, table: Path) -> None:
    """Print how far stars held back are from the laws, beside what `misfit` says."""
    if table != TABLE:
        return
    responses._tables.cache_clear()
    seen: dict[str, list[F64]] = {name: [] for name in MISFIT}
    groups = [held.part(held.obstruction == hole) for hole in sorted(set(OBSTRUCTIONS))]
    for group in groups:
        law = responses.respond(
            group.base, group.diffraction**2, group.focus, group.astigmatism, group.coma, group.pinch,
            air_share=group.air**2 / group.base, obstruction=float(group.obstruction[0]),
        )  # fmt: skip
        seen["size"].append(law.size_px2 / group.size - 1)
        seen["shape"].append(np.abs(law.shape_px2 - group.shape) / group.size)
        seen["comet"].append(np.abs(law.comet - group.comet))
        seen["lobes"].append(np.abs(law.lobes - group.lobes))
        seen["wing"].append(law.inverse_beta - group.wing)
    distortion = np.concatenate([group.distortion for group in groups])
    print("distortion   stars  " + "  ".join(f"{name:>16}" for name in seen))  # noqa: T201
    edges = (-1e-9, 1e-9, 0.3, 0.7, 1.2, 2.0, 3.0)
    for low, high in pairwise(edges):
        here = (distortion > low) & (distortion <= high)
        cells = []
        for name, parts in seen.items():
            said = _rms(responses.misfit(name, distortion[here]))
            cells.append(f"{_rms(np.concatenate(parts)[here]):7.4f} ({said:.4f})")
        print(f"to {high:8.1f} {here.sum():7d}  " + "  ".join(f"{cell:>16}" for cell in cells))  # noqa: T201


def _rms(values: F64) -> float:
    return float(np.sqrt(np.mean(values**2)))


if __name__ == "__main__":
    main()
