"""Pictures of the mount: where the pointing went, its rhythm, and the line that each exposure drew."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.judgement import Judgement
from framecheck.night.records import Group, Motion
from framecheck.night.rhythm import Rhythm
from framecheck.night.tracking import Smears, Tracking
from framecheck.read.exposure import Orientation
from framecheck.report.chart import Chart, plotted
from framecheck.report.drawing import DOUBTFUL, INK, KEEP, LINE, QUIET
from framecheck.report.words import counted, duration, number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]

_FEWEST: Final = 3
"""Frames below which a curve says nothing."""
_HIDDEN: Final = 1e-4
"""Chosen: false-alarm chances below it are told as "below"."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Course:
    """Where the pointing of one group went, dithers and flips taken out, from its first frame."""

    frames: tuple[int, ...]
    """Indices in `Night.frames`."""
    minutes: Floats
    first: Floats
    """Towards the east, or of the stars along x where the axes are not known."""
    second: Floats
    """Towards the north, or of the stars along y."""
    drift: tuple[float, float]
    """Of the two, a minute."""
    names: tuple[str, str]
    unit: str


def main_group(judgement: Judgement) -> Group | None:
    """The group with most frames: what the pictures of the mount show."""
    return max(judgement.night.groups, key=lambda group: len(group.members), default=None)


def course_of(motion: Motion, tracking: Tracking | None) -> Course | None:
    """Drift and what remains about it, added up again; None with too few frames."""
    drift_x, drift_y = motion.drift_x_px_per_min, motion.drift_y_px_per_min
    if len(motion.minutes) < _FEWEST or drift_x is None or drift_y is None:
        return None
    minutes = np.array(motion.minutes)
    x, y = np.array(motion.residual_x_px), np.array(motion.residual_y_px)
    orientation = None if tracking is None or tracking.axes is None else tracking.axes.orientation
    names, unit = ("stars along x", "stars along y"), "px"
    if orientation is not None:
        x, y = _on_sky(orientation, x, y)
        drift_x, drift_y = (float(drift) for drift in _on_sky(orientation, drift_x, drift_y))
        names, unit = ("right ascension", "declination"), "arcsec"
    first, second = x + drift_x * minutes, y + drift_y * minutes
    return Course(
        frames=motion.frames, minutes=minutes, first=first - first[0], second=second - second[0],
        drift=(float(drift_x), float(drift_y)), names=names, unit=unit,
    )  # fmt: skip


def _on_sky(orientation: Orientation, x: "float | Floats", y: "float | Floats") -> "tuple[Floats, Floats]":
    """Motion of the pointing to the east and north from that of the stars over the sensor: they go the other way."""
    north, hand = np.radians(orientation.north_up_deg), 1.0 if orientation.mirrored else -1.0
    east = np.asarray(y * np.sin(north) + hand * x * np.cos(north))
    up = np.asarray(y * np.cos(north) - hand * x * np.sin(north))
    return -orientation.pixel_scale_arcsec * east, -orientation.pixel_scale_arcsec * up


def motion_charts(judgement: Judgement) -> list[Chart]:
    """Pointing along the night, the folded rhythm where one is claimed, and the smear of each frame."""
    group = main_group(judgement)
    if group is None:
        return []
    tracking, motion = judgement.night.tracking.get(group.id), judgement.night.motion.get(group.id)
    course = None if motion is None else course_of(motion, tracking)
    charts = []
    if course is not None:
        charts.append(_course_chart(course, scattered=motion is not None and motion.dithered and not motion.jumps))
    if tracking is not None and motion is not None and tracking.rhythm is not None:
        charts.append(_folded_chart(motion, tracking, tracking.rhythm, judgement.tracking.periodic_peak_to_peak_arcsec))
    if tracking is not None and len(tracking.smears.frames) >= _FEWEST:
        charts.append(_smear_chart(tracking.smears, judgement.night.rig.pixel_scale_arcsec))
    return charts


def _course_chart(course: Course, *, scattered: bool) -> Chart:
    """`scattered`: the pointing was moved on purpose before so many frames that the steps could not be taken out."""
    spans = [float(np.ptp(values)) for values in (course.first, course.second)]
    told = [
        f"{name} spans {number(span, 2)} {course.unit} and drifts by {number(drift, 2)} {course.unit} a minute"
        for name, span, drift in zip(course.names, spans, course.drift, strict=True)
    ]
    text = f"Of {counted(len(course.minutes), 'frame')} over {duration(60 * float(np.ptp(course.minutes)))}: "

    def draw(axes: "Axes") -> None:
        looks = ((course.first, KEEP, "o", "-"), (course.second, DOUBTFUL, "s", (0, (5, 2))))
        for (values, colour, marker, dashes), name in zip(looks, course.names, strict=True):
            axes.plot(
                course.minutes, values, color=colour, linestyle=dashes, linewidth=1, marker=marker, markersize=4,
                markerfacecolor=colour if marker == "o" else "none", markeredgecolor=colour, label=name,
            )  # fmt: skip
        _legend(axes)

    what = "pointing" if course.unit == "arcsec" else "field"
    return Chart(
        name="course",
        title=f"Where the {what} went",
        caption=(
            "The frames were dithered all the time: steps between frames are meant. A slope through them is drift; "
            "none is what you want."
            if scattered
            else "Dithers and flips are taken out. Two level lines are what you want; a slope is drift, "
            "a wave is the drive's gear, a step a slip or a knock."
        ),
        drawing=plotted(
            "course", f"Motion of the {what} over the night", text + "; ".join(told) + ".", draw,
            x="minutes after the first frame", y=f"moved, {course.unit}",
        ),
    )  # fmt: skip


def _folded_chart(motion: Motion, tracking: Tracking, rhythm: Rhythm, swing_arcsec: float | None) -> Chart:
    """Positions along right ascension set side by side by their place in the period."""
    minutes = np.array(motion.minutes)
    x, y = np.array(motion.residual_x_px), np.array(motion.residual_y_px)
    orientation = None if tracking.axes is None else tracking.axes.orientation
    if orientation is not None:
        value, unit, name = _on_sky(orientation, x, y)[0], "arcsec", "right ascension"
    else:
        angle = 0.5 * np.arctan2(2 * np.mean(x * y), np.mean(x**2) - np.mean(y**2))
        value, unit, name = x * np.cos(angle) + y * np.sin(angle), "px", "main direction"
    phase = minutes * 60 / rhythm.period_s % 1
    curve_at = np.linspace(0, 2, 121)
    curve = _harmonics(curve_at) @ np.linalg.lstsq(_harmonics(phase), value, rcond=None)[0]

    def draw(axes: "Axes") -> None:
        axes.axhline(0, color=QUIET, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.plot(curve_at, curve, color=QUIET, linewidth=1.5)
        for turn, filled in ((0, True), (1, False)):
            axes.plot(
                phase + turn, value, linestyle="none", marker="o", markersize=4, markeredgecolor=KEEP,
                markerfacecolor=KEEP if filled else "none",
            )  # fmt: skip
        axes.set_xlim(0, 2)

    chance = rhythm.false_alarm_probability
    sure = "below 0.01 %" if chance < _HIDDEN else f"{number(100 * chance, 2)} %"
    swing = "" if swing_arcsec is None else f" of {number(swing_arcsec, 2)} arcsec peak to peak"
    found = (
        f"A wave{swing} with a period of {number(rhythm.period_s, 4)} ± {number(rhythm.period_error_s, 2)} s. "
        f"The chance that noise or wandering shows one as strong is {sure}."
    )
    return Chart(
        name="rhythm",
        title="The rhythm, laid over itself",
        caption=f"{found} A level row of points is what you want. Open marks repeat the filled ones.",
        drawing=plotted(
            "rhythm", "Positions folded with the period", f"{found} {counted(len(value), 'frame')} along the {name}.",
            draw, x=f"turns of {number(rhythm.period_s, 4)} s", y=f"{name}, {unit}",
        ),
    )  # fmt: skip


def _harmonics(at: Floats) -> Floats:
    turn = 2 * np.pi * at
    out: Floats = np.stack([np.ones_like(at), np.cos(turn), np.sin(turn), np.cos(2 * turn), np.sin(2 * turn)], axis=-1)
    return out


def _smear_chart(smears: Smears, scale_arcsec: float | None) -> Chart:
    """A stroke a frame: its height is the smear's size, its slant the smear's direction on the sensor."""
    factor, unit = (1.0, "px") if scale_arcsec is None else (scale_arcsec, "arcsec")
    rms, error = smears.rms_px * factor, smears.rms_error_px * factor
    is_timed = bool(np.isfinite(smears.minutes).all())
    at = smears.minutes if is_timed else np.arange(1.0, len(rms) + 1)
    long = np.array([path != "round" for path in smears.path])
    counts = [f"{sum(one == path for one in smears.path)} {name}" for path, name in _PATHS if path in smears.path]
    text = (
        f"Smear inside the exposure in {counted(len(rms), 'frame')}: median {number(float(np.median(rms)), 2)} {unit} "
        f"rms, largest {number(float(np.max(rms)), 2)} {unit}. What the stars drew: {', '.join(counts)}."
    )

    def draw(axes: "Axes") -> None:
        gap = np.full_like(rms, np.nan)  # one line with gaps draws much faster than a line for each frame
        low, high = np.maximum(rms - error, 0), rms + error
        x, y = (np.stack(ends, axis=-1).ravel() for ends in ((at, at, gap), (low, high, gap)))
        axes.plot(x, y, color=LINE, linewidth=3, solid_capstyle="butt")
        axes.set_ylim(0, 1.12 * float(np.max(rms + error)))
        axes.set_xlim(*_with_margin(at))
        angle = np.angle(smears.spin2_px2) / 2
        _strokes(axes, at[long], rms[long], angle[long])
        axes.plot(at[~long], rms[~long], linestyle="none", marker="o", markersize=3.5, color=KEEP)

    return Chart(
        name="smear",
        title="What each exposure drew",
        caption=(
            f"Height: motion inside the exposure, rms in {unit}; 0 is still. Slant: its direction on the sensor; a dot "
            f"where stars stayed round. Grey: standard error. {', '.join(counts).capitalize()}."
        ),
        drawing=plotted(
            "smear", "Smear of each frame along the night", text, draw,
            x="minutes after the first frame" if is_timed else "frame", y=f"smear, {unit} rms",
        ),
    )  # fmt: skip


_PATHS: Final = (("round", "round"), ("line", "lines"), ("hook", "hooked lines"), ("two blobs", "doubled"))


def _strokes(axes: "Axes", x: Floats, y: Floats, angle: Floats) -> None:
    """Strokes of one length on the page, centred on the points."""
    figure_px = axes.figure.get_size_inches() * 72  # type: ignore[union-attr]
    box = axes.get_position()
    per_x = np.diff(axes.get_xlim())[0] / (box.width * figure_px[0])
    per_y = np.diff(axes.get_ylim())[0] / (box.height * figure_px[1])
    half = 8.0 if len(x) <= 60 else 5.5
    dx, dy, nan = half * np.cos(angle) * per_x, half * np.sin(angle) * per_y, np.full_like(x, np.nan)
    axes.plot(
        np.stack([x - dx, x + dx, nan], axis=-1).ravel(), np.stack([y - dy, y + dy, nan], axis=-1).ravel(),
        color=INK, linewidth=1.8, solid_capstyle="round", clip_on=False,
    )  # fmt: skip


def _with_margin(at: Floats) -> tuple[float, float]:
    margin = max(0.03 * float(np.ptp(at)), 0.5)
    return float(np.min(at)) - margin, float(np.max(at)) + margin


def _legend(axes: "Axes") -> None:
    axes.legend(frameon=False, fontsize=12, labelcolor=INK, loc="best", handlelength=2.2)
