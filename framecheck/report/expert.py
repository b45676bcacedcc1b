"""What an expert opens last: the mount, the star's budget, field, sky, and all that could not be told."""

from collections import Counter
from collections.abc import Sequence
from typing import Final

from framecheck import words
from framecheck.causes.catalogue import CAUSES
from framecheck.constants import FEWEST_OF_A_MEDIAN
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.group_figures import GroupFigures
from framecheck.decision.judgement import Judgement
from framecheck.decision.mount_decision import WORTH_FWHM
from framecheck.decision.records import Range
from framecheck.quantity import EVEN_ENOUGH
from framecheck.report.blocks import Block, Facts, Lines, Part, Pictures, Points, Text
from framecheck.report.budget_chart import TERMS, budget_chart
from framecheck.report.chart import Chart, renamed
from framecheck.report.drawing import rows_named
from framecheck.report.field_map import field_chart, rest_chart
from framecheck.report.left_out import FEW, MOST_KINDS, Alike, alike, failed_alike
from framecheck.report.missing import missing_values, rig_lines
from framecheck.report.motion_chart import motion_charts
from framecheck.report.night_charts import sharpness_charts
from framecheck.report.star_picture import star_chart
from framecheck.report.story import advice, what_if_table
from framecheck.words import counted, cut, fixed, percent, signed

_STILL: Final = "between exposures, dithers taken out; guided mounts stay below 0.1″ a minute"
_POLAR: Final = "below 5′ does little harm to guided frames"
"""Common practice, no source."""
_LEVEL: Final = f"0 is level, {EVEN_ENOUGH}"
_ANSWERS: Final = {
    "not needed": "a better mount would gain too little", "fix technique first": "fix technique first",
    "upgrade justified": "a better mount would pay", "cannot tell": "these frames can't tell",
}  # fmt: skip
_MOST_CHART_BYTES: Final = 2_000_000
"""[byte] Chosen: of the charts of further groups, those of the smallest are left out beyond that."""

Fact = tuple[str, str, str]


def expert_parts(judgement: Judgement, rows: Sequence[FrameRow]) -> tuple[Part, ...]:
    """All parts that have something to tell."""
    parts = (
        _mount(judgement), _budget(judgement), _field(judgement), _sky(rows), _groups(judgement),
        _unchecked(judgement), _missing(judgement, rows), _left_out(judgement, rows),
    )  # fmt: skip
    return tuple(part for part in parts if part is not None)


def _mount(judgement: Judgement) -> Part:
    charts = [chart for figures in judgement.pictured[:1] for chart in motion_charts(judgement, figures)]
    blocks = mount_blocks(judgement, tuple(charts))
    return Part("mount", "The mount", _ANSWERS[judgement.mount_decision.answer], blocks)


def mount_blocks(judgement: Judgement, charts: tuple[Chart, ...] = ()) -> tuple[Block, ...]:
    """Whether a better mount would pay: why, how far it moved the stars, what to do."""
    decision = judgement.mount_decision
    blocks: list[Block] = [Text(words.sentence(reason)) for reason in decision.because]
    if facts := mount_facts(judgement):
        blocks.append(Facts(facts, "The numbers"))
    if (table := what_if_table(judgement)) is not None:
        blocks.append(table)
    if charts:
        blocks.append(Pictures(charts))
    if decision.ladder:
        first = "Before buying" if decision.answer == "upgrade justified" else "What to try"
        blocks.append(advice(f"{first}, cheapest first", decision.ladder))
    if decision.what_would_settle_it:
        blocks.append(advice("What would settle it", decision.what_would_settle_it))
    return tuple(blocks)


def mount_facts(judgement: Judgement) -> tuple[Fact, ...]:
    """How far the mount moved the stars, and what that costs; only what is known."""
    mount, tracking = judgement.mount_decision, judgement.tracking
    needed = "" if mount.needed_rms_arcsec is None else f"you need {fixed(mount.needed_rms_arcsec, 2)}″ or better"
    perfect, then = mount.fwhm_with_perfect_tracking_arcsec, mount.kept_with_perfect_tracking
    drift = tracking.drift_ra_arcsec_per_min, tracking.drift_dec_arcsec_per_min
    now = mount.fwhm_now_arcsec
    lines = (
        ("Tracking error in an exposure, rms per axis", _between(mount.tracking_rms_arcsec, "″"), needed),
        ("Drift in right ascension", signed(drift[0], 2, "″ a minute"), _STILL),
        ("Drift in declination", signed(drift[1], 2, "″ a minute"), _STILL),
        ("Field rotation", signed(tracking.rotation_deg_per_hour, 3, "° an hour"), "between exposures; 0 is still"),
        ("Polar axis off the pole", _between(tracking.polar_error_arcmin, "′"), _POLAR),
        (
            "FWHM", "" if now is None else f"{fixed(now, 2)}″",
            "" if perfect is None else f"{fixed(perfect, 2)}″ with perfect tracking",
        ),
        ("Sharper with perfect tracking", _share(mount.gain), f"worth having from {percent(WORTH_FWHM)}"),
        (
            "Frames kept", "" if mount.kept_now is None else str(mount.kept_now),
            "" if then is None else f"{then} with perfect tracking",
        ),
    )  # fmt: skip
    return tuple(line for line in lines if line[1])


def _budget(judgement: Judgement) -> Part | None:
    chart = budget_chart(judgement)
    if chart is None:
        return None
    terms = sorted(judgement.budget, key=lambda term: -(term.share or 0.0))
    note = ", ".join(f"{TERMS[term.term]} {percent(term.share)}" for term in terms[:2])
    return Part("budget", "What makes the stars this wide", note, (Pictures((chart,)),))


def _field(judgement: Judgement) -> Part | None:
    cells = judgement.cells
    if cells is None:
        return None
    star = star_chart(judgement, judgement.pictured[0].mean_stars) if judgement.pictured else None
    charts = tuple(chart for chart in (field_chart(judgement), rest_chart(judgement), star) if chart is not None)
    of = f"{counted(cells.n_stars, 'good star')} from {counted(cells.n_frames, 'frame')}"
    bare = f" Cells with fewer than {FEWEST_OF_A_MEDIAN} good stars have a small cross." if cells.n_bare else ""
    of += ", all of them rejected" if cells.only_rejects else ""
    about = f"{of}. The first pixel is at the {'upper' if cells.first_row_on_top else 'lower'} left.{bare}"
    blocks: list[Block] = [Text(about)]
    if charts:
        blocks.append(Pictures(charts))
    if facts := field_facts(judgement):
        blocks.append(Facts(facts))
    worst = max(cells.corners.items(), key=lambda corner: abs(corner[1]), default=None)
    note = "" if worst is None else f"{worst[0]} {signed(100 * worst[1], 0, ' %')} against the middle"
    return Part("field", "Stars over the field", note, tuple(blocks))


def field_facts(judgement: Judgement) -> tuple[Fact, ...]:
    """Evenness over the sensor, and sampling; only what is known."""
    field, sampling, size = judgement.field_pattern, judgement.sampling, judgement.explained.size
    first_row, last_row = rows_named(judgement.night)
    lines = [
        ("FWHM, right edge against left", signed(field.tilt_x_percent, 1, " %"), _LEVEL),
        (f"FWHM, {last_row} edge against {first_row}", signed(field.tilt_y_percent, 1, " %"), _LEVEL),
        ("FWHM, corners against centre", signed(field.curvature_percent, 1, " %"), _LEVEL),
        ("Size pattern explained", "" if size is None else percent(size), "90 % or more, judged by stars held back"),
    ]
    if sampling.px_per_fwhm is not None and sampling.verdict is not None:
        width = f"{fixed(sampling.px_per_fwhm, 1)} px, {sampling.verdict}"
        lines.append(("Pixels per FWHM", width, words.clause(sampling.suggestion or "2 to 5 is good")))
    return tuple(line for line in lines if line[1])


def _sky(rows: Sequence[FrameRow]) -> Part | None:
    charts = sharpness_charts(rows)
    if not charts:
        return None
    return Part("sky", "Sharpness against air and temperature", "", (Pictures(tuple(charts)),))


def _groups(judgement: Judgement) -> Part | None:
    """Charts of the groups after the largest."""
    kept: list[Block] = []
    room = _MOST_CHART_BYTES
    for number, figures in enumerate(judgement.pictured[1:], 2):
        charts = _of_group(judgement, figures, number)
        room -= sum(len(chart.drawing) for chart in charts)
        if room < 0:
            break
        if charts:
            group = f"{words.plain(figures.group.id)}, {counted(len(figures.group.members), 'frame')}"
            kept += [Points("", ((group, ""),)), Pictures(charts)]
    n_more = len(judgement.groups) - 1
    return Part("groups", "Other groups of frames", counted(n_more, "group"), tuple(kept)) if kept else None


def _of_group(judgement: Judgement, figures: GroupFigures, number: int) -> tuple[Chart, ...]:
    star = star_chart(judgement, figures.mean_stars)
    charts = [*motion_charts(judgement, figures), *([] if star is None else [star])]
    return tuple(renamed(chart, f"-{number}") for chart in charts)


def _unchecked(judgement: Judgement) -> Part | None:
    """Causes that are open for the same reason, together."""
    together: dict[tuple[str, str], list[str]] = {}
    for one in judgement.undecided:
        together.setdefault((one.because, one.what_would_settle_it), []).append(CAUSES[one.cause].title)
    if not together:
        return None
    items = tuple(
        (", ".join(titles), f"{words.sentence(because)} To settle it: {words.clause(settle)}.")
        for (because, settle), titles in together.items()
    )
    n = len(judgement.undecided)
    return Part("unchecked", f"{counted(n, 'cause')} we couldn't check", "", (Points("", items),))


def _missing(judgement: Judgement, rows: Sequence[FrameRow]) -> Part | None:
    missing = missing_values(judgement.night.rig, altitudes_known=any(row.altitude_deg is not None for row in rows))
    if not missing:
        return None
    blocks = (
        Text(
            "Neither headers nor a rig file say these. Answer once with `framecheck rig FRAME --save`, or put what you "
            "know into a rig.toml beside the frames, then run again."
        ),
        Points("", tuple((", ".join(one.keys), one.withholds) for one in missing)),
        Lines(rig_lines(missing)),
    )
    return Part("missing", "What would help next time", counted(sum(len(one.keys) for one in missing), "fact"), blocks)


def _left_out(judgement: Judgement, rows: Sequence[FrameRow]) -> Part | None:
    """Files that could not be measured, files that are no lights, and headers that contradict themselves."""
    failed = [row for row in rows if row.status == "failed"]
    groups = failed_alike(rows) if len(failed) > FEW else ()
    told = [(cut(row.file), row.failure or "") for row in failed] if len(failed) <= FEW else list(map(_alike, groups))
    skipped = _skipped(judgement)
    n_skipped = sum(group.n_files for group in skipped)
    blocks: list[Block] = []
    if failed:
        blocks.append(Points(f"{counted(len(failed), 'file')} could not be measured", tuple(told)))
    if skipped:
        title = f"{counted(n_skipped, 'file')} skipped: not light frames"
        blocks.append(Points(title, tuple(map(_alike, skipped))))
    if conflicts := _conflicts(judgement):
        items = tuple((counted(n, "frame"), text) for text, n in conflicts)
        blocks.append(Points("Headers that contradict themselves", items))
    if not blocks:
        return None
    counts = (
        f"{len(failed)} unreadable" if failed else "",
        f"{n_skipped} no lights" if skipped else "",
        counted(len(conflicts), "odd header") if conflicts else "",
    )
    return Part(
        "left-out",
        "Files left out, odd headers" if conflicts else "Files left out",
        ", ".join(filter(None, counts)),
        tuple(blocks),
    )


def _alike(group: Alike) -> tuple[str, str]:
    more = f" and {counted(group.n_more, 'more file')}" if group.n_more else ""
    return f"{', '.join(group.first)}{more}", group.why


def _skipped(judgement: Judgement) -> tuple[Alike, ...]:
    """Files that are no lights, in groups; a few each by themselves."""
    folder = judgement.night.folder
    told = [(words.path_in(folder, one.file), f"{one.kind}: {one.why}") for one in judgement.night.skipped]
    if len(told) <= FEW:
        return tuple(Alike(why=cut(why), n_files=1, first=(cut(name),)) for name, why in told)
    return alike(told)


def _conflicts(judgement: Judgement) -> list[tuple[str, int]]:
    """What headers say against themselves, each sentence once, with the number of frames that say it."""
    counts = Counter(cut(text) for frame in judgement.night.frames for text in frame.result.exposure.conflicts)
    told = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    if len(told) <= MOST_KINDS:
        return told
    return [*told[: MOST_KINDS - 1], ("Other sentences of this kind", sum(n for _, n in told[MOST_KINDS - 1 :]))]


def _share(found: Range | None) -> str:
    """A share with its interval."""
    if found is None or found.value is None:
        return ""
    return f"{percent(found.value)} ({percent(found.low)} to {percent(found.high)})"


def _between(found: Range | None, unit: str) -> str:
    """A value with its interval."""
    if found is None or found.value is None:
        return ""
    interval = "" if found.low is None else f" ({fixed(found.low, 2)} to {fixed(found.high, 2)})"
    return f"{fixed(found.value, 2)}{unit}{interval}"
