"""The night explained: several beginnings, the modes that remain, and samples of them."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.model.solve import FLOORS, Mode, Spread, first_frames, solve, start, usual_spread
from framecheck.model.terms import AT, AT_FRAME, N_FRAME, N_KIND, N_SHARED, Numbers, Setting, FRAME

Floats = NDArray[np.float64]

MODES_WITHIN: Final = 12.0
"""Log evidence by which another explanation may be worse and still counts. Chosen."""

ROUND: Final = 1.0
"""Round part of the motion over its shape's scatter, at the least. [dimensionless] Chosen: motion along one axis only is
rare."""

COARSE: Final = 8
"""Frames that all beginnings are tried on. Chosen."""

CONTINUED: Final = 3
KEPT: Final = 2
"""Beginnings followed on, and on all frames. Chosen."""

BEGINNINGS: Final = (
    dict(focus=0.1, own_blur=1.5),
    dict(focus=0.1, bend=0.05, own_blur=0.3),
    dict(focus=0.6, bend=0.1),
    dict(focus=0.6, bend=-0.1),
    dict(focus=0.1, bend=0.5),
    dict(focus=0.1, tilt=0.5 + 0j),
    dict(focus=0.1, tilt=0.5j),
    dict(focus=0.2, pinch=0.6 + 0j),
    dict(focus=1.1),
    dict(focus=0.0, focus_1=0.8),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Explained:
    setting: Setting
    modes: tuple[Mode, ...]
    share: Floats
    spread: Spread


def explain(setting: Setting, temper: float = 1.0) -> Explained:
    spread = replace(usual_spread(), temper=temper)
    coarse = part_of(setting, COARSE)
    found = [solve(coarse, start(coarse, **begin), spread, rounds=5) for begin in BEGINNINGS]
    found = _distinct(sorted(found, key=lambda one: -one.log_evidence))[:CONTINUED]
    found = _by_evidence(solve(coarse, one.numbers, spread, rounds=12) for one in found)
    modes = [solve(setting, _begun(one, setting), spread, rounds=8) for one in _distinct(found)[:KEPT]]
    for _ in range(2):
        spread = learned(_by_evidence(modes)[0], setting, temper)
        modes = [solve(setting, one.numbers, spread, rounds=12) for one in modes]
    modes = _distinct(_by_evidence(modes))
    best = modes[0].log_evidence
    modes = [one for one in modes if one.log_evidence > best - MODES_WITHIN]
    share = np.exp(np.array([one.log_evidence - best for one in modes]))
    return Explained(setting=setting, modes=tuple(modes), share=share / share.sum(), spread=spread)


def _by_evidence(modes: Iterable[Mode]) -> list[Mode]:
    return sorted(modes, key=lambda one: -one.log_evidence)


def _begun(mode: Mode, setting: Setting) -> Numbers:
    return Numbers(shared=mode.numbers.shared, kind=mode.numbers.kind, frame=first_frames(setting))


def part_of(setting: Setting, most: int) -> Setting:
    """Every so many-th frame, of each kind some."""
    n = len(setting.kind)
    if n <= most:
        return setting
    rows = np.unique(np.concatenate([np.linspace(0, n - 1, most).astype(int), *(np.flatnonzero(setting.kind == k)[:1] for k in range(setting.n_kinds))]))
    z = setting.zones
    return replace(setting, zones=replace(z, frames=tuple(z.frames[k] for k in rows), place=z.place[rows], value=z.value[:, rows], weight=z.weight[:, rows]),
        kind=setting.kind[rows], course=setting.course[rows], ln_airmass=setting.ln_airmass[rows], temperature=setting.temperature[rows],
        inverse_beta=setting.inverse_beta[rows], inverse_beta_in_focus=setting.inverse_beta_in_focus[rows], turning=setting.turning[rows],
        turning_error=setting.turning_error[rows], line=setting.line[rows], line_known=setting.line_known[rows])


def _distinct(modes):
    out = []
    for one in modes:
        key = np.concatenate([np.abs(one.numbers.kind[:, 1]), np.abs(one.numbers.shared[AT["tilt"].start : AT["bend"].stop])])
        if not any(np.max(np.abs(key - other)) < 0.08 and abs(one.log_evidence - evidence) < 3 for other, evidence in ((np.concatenate([np.abs(o.numbers.kind[:, 1]), np.abs(o.numbers.shared[AT["tilt"].start : AT["bend"].stop])]), o.log_evidence) for o in out)):
            out.append(one)
    return out


def learned(mode: Mode, setting: Setting, temper: float) -> Spread:
    """Scatter of the frames' terms, and what zones show that is not explained."""
    frame = mode.numbers.frame
    variance = np.diagonal(mode.inverse, axis1=1, axis2=2)
    usual = usual_spread().frame
    sd = usual.copy()
    for name, least, most in (("air", 0.03, 0.25), ("motion", 0.01, 0.4), ("round_motion", 0.01, 0.4), ("comet", 0.003, 0.1)):
        at = AT_FRAME[name]
        seen = np.median(np.abs(frame[:, at])) ** 2 * 1.48**2 + np.mean(variance[:, at])
        n = len(frame)
        sd[at] = np.clip(np.sqrt((n * seen + 4 * usual[at].mean() ** 2) / (n + 4)), least, most)
    sd[AT_FRAME["round_motion"]] = max(sd[AT_FRAME["round_motion"]][0], ROUND * sd[AT_FRAME["motion"]][0])
    return Spread(frame=sd, floor=_floors(mode, setting), temper=temper)


def _floors(mode: Mode, setting: Setting) -> Floats:
    """Scatter to add to the zones' errors for the median residual to be what chance makes it."""
    from framecheck.model.solve import _data, _stacked
    plain = _data(setting, Spread(frame=mode.numbers.frame[0], floor=np.zeros(4), temper=1.0))
    left = plain.value - _stacked(mode.numbers, setting)[0]
    out = []
    for k, (columns, expected) in enumerate(zip(([0], [1, 2], [3, 4], [5, 6]), (0.455, 1.386, 1.386, 1.386))):
        there = plain.weight[..., columns[0]] > 0
        square = np.sum(left[..., columns] ** 2, -1)[there]
        variance = 1 / plain.weight[..., columns[0]][there]
        low, high = 0.0, float(np.median(square)) / expected
        for _ in range(25):
            mid = (low + high) / 2
            low, high = (mid, high) if np.median(square / (variance + mid)) > expected else (low, mid)
        out.append(max(np.sqrt(high), FLOORS[k] / 2))
    return np.array(out)


def samples(explained: Explained, n: int, seed: int = 0) -> Numbers:
    """Draws of all terms, n of them along the first axis."""
    chance = np.random.default_rng(seed)
    parts = []
    for mode, count in zip(explained.modes, np.round(explained.share * n).astype(int), strict=True):
        values, vectors = np.linalg.eigh((mode.covariance + mode.covariance.T) / 2)
        away = chance.standard_normal((count, len(values))) @ (vectors * np.sqrt(np.maximum(values, 0))).T
        root = np.linalg.cholesky(mode.inverse + 1e-14 * np.eye(N_FRAME))
        own = np.einsum("fij,sfj->sfi", root, chance.standard_normal((count, len(root), N_FRAME)))
        numbers = mode.numbers
        parts.append(Numbers(
            shared=numbers.shared + away[:, :N_SHARED],
            kind=numbers.kind + away[:, N_SHARED:].reshape(count, *numbers.kind.shape),
            frame=numbers.frame - np.einsum("fkp,sp->sfk", mode.carried, away) + own,
        ))  # fmt: skip
    return Numbers(
        shared=np.concatenate([one.shared for one in parts]), kind=np.concatenate([one.kind for one in parts]),
        frame=np.concatenate([one.frame for one in parts]),
    )  # fmt: skip
