"""A plan as a page of terminal text, and as JSON."""

from typing import Any, Final

from framecheck.decision.night_document import Generator
from framecheck.document import plain_values
from framecheck.plan.asked import ASKED
from framecheck.plan.records import Plan, PlanLine, Setup, short_time
from framecheck.read.rig_keys import rig_told
from framecheck.report.look import Look
from framecheck.words import SHORT_UNITS, listed, number, sentence

_NAME, _TEXT = 28, 52
"""Columns: width of the names, and where explanations begin."""
_WIDE: Final = 90
"""[columns] Chosen: on a narrower terminal explanations stand below the numbers."""


def plan_lines(plan: Plan, look: Look) -> list[str]:
    """Lay a plan out for a person: each number with unit, interval and what would be good."""
    lines = [look.style(_heading(plan.setup), "bold")]
    for section in plan.sections:
        lines += ["", look.style(section.title, "bold")]
        for line in section.lines:
            lines.append(_line(line, look))
        if section.caution is not None:
            lines.append("  " + look.wrap(section.caution, 2, used=2))
    return lines


def _heading(setup: Setup) -> str:
    told = ("focal_length_mm", "aperture_mm", "pixel_um", "mount_type")
    facts = {name: getattr(setup.rig, name) for name in told}
    return rig_told(facts) or "A rig of which nothing is known yet"


def _line(line: PlanLine, look: Look) -> str:
    name = f"  {line.name:<{_NAME}}"
    text = _explanation(line)
    if line.value is None:
        return look.style(name, "quiet") + look.wrap(f"– {text}", len(name), used=len(name))
    value = _value(line)
    if not text:
        return look.style(name, "quiet") + value
    if look.width is not None and look.width < _WIDE:
        return f"{look.style(name, 'quiet')}{value}\n      {look.wrap(text, 6, used=6)}"
    value = f"{value:<{_TEXT - len(name) - 1}} "
    used = len(name) + len(value)
    return look.style(name, "quiet") + value + look.wrap(text, _TEXT, used=used)


def _value(line: PlanLine) -> str:
    """The number, then its interval, with the unit once where all share it."""
    shown, unit = _number(line, line.value)
    bounds = [_number(line, bound) for bound in (line.low, line.high) if bound is not None]
    alike = {other for _, other in bounds} <= {unit}
    told = [text if alike else text + other for text, other in bounds]
    words = "" if line.low is not None else "up to "
    if line.high is None:
        words = "down to "
    return f"{shown}{unit}" + (f" ({words}{' to '.join(told)})" if told else "")


def _number(line: PlanLine, value: float | None) -> tuple[str, str]:
    """A number in few digits, and its unit."""
    if line.unit == "s" and value is not None:
        text, unit = short_time(value).split(" ")
        return text, f" {unit}"
    digits = 2 if value is not None and abs(value) < 100 else 3
    return ("f/" if line.key == "focal_ratio" else "") + number(value, digits), SHORT_UNITS[line.unit]


def _explanation(line: PlanLine) -> str:
    if line.needs:
        return "needs " + listed([ASKED[field].option for field in line.needs])
    if line.value is None:
        return line.note or ""
    good = f"good: {line.good}" if line.good else None
    return " ".join(sentence(part) for part in (line.verdict, good, line.note) if part)


def plan_document(plan: Plan) -> dict[str, Any]:
    """Give a plan as plain values: unknown is None, units beside every number."""
    setup = plan.setup
    rig = {name: getattr(setup.rig, name) for name in ("mount_type", *(f for f in ASKED if hasattr(setup.rig, f)))}
    given = {name: getattr(setup, name) for name in ASKED if not hasattr(setup.rig, name)}
    return {
        "schema": 1,
        "generator": plain_values(Generator()),
        "given": {**rig, **given, "seeing_arcsec": setup.seeing_arcsec and list(setup.seeing_arcsec)},
        "sections": plain_values(plan.sections),
    }
