"""Alarms as a person reads them: what has changed since when, the likely cause, and what to do first."""

from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Sign
from framecheck.causes.result import CLAIMED
from framecheck.decision.alarms import Alarm
from framecheck.words import fixed, likelihood, plain, sentence

_TITLES: Final[dict[Sign, str]] = {
    "trailed": "Stars trail",
    "wider": "Stars get wider",
    "dimmer": "Starlight drops",
    "brighter sky": "The sky gets brighter",
}

_LOOK_FIRST: Final[dict[Sign, str]] = {
    "trailed": "Check that mount and guider still follow, and that no cable pulls.",
    "wider": "Check the focus, then whether the front glass is dry.",
    "dimmer": "Check the sky for cloud, then the front glass for dew.",
    "brighter sky": "Check for the Moon, twilight or a lamp.",
}
"""What to do while no cause can be told. Common practice, no source."""

_OVER: Final[dict[Sign, str]] = {
    "trailed": "the stars are as round as before",
    "wider": "the stars are as small as before",
    "dimmer": "the light is back",
    "brighter sky": "the sky is as dark as before",
}


def title(alarm: Alarm) -> str:
    """The change in three or four words."""
    if alarm.since is None and alarm.sign == "wider":
        return "Stars are wider than they should be"  # nothing grew: they were so from the start
    return _TITLES[alarm.sign]


def what_is_seen(alarm: Alarm, scale_arcsec: float | None) -> str:
    """What the frames show, in one sentence with numbers and what was usual.

    Parameters
    ----------
    alarm : Alarm
    scale_arcsec : float or None
        Of a pixel; sizes are told in pixels without it. [arcsec]
    """
    since = "from the first frames" if alarm.since is None else f"since {plain(alarm.since)}"
    return f"{title(alarm)} {since}{_numbers(alarm, scale_arcsec)}."


def _numbers(alarm: Alarm, scale_arcsec: float | None) -> str:
    if alarm.usual is None or alarm.now is None:
        return ""
    match alarm.sign:
        case "trailed":
            return f": {fixed(alarm.now, 2)} long to wide, usually {fixed(alarm.usual, 2)}"
        case "wider":
            unit, scale = (" px", 1.0) if scale_arcsec is None else ("″", scale_arcsec)
            now, usual = (f"{fixed(value * scale, 2)}{unit}" for value in (alarm.now, alarm.usual))
            return f": FWHM {now} at the zenith, usually {usual}"
        case "dimmer":
            return f": {100 * min(alarm.now / alarm.usual, 1.0):.0f} % of the usual starlight gets through"
        case "brighter sky":
            return f": {fixed(alarm.now / alarm.usual, 1)} times as bright as usual, air mass taken out"


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
        return _LOOK_FIRST[alarm.sign]
    return sentence(plain(alarm.cure))


def what_is_over(alarm: Alarm) -> str:
    """That a change is over, in one sentence."""
    last = "" if alarm.last is None else f" ({plain(alarm.last)} was the last to show it)"
    return f"{title(alarm)}: over, {_OVER[alarm.sign]}{last}."
