"""Alarms as a person reads them: what has changed since when, the likely cause, and what to do first."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Sign
from framecheck.causes.result import CLAIMED
from framecheck.decision.alarms import Alarm
from framecheck.words import fixed, likelihood, plain, sentence


@dataclass(frozen=True, kw_only=True, slots=True)
class _Told:
    """The words of one sign."""

    title: str
    look_first: str
    """What to do while no cause can be told. Common practice, no source."""
    over: str
    how_much: Callable[[float, float, float | None], str]
    """In words, from what is now, what was usual and the pixel's scale."""


def _width(now: float, usual: float, scale_arcsec: float | None) -> str:
    unit, scale = (" px", 1.0) if scale_arcsec is None else ("″", scale_arcsec)
    shown, before = (f"{fixed(value * scale, 2)}{unit}" for value in (now, usual))
    return f"FWHM {shown} at the zenith, usually {before}"


_TOLD: Final[dict[Sign, _Told]] = {
    "trailed": _Told(
        title="Stars trail",
        look_first="Check that mount and guider still follow, and that no cable pulls.",
        over="the stars are as round as before",
        how_much=lambda now, usual, _: f"{fixed(now, 2)} long to wide, usually {fixed(usual, 2)}",
    ),
    "wider": _Told(
        title="Stars get wider",
        look_first="Check the focus, then whether the front glass is dry.",
        over="the stars are as small as before",
        how_much=_width,
    ),
    "dimmer": _Told(
        title="Starlight drops",
        look_first="Check the sky for cloud, then the front glass for dew.",
        over="the light is back",
        how_much=lambda now, usual, _: f"{100 * min(now / usual, 1.0):.0f} % of the usual starlight gets through",
    ),
    "brighter sky": _Told(
        title="The sky gets brighter",
        look_first="Check for the Moon, twilight or a lamp.",
        over="the sky is as dark as before",
        how_much=lambda now, usual, _: f"{fixed(now / usual, 1)} times as bright as usual, air mass taken out",
    ),
}


def title(alarm: Alarm) -> str:
    """The change in three or four words."""
    if alarm.since is None and alarm.sign == "wider":
        return "Stars are wider than they should be"  # nothing grew: they were so from the start
    return _TOLD[alarm.sign].title


def what_is_seen(alarm: Alarm, scale_arcsec: float | None) -> str:
    """What the frames show, in one sentence with numbers and what was usual.

    Parameters
    ----------
    alarm : Alarm
    scale_arcsec : float or None
        Of a pixel; sizes are told in pixels without it. [arcsec]
    """
    since = "from the first frames" if alarm.since is None else f"since {plain(alarm.since)}"
    known = alarm.usual is not None and alarm.now is not None
    how_much = f": {_TOLD[alarm.sign].how_much(alarm.now or 0.0, alarm.usual or 1.0, scale_arcsec)}" if known else ""
    return f"{title(alarm)} {since}{how_much}."


def likely_cause(alarm: Alarm) -> str:
    """The likely cause in one sentence; that none can be told yet, if so."""
    if alarm.cause is None or alarm.confidence is None:
        return "Can't tell the cause yet."
    name = CAUSES[alarm.cause].title
    if alarm.confidence < CLAIMED:
        return f"Not sure of the cause yet; {name[:1].lower()}{name[1:]} is {likelihood(alarm.confidence)}."
    return f"Likely cause: {name[:1].lower()}{name[1:]}, {likelihood(alarm.confidence)}."


def first_cure(alarm: Alarm) -> str:
    """What to do first, in one sentence."""
    if alarm.cure is None or alarm.confidence is None or alarm.confidence < CLAIMED:
        return _TOLD[alarm.sign].look_first
    return sentence(plain(alarm.cure))


def what_is_over(alarm: Alarm) -> str:
    """That a change is over, in one sentence."""
    last = "" if alarm.last is None else f" ({plain(alarm.last)} was the last to show it)"
    return f"{title(alarm)}: over, {_TOLD[alarm.sign].over}{last}."
