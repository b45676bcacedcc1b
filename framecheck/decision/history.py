"""Months of nights: how sharp, how still and how much was kept, which causes came back, and whether it gets better."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import exp, log
from statistics import median
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import CLAIMED
from framecheck.decision.compare import same_rig
from framecheck.decision.estimate import USUAL_LEVEL, level_among
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.morning import Morning
from framecheck.decision.night_figures import zenith_fwhm
from framecheck.decision.past_night import RIG_FACTS, Fact, PastNight
from framecheck.robust import held_rms

Floats = NDArray[np.float64]

NIGHT_GAP: Final = timedelta(hours=6)
"""Pause after which frames belong to another night. Chosen: no day between two nights is shorter up to latitudes of
60 degrees, and few clouds stay as long within one night. Needs no knowledge of the place's noon."""

SPELL_DAYS: Final = 3.0
"""[day] Nights closer than this share their weather, and count as one where a trend is sought. Chosen: fronts pass
every few days."""

FEWEST_SPELLS: Final = 6
"""Spells of weather that a trend takes. Chosen: of five, even a perfect order comes by chance in 1 of 60 cases."""

COMES_BACK: Final = 3
"""Nights from which a cause is said to come back. Chosen: twice is chance."""

TrendVerdict = Literal["better", "worse", "no trend shown", "too few nights"]


@dataclass(frozen=True, kw_only=True, slots=True)
class NightSum:
    """One night of a rig, all its targets together; unknown is None."""

    start_utc: datetime
    end_utc: datetime
    by_utc: bool = True
    """False where both are by a camera's clock that does not name its zone."""
    targets: tuple[str, ...]
    n_frames: int
    n_kept: int
    taken_s: float
    kept_effective_s: float | None
    """What the kept frames add, in seconds of ideal frames of their night."""
    fwhm: float | None
    """Median of the largest groups' frames, in the rig's unit."""
    fwhm_quartiles: tuple[float, float] | None
    fwhm_at_zenith: float | None
    smear: float | None
    """Motion inside exposures: root mean square, in the rig's unit."""
    causes: tuple[str, ...]
    """Claimed ones, strongest first."""
    morning: Morning | None = None
    """Its answer in one look, as it was told then."""

    @property
    def kept_share(self) -> float:
        """Part of the frames that was kept."""
        return self.n_kept / self.n_frames


@dataclass(frozen=True, kw_only=True, slots=True)
class Trend:
    """A figure along the months."""

    key: str
    name: str
    unit: str
    """Of the slope: percent, or percentage points, in thirty days."""
    n_nights: int
    n_spells: int
    """Spells of weather that count, each nights close together."""
    slope: float | None
    """In thirty days."""
    low: float | None
    """Of the interval that holds the truth in 95 of 100 cases."""
    high: float | None
    verdict: TrendVerdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Returning:
    """A cause over the nights."""

    cause: str
    n_claimed: int
    n_nights: int
    share_low: float
    """Of the interval of its share of nights, 95 % (Clopper and Pearson)."""
    share_high: float
    last_utc: datetime
    n_since: int
    """Nights after the last that shows it."""
    comes_back: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class RigHistory:
    """All nights of one rig."""

    rig: dict[str, Fact]
    unit: str
    """Of lengths: arcsec, or px where a night knows no scale."""
    nights: tuple[NightSum, ...]
    """In order of time."""
    trends: tuple[Trend, ...]
    causes: tuple[Returning, ...]
    """Those met most often first."""


@dataclass(frozen=True, slots=True)
class _Taken:
    """A frame with what its judged night knows of it."""

    frame: FrameRow
    night: PastNight
    when: datetime
    fwhm: float | None
    at_zenith: float | None
    smear: float | None


def histories(nights: Sequence[PastNight]) -> tuple[RigHistory, ...]:
    """Put judged nights in order, by rig and night.

    Parameters
    ----------
    nights : sequence of PastNight
        Where two hold the same frames, those of the earlier in the sequence count: give the one judged last first.

    Returns
    -------
    tuple of RigHistory
        The rig with most nights first. Nights whose rig is not known well enough stand by themselves.
    """
    known = list(_once_each(nights))
    rigs: list[list[PastNight]] = []
    for night in sorted(known, key=_known_facts, reverse=True):
        home = next((rig for rig in rigs if same_rig(rig[0], night) or _as_unknown(rig[0], night)), None)
        if home is None:
            rigs.append([night])
        else:
            home.append(night)
    made = [one for one in map(_of_rig, rigs) if one.nights]
    return tuple(sorted(made, key=lambda one: -len(one.nights)))


def _known_facts(night: PastNight) -> int:
    return sum(value is not None for value in night.facts.values())


def _as_unknown(first: PastNight, second: PastNight) -> bool:
    """Whether nothing at all is known of either rig."""
    return _known_facts(first) == _known_facts(second) == 0


def _once_each(nights: Sequence[PastNight]) -> Iterator[PastNight]:
    """The nights without frames that an earlier one holds; one that shares most of its frames is left out."""
    seen: set[tuple[str, datetime]] = set()
    for night in nights:
        timed = [frame for frame in night.frames if frame.start is not None]
        marks = [(frame.file.rsplit("/", 1)[-1], frame.start) for frame in timed]
        new = [frame for frame, mark in zip(timed, marks, strict=True) if mark not in seen]
        seen.update((name, start) for name, start in marks if start is not None)
        if new and 2 * len(new) >= len(timed):
            yield replace(night, frames=tuple(new))


def _of_rig(nights: Sequence[PastNight]) -> RigHistory:
    in_arcsec = all(night.scale_arcsec is not None for night in nights)
    taken = sorted((one for night in nights for one in _taken(night, in_arcsec)), key=lambda one: one.when)
    sums = tuple(_sum(part) for part in _parted(taken))
    facts = {
        key: next((night.facts[key] for night in nights if night.facts[key] is not None), None) for key in RIG_FACTS
    }
    return RigHistory(
        rig=facts, unit="arcsec" if in_arcsec else "px", nights=sums, trends=_trends(sums), causes=_causes(sums)
    )


def _taken(night: PastNight, in_arcsec: bool) -> Iterator[_Taken]:
    factor = (night.scale_arcsec or 1.0) if in_arcsec else 1.0
    main = night.main.id if night.main is not None else None
    own = [frame for frame in night.main_frames if frame.fwhm_px is not None]
    zenith: dict[str, float] = {}
    if night.air_share is not None and own:
        widths = np.array([frame.fwhm_px for frame in own], dtype=float) * factor
        airmass = np.array([np.nan if frame.airmass is None else frame.airmass for frame in own])
        values = zenith_fwhm(widths, airmass, night.air_share)
        zenith = {frame.file: float(value) for frame, value in zip(own, values, strict=True) if np.isfinite(value)}
    for frame in night.frames:
        when = frame.start
        if when is None:
            continue
        mine = frame.group == main
        yield _Taken(
            frame=frame, night=night, when=when,
            fwhm=frame.fwhm_px * factor if mine and frame.fwhm_px is not None else None,
            at_zenith=zenith.get(frame.file) if mine else None,
            smear=frame.smear_px * factor if mine and frame.smear_px is not None else None,
        )  # fmt: skip


def _parted(taken: Sequence[_Taken]) -> Iterator[list[_Taken]]:
    """Nights: frames between long pauses."""
    part: list[_Taken] = []
    for one in taken:
        if part and one.when - part[-1].when > NIGHT_GAP:
            yield part
            part = []
        part.append(one)
    if part:
        yield part


def _sum(part: Sequence[_Taken]) -> NightSum:
    frames = [one.frame for one in part]
    kept = [frame for frame in frames if frame.grade == "keep"]
    gains = [frame.effective_exposure_s for frame in kept if frame.effective_exposure_s is not None]
    widths = [one.fwhm for one in part if one.fwhm is not None]
    at_zenith = [one.at_zenith for one in part if one.at_zenith is not None]
    smears = np.array([one.smear for one in part if one.smear is not None])
    judged = {id(one.night): one.night for one in part}
    named = sorted(
        (
            cause
            for night in judged.values()
            for cause in night.findings
            if cause.confidence >= CLAIMED and not (cause.cause in CAUSES and CAUSES[cause.cause].advice)
        ),
        key=lambda cause: -cause.confidence,
    )
    targets = [night.main.target for night in judged.values() if night.main is not None and night.main.target]
    return NightSum(
        start_utc=part[0].when,
        end_utc=part[-1].when + timedelta(seconds=part[-1].frame.exposure_s or 0.0),
        by_utc=part[0].frame.start_local is None,
        targets=tuple(dict.fromkeys(targets)),
        n_frames=len(frames), n_kept=len(kept),
        taken_s=sum(frame.exposure_s or 0.0 for frame in frames),
        kept_effective_s=sum(gains) if gains or not kept else None,
        fwhm=median(widths) if widths else None,
        fwhm_quartiles=(float(np.quantile(widths, 0.25)), float(np.quantile(widths, 0.75))) if widths else None,
        fwhm_at_zenith=median(at_zenith) if at_zenith else None,
        smear=held_rms(smears) if len(smears) else None,
        causes=tuple(dict.fromkeys(cause.cause for cause in named)),
        morning=next((night.morning for night in reversed(judged.values()) if night.morning is not None), None),
    )  # fmt: skip


_FIGURES: Final[tuple[tuple[str, str, Callable[[NightSum], float | None], bool, bool], ...]] = (
    ("fwhm_at_zenith", "FWHM, as at the zenith", lambda night: night.fwhm_at_zenith, True, False),
    ("smear", "motion inside an exposure", lambda night: night.smear, True, False),
    ("kept", "frames kept", lambda night: 100 * night.kept_share, False, True),
)
"""Key, name, value, whether it is told as a ratio, whether more is better."""


def _trends(nights: Sequence[NightSum]) -> tuple[Trend, ...]:
    level = level_among(len(_FIGURES))
    return tuple(_trend(nights, *figure, level) for figure in _FIGURES)


def _trend(
    nights: Sequence[NightSum], key: str, name: str, of: Callable[[NightSum], float | None], is_ratio: bool,
    more_is_better: bool, level: float,
) -> Trend:  # fmt: skip
    """Slope of Theil and Sen over spells of weather, with its interval from Kendall's test: no law of errors is needed.

    References
    ----------
    .. [1] P. K. Sen, 1968, J. Am. Stat. Assoc. 63, 1379.
    """
    known = [(night.start_utc.timestamp() / 86400, value) for night in nights if (value := of(night)) is not None]
    known = [(day, log(value) if is_ratio else value) for day, value in known if value > 0 or not is_ratio]
    spells = _spells(known)
    trend = Trend(
        key=key, name=name, unit="percent" if is_ratio else "points", n_nights=len(known), n_spells=len(spells),
        slope=None, low=None, high=None, verdict="too few nights",
    )  # fmt: skip
    if len(spells) < FEWEST_SPELLS:
        return trend
    slope, low, high = slope_with_bounds(spells, USUAL_LEVEL)
    _, sure_low, sure_high = slope_with_bounds(spells, level)
    rising, falling = sure_low > 0, sure_high < 0
    good, bad = (rising, falling) if more_is_better else (falling, rising)
    told = [100 * (exp(30 * one) - 1) if is_ratio else 30 * one for one in (slope, low, high)]
    verdict: TrendVerdict = "better" if good else "worse" if bad else "no trend shown"
    return replace(trend, slope=told[0], low=told[1], high=told[2], verdict=verdict)


def _spells(known: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Nights that follow each other closely as one point: their mean day and value."""
    parts: list[list[tuple[float, float]]] = []
    for day, value in known:
        if parts and day - parts[-1][0][0] < SPELL_DAYS:
            parts[-1].append((day, value))
        else:
            parts.append([(day, value)])
    return [(sum(d for d, _ in part) / len(part), sum(v for _, v in part) / len(part)) for part in parts]


def slope_with_bounds(points: Sequence[tuple[float, float]], level: float) -> tuple[float, float, float]:
    """Theil-Sen slope a day with the interval of a level."""
    from scipy.stats import theilslopes

    days, values = np.array(points).T
    slope, _, low, high = theilslopes(values, days - days[0], level)
    return float(slope), float(low), float(high)


def _causes(nights: Sequence[NightSum]) -> tuple[Returning, ...]:
    names = dict.fromkeys(cause for night in nights for cause in night.causes)
    out = []
    for name in names:
        with_it = [night for night in nights if name in night.causes]
        low, high = share_bounds(len(with_it), len(nights))
        out.append(
            Returning(
                cause=name, n_claimed=len(with_it), n_nights=len(nights), share_low=low, share_high=high,
                last_utc=with_it[-1].start_utc,
                n_since=sum(night.start_utc > with_it[-1].start_utc for night in nights),
                comes_back=len(with_it) >= COMES_BACK,
            )
        )  # fmt: skip
    return tuple(sorted(out, key=lambda one: (-one.n_claimed, one.cause)))


def share_bounds(n: int, of: int) -> tuple[float, float]:
    """Interval of a share seen `n` times in `of`, 95 % (C. J. Clopper and E. S. Pearson, 1934, Biometrika 26, 404)."""
    from scipy.special import betaincinv

    low = 0.0 if n == 0 else float(betaincinv(n, of - n + 1, 0.025))
    high = 1.0 if n == of else float(betaincinv(n + 1, of - n, 0.975))
    return low, high
