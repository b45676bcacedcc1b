"""Pictures of the mount: where the pointing went, and the line that each exposure drew."""

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.decision.course import FEWEST, PointingCourse
from framecheck.decision.group_figures import GroupFigures
from framecheck.decision.judgement import Judgement
from framecheck.motion.smears import Smears
from framecheck.report.chart import Chart, plotted
from framecheck.report.drawing import DOUBTFUL, INK, KEEP, LINE
from framecheck.report.rhythm_chart import rhythm_charts
from framecheck.words import counted, duration, number, short_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]


def motion_charts(judgement: Judgement, figures: GroupFigures) -> list[Chart]:
    """Pointing along the night, the rhythm where one is claimed, and the smear of each frame of one group."""
    night, course = judgement.night, figures.course
    tracking, motion = night.tracking.get(figures.group.id), night.motion.get(figures.group.id)
    charts = []
    if course is not None:
        charts.append(_course_chart(course, scattered=motion is not None and motion.dithered and not motion.jumps))
    if figures.wave is not None:
        charts += rhythm_charts(figures.wave)
    if tracking is not None and len(tracking.smears.frames) >= FEWEST:
        charts.append(_smear_chart(tracking.smears, night.rig.pixel_scale_arcsec))
    return charts


def _course_chart(course: PointingCourse, *, scattered: bool) -> Chart:
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
            "Dithered all the time: steps between frames are intended. A slope through them is drift; none is what you "
            "want."
            if scattered
            else "Dithers and flips taken out. Two level lines are what you want; a slope is drift, a wave the gear, a "
            "step a slip or a knock."
        ),
        drawing=plotted(
            "course", f"Motion of the {what} over the night", text + "; ".join(told) + ".", draw,
            x="minutes after the first frame", y=f"moved, {short_unit(course.unit)}",
        ),
    )  # fmt: skip


def _smear_chart(smears: Smears, scale_arcsec: float | None) -> Chart:
    """A stroke a frame: its height is the smear's size, its slant the smear's direction on the sensor."""
    factor, unit = (1.0, "px") if scale_arcsec is None else (scale_arcsec, "arcsec")
    rms, error = smears.rms_px * factor, smears.rms_error_px * factor
    is_timed = bool(np.isfinite(smears.minutes).all())
    at = smears.minutes if is_timed else np.arange(1.0, len(rms) + 1)
    long = np.array([path != "round" for path in smears.path])
    counts = [counted(smears.path.count(path), *names) for path, *names in _PATHS if path in smears.path]
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
        title="Blur per frame",
        caption=(
            f"Height: motion in the exposure, rms in {short_unit(unit)}; 0 is still. Slant: its direction on the "
            f"sensor; a dot where stars stayed round. Grey: standard error. {', '.join(counts).capitalize()}."
        ),
        drawing=plotted(
            "smear", "Smear of each frame along the night", text, draw,
            x="minutes after the first frame" if is_timed else "frame", y=f"smear, {short_unit(unit)} rms",
        ),
    )  # fmt: skip


_PATHS: Final = (
    ("round", "round", "round"), ("line", "line", "lines"), ("hook", "hooked line", "hooked lines"),
    ("two blobs", "doubled", "doubled"),
)  # fmt: skip


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
    axes.legend(frameon=False, fontsize=12.5, labelcolor=INK, loc="best", handlelength=2.2)
