"""history.html: months of nights on one page that needs nothing else; and the same for a terminal."""

from collections.abc import Sequence
from typing import Final

from framecheck.decision.history import NightSum, RigHistory
from framecheck.report import history_words as told
from framecheck.report.blocks import Block, Drawing, Part, Points, Sentences, Table, Text
from framecheck.report.history_picture import history_picture
from framecheck.report.html import nights_page
from framecheck.words import SHORT_UNITS, duration, fixed

_HEAD: Final = ("Target", "Kept", "Shot", "Worth", "FWHM", "At zenith", "Motion inside", "Causes")


def history_page(histories: Sequence[RigHistory]) -> str:
    """The page as HTML text; every text from files is escaped, and nothing is loaded."""
    return nights_page("Nights", "How the nights went", history_parts(histories, drawn=True), closing(histories))


def closing(histories: Sequence[RigHistory]) -> str:
    """How far trends reach, where there can be any."""
    return "" if all(map(told.is_one_night, histories)) else told.caution()


def history_parts(histories: Sequence[RigHistory], *, drawn: bool) -> tuple[Part, ...]:
    """A part for each rig; without pictures unless these are to be drawn."""
    return tuple(_of_rig(one, f"rig-{k}", drawn=drawn) for k, one in enumerate(histories, 1))


def _of_rig(history: RigHistory, name: str, *, drawn: bool) -> Part:
    blocks: list[Block] = [Text(told.summary(history), is_answer=True)]
    if latest := told.latest_words(history):
        blocks.append(Points("", latest))
    if told.is_one_night(history):
        blocks.append(Text(told.what_will_be_shown()))
    else:
        if drawn:
            blocks.append(Drawing("Picture of the nights", history_picture(history, f"nights-{name}")))
        blocks.append(Sentences("Does it get better?", tuple(told.trends_words(history))))
        if history.causes:
            blocks.append(Sentences("What came back", tuple(map(told.cause_words, history.causes))))
    rows = tuple(_row(night, SHORT_UNITS[history.unit]) for night in history.nights)
    title = "The night" if told.is_one_night(history) else "The nights"
    blocks.append(Table((f"Began ({_clock(history.nights)})", *_HEAD), rows, title, right=(2, 3, 4, 5, 6, 7)))
    return Part(name, told.rig_title(history), "", tuple(blocks))


def _clock(nights: Sequence[NightSum]) -> str:
    """By which clock nights began."""
    by_utc = [night.by_utc for night in nights]
    return "UTC" if all(by_utc) else "UTC or camera's clock" if any(by_utc) else "camera's clock"


def _row(night: NightSum, unit: str) -> tuple[str, ...]:
    lengths = (night.fwhm, night.fwhm_at_zenith, night.smear)
    return (
        f"{night.start_utc:%Y-%m-%d %H:%M}",
        ", ".join(night.targets),
        f"{night.n_kept} of {night.n_frames}",
        duration(night.taken_s),
        duration(night.kept_effective_s),
        *(fixed(one, 2) + ("" if one is None else unit) for one in lengths),
        told.cause_names(night),
    )
