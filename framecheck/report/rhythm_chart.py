"""The rhythm of a mount: how far its period stands out of all others, and the motion laid over itself."""

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.course import Wave
from framecheck.motion.periodogram import FALSE_ALARM, Spectrum
from framecheck.report.chart import Chart, plotted
from framecheck.report.drawing import INK, KEEP, QUIET, REJECT, TEXT_PX
from framecheck.words import counted, number, rare, short_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

_MARKS_S: Final = (10, 20, 30, 60, 120, 240, 480, 900, 1800, 3600, 7200, 14400)
"""[s] Periods marked on the axis."""


def rhythm_charts(wave: Wave) -> list[Chart]:
    """Both pictures of a period that is claimed."""
    spectrum = wave.rhythm.spectrum
    return ([] if spectrum is None else [_spectrum_chart(wave, spectrum)]) + [_folded_chart(wave)]


def _after(unit: str) -> str:
    """A unit behind its number."""
    return short_unit(unit) if unit == "arcsec" else f" {unit}"


def _found(wave: Wave) -> str:
    """The period in one sentence."""
    rhythm = wave.rhythm
    swing = "" if wave.peak_to_peak is None else f" of {number(wave.peak_to_peak, 2)}{_after(wave.unit)} peak to peak"
    what = "A wave" if wave.rhythm.amplitude_px is not None else "A wave in the smear"
    return f"{what}{swing} with a period of {number(rhythm.period_s, 4)} ± {number(rhythm.period_error_s, 2)} s."


def _spectrum_chart(wave: Wave, spectrum: Spectrum) -> Chart:
    """How much better a wave of each period explains the motion than none, with the line that noise seldom passes."""
    rhythm, period = wave.rhythm, spectrum.period_s
    chance = rare(rhythm.false_alarm_probability)

    def draw(axes: "Axes") -> None:
        from matplotlib.ticker import NullLocator

        axes.set_xscale("log")
        axes.set_xlim(float(period.min()), float(period.max()))
        marks = [mark for mark in _MARKS_S if period.min() <= mark <= period.max()]
        axes.set_xticks(marks, [str(mark) for mark in marks])
        axes.xaxis.set_minor_locator(NullLocator())
        axes.set_ylim(0, 1.15 * max(float(spectrum.gain.max()), spectrum.gain_by_chance))
        axes.fill_between(period, 0, np.maximum(spectrum.gain, 0), color=KEEP, alpha=0.25, linewidth=0)
        axes.plot(period, np.maximum(spectrum.gain, 0), color=KEEP, linewidth=1.4)
        axes.axhline(spectrum.gain_by_chance, color=REJECT, linewidth=1.3, linestyle=(0, (5, 3)))
        axes.annotate(
            "noise in one night of 200", (1, spectrum.gain_by_chance), xycoords=("axes fraction", "data"),
            xytext=(-2, 4), textcoords="offset points", ha="right", color=INK, fontsize=TEXT_PX,
        )  # fmt: skip

    return Chart(
        name="periods",
        title="Periods tried",
        caption=(
            f"Height: how much better a wave of that period explains the motion than none (log-likelihood). "
            f"Below the dashed line it is noise or wandering. {_found(wave)} The chance that "
            f"noise or wandering shows one as strong is {chance}."
        ),
        drawing=plotted(
            "periods", "Periodogram of the motion", _spectrum_text(wave, spectrum), draw, x="period, s",
            y="gain, log-likelihood",
        ),
    )  # fmt: skip


def _spectrum_text(wave: Wave, spectrum: Spectrum) -> str:
    tried, gain = spectrum.period_s, float(spectrum.gain.max())
    return (
        f"{counted(len(tried), 'period')} tried, {number(float(tried.min()), 2)} to {number(float(tried.max()), 2)} s. "
        f"The best, {number(wave.rhythm.period_s, 4)} s, gains {number(gain, 2)} in log-likelihood; noise reaches "
        f"{number(spectrum.gain_by_chance, 2)} in one night of {1 / FALSE_ALARM:.0f}."
    )


def _folded_chart(wave: Wave) -> Chart:
    """Positions, or smears, set side by side by their place in the period."""
    rhythm, value = wave.rhythm, wave.value
    known = np.isfinite(wave.minutes) & np.isfinite(value)
    phase, value = wave.minutes[known] * 60 / rhythm.period_s % 1, value[known]
    curve_at = np.linspace(0, 2, 121)
    curve = _harmonics(curve_at) @ np.linalg.lstsq(_harmonics(phase), value, rcond=None)[0]

    def draw(axes: "Axes") -> None:
        axes.plot(curve_at, curve, color=QUIET, linewidth=1.5)
        for turn, filled in ((0, True), (1, False)):
            axes.plot(
                phase + turn, value, linestyle="none", marker="o", markersize=4, markeredgecolor=KEEP,
                markerfacecolor=KEEP if filled else "none",
            )  # fmt: skip
        axes.set_xlim(0, 2)

    return Chart(
        name="rhythm",
        title="Tracking error folded on its period",
        caption=(
            f"{_found(wave)} Dots: measured; line: the periodic part. A level row is what you want. Open dots repeat "
            "the first turn."
        ),
        drawing=plotted(
            "rhythm", "Motion folded with the period",
            f"{_found(wave)} {counted(len(value), 'frame')}, {wave.name}, from {number(float(value.min()), 2)} to "
            f"{number(float(value.max()), 2)} {wave.unit}.",
            draw, x=f"turns of {number(rhythm.period_s, 4)} s", y=f"{wave.name}, {short_unit(wave.unit)}",
        ),
    )  # fmt: skip


def _harmonics(at: Floats) -> Floats:
    turn = 2 * np.pi * at
    out: Floats = np.stack([np.ones_like(at), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], axis=-1)
    return out
