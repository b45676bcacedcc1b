"""Alarms as a person reads them."""

from dataclasses import replace
from typing import get_args

import pytest

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Cause, Sign
from framecheck.decision.alarms import Alarm
from framecheck.report.alarm_words import first_cure, likely_cause, what_is_over, what_is_seen

TRAILED = Alarm(
    sign="trailed", group="L", since="light_0021.fits", since_utc=None, usual=1.05, now=1.62,
    cause="declination-backlash", confidence=0.71, cure=CAUSES["declination-backlash"].cures[0], caution=None,
)  # fmt: skip


def test_a_change_is_told_with_numbers_and_what_was_usual() -> None:
    seen = what_is_seen(TRAILED, None)
    assert seen == "Stars trail since light_0021.fits: 1.62 long to wide, usually 1.05."
    assert likely_cause(TRAILED) == "Likely cause: declination backlash, likely (71 %)."
    assert first_cure(TRAILED) == CAUSES["declination-backlash"].cures[0]


@pytest.mark.parametrize(
    ("sign", "usual", "now", "scale", "words"),
    [
        ("wider", 2.0, 3.0, 1.5, "FWHM 4.50″ at the zenith, usually 3.00″"),
        ("wider", 2.0, 3.0, None, "FWHM 3.00 px at the zenith, usually 2.00 px"),
        ("dimmer", 1.0, 0.4, None, "40 % of the usual starlight gets through"),
        ("brighter sky", 400.0, 900.0, None, "2.2 times as bright as usual"),
    ],
)
def test_each_sign_has_its_unit(sign: str, usual: float, now: float, scale: float | None, words: str) -> None:
    assert words in what_is_seen(replace(TRAILED, sign=sign, usual=usual, now=now), scale)  # type: ignore[arg-type]


def test_what_is_not_known_is_not_claimed() -> None:
    unknown = replace(TRAILED, cause=None, confidence=None, cure=None)
    assert likely_cause(unknown) == "Can't tell the cause yet."
    assert first_cure(unknown).startswith("Check that mount and guider")
    unsure = replace(TRAILED, confidence=0.3)
    assert likely_cause(unsure) == "Not sure of the cause yet; declination backlash is possible (30 %)."
    assert first_cure(unsure) == first_cure(unknown)


@pytest.mark.parametrize(
    "cause", [one for one in CAUSES.values() if one.alarm_from_the_start], ids=lambda one: one.name
)
def test_what_was_so_from_the_start_did_not_grow(cause: Cause) -> None:
    sign = cause.alarm_from_the_start
    assert sign is not None
    alarm = replace(TRAILED, sign=sign, cause=cause.name, since=None, usual=None, now=None)
    seen = what_is_seen(alarm, 1.0)
    assert seen.endswith("from the first frames.")
    assert "grow" not in seen


@pytest.mark.parametrize("sign", get_args(Sign))
def test_every_sign_has_words_for_its_end(sign: Sign) -> None:
    over = replace(TRAILED, sign=sign, is_over=True, last="light_0030.fits")
    assert "over" in what_is_over(over)
    assert "light_0030.fits was the last to show it" in what_is_over(over)


def test_names_cannot_steer_the_terminal() -> None:
    assert "\x1b" not in what_is_seen(replace(TRAILED, since="\x1b[2J.fits"), None)
    assert "\x1b" not in what_is_over(replace(TRAILED, last="\x1b[2J.fits"))
