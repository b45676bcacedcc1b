"""Months of nights in words."""

from collections.abc import Sequence

from framecheck.causes.catalogue import CAUSES
from framecheck.decision.history import FEWEST_SPELLS, SPELL_DAYS, NightSum, Returning, RigHistory, Trend
from framecheck.decision.night_document import Generator
from framecheck.document import plain_values
from framecheck.read.rig_keys import rig_told
from framecheck.report.time_axis import date_of
from framecheck.words import counted, duration, fixed, listed, number, percent, plain, sentence


def rig_title(history: RigHistory) -> str:
    """What is known of the rig."""
    known = {key: value for key, value in history.rig.items() if value is not None}
    scale, mount = known.get("pixel_scale_arcsec"), known.get("mount_type")
    if isinstance(scale, float) and not {"focal_length_mm", "aperture_mm", "pixel_um"} & set(known):
        return ", ".join(filter(None, [f"{number(scale, 3)}″ per pixel", rig_told({"mount_type": mount})]))
    return plain(rig_told(known)) or "A rig of which nothing is known"


def summary(history: RigHistory) -> str:
    """How many nights, and what they came to."""
    nights = history.nights
    dates = [date_of(nights[0].start_utc), date_of(nights[-1].start_utc)]
    span = dates[0] if dates[0] == dates[1] else f"{dates[0]} to {dates[1]}"
    taken, kept = sum(night.taken_s for night in nights), sum(night.kept_effective_s or 0.0 for night in nights)
    n_frames, n_kept = sum(night.n_frames for night in nights), sum(night.n_kept for night in nights)
    return (
        f"{counted(len(nights), 'night')}, {span}: {duration(taken)} shot; the {n_kept} kept of "
        f"{counted(n_frames, 'frame')} are worth {duration(kept)} of perfect exposure."
    )


def latest_words(history: RigHistory) -> tuple[tuple[str, str], ...]:
    """What the latest night came to and what to do first, as its own report says; empty if it does not say."""
    latest = history.nights[-1]
    if latest.morning is None:
        return ()
    return (
        (f"Latest night, {date_of(latest.start_utc)}", latest.morning.verdict),
        ("Do first", latest.morning.action.sentence),
    )


def is_one_night(history: RigHistory) -> bool:
    """Whether there is nothing to set beside each other yet."""
    return len(history.nights) < 2


def what_will_be_shown() -> str:
    """What a history with one night waits for."""
    days = (FEWEST_SPELLS - 1) * SPELL_DAYS
    return (
        "One night so far. With the second night this shows star size, motion and hours night by night, and the causes "
        f"that come back. Trends need {FEWEST_SPELLS} nights at least {SPELL_DAYS:g} days apart, so {days:g} days from "
        "now at the earliest."
    )


def trends_words(history: RigHistory) -> list[str]:
    """What is told of all trends: one sentence if none can be sought yet."""
    if any(trend.slope is not None for trend in history.trends):
        return [sentence(trend_words(trend)) for trend in history.trends]
    most = max((trend.n_spells for trend in history.trends), default=0)
    return [f"Too few nights to tell. {_too_few(most)}"]


def _too_few(n_spells: int) -> str:
    return (
        f"They make {counted(n_spells, 'spell')} of weather (nights within {SPELL_DAYS:g} days count as one); a trend "
        f"takes {FEWEST_SPELLS}."
    )


def trend_words(trend: Trend) -> str:
    """One trend, or why there is none."""
    if trend.slope is None or trend.low is None or trend.high is None:
        return f"{trend.name}: too few nights for a trend. {_too_few(trend.n_spells)}"
    unit = " %" if trend.unit == "percent" else " points"
    low, high = (("+" if one > 0 else "") + fixed(one, 1) for one in (trend.low, trend.high))
    word = "no more or less" if abs(trend.slope) < 0.05 else "more" if trend.slope > 0 else "less"
    size = "" if abs(trend.slope) < 0.05 else f"{fixed(abs(trend.slope), 1)}{unit} "
    slope = f"{size}{word} in thirty days"
    said = {"better": "it gets better", "worse": "it gets worse"}.get(trend.verdict, "no trend is shown")
    return f"{trend.name}: {slope} ({low} to {high}{unit}): {said}."


def cause_words(returning: Returning) -> str:
    """How often a cause was met."""
    cause = CAUSES.get(returning.cause)
    title = plain(returning.cause) if cause is None else cause.title
    text = f"{title} on {returning.n_claimed} of {counted(returning.n_nights, 'night')}"
    gone = ""
    if returning.n_since:
        gone = f" Last on {date_of(returning.last_utc)}, not in {counted(returning.n_since, 'night')} since."
    if not returning.comes_back:
        return f"{text}.{gone}"
    owner = "the place or the season" if cause is not None and cause.family == "sky" else "the rig"
    return (
        f"{text} ({percent(returning.share_low)} to {percent(returning.share_high)} of such nights): it comes back, so "
        f"look for it in {owner}, not in one night.{gone}"
    )


def caution() -> str:
    """How far the trends reach."""
    return (
        "Intervals hold the truth in 95 of 100 cases; a trend counts only where 98.3 of 100 would show it, since "
        "we look at three. FWHM is that of each night's largest group, the air's part brought to the zenith; the "
        "air itself is still in it, and seasons change it. Motion inside an exposure grows with the exposure's length."
    )


def cause_names(night: NightSum) -> str:
    """Claimed causes, strongest first."""
    return listed([CAUSES[one].title.lower() if one in CAUSES else plain(one) for one in night.causes])


def history_document(histories: Sequence[RigHistory]) -> dict[str, object]:
    """All of it for programs: plain values, unknown is None, units in names or beside."""
    document: dict[str, object] = plain_values({"schema": 1, "generator": Generator(), "rigs": histories})
    return document
