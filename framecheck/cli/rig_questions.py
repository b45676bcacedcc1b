"""Questions about a rig that headers cannot answer, asked once at the terminal."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any, Final

import typer

from framecheck.cli.terminal import say, tell
from framecheck.errors import UnusableFrame
from framecheck.read import Exposure, is_remote, read_exposure
from framecheck.read.rig_keys import KEYS, Key, takes
from framecheck.read.saved_rig import RigName, rig_name, save_rig, saved_file
from framecheck.words import safe

_ASKED: Final = sorted((key for key in KEYS if key.question), key=lambda key: key.table != "mount")
"""The mount first, which decides on some of the others."""
_BOOLEANS: Final = {"y": True, "yes": True, "true": True, "n": False, "no": False, "false": False}
_LOOKED_AT: Final = 20
"""Files whose headers are read in search of a light. Chosen: calibration frames may come first."""


def ask_once(paths: Sequence[Path]) -> None:
    """Ask about the rig of a night, and keep the answers, if its headers name one that nobody was asked about yet."""
    exposure = next(_lights(paths), None)
    name = None if exposure is None else rig_name([exposure])
    if exposure is None or name is None or saved_file(name).exists():
        return
    save_rig(name, ask(name, exposure, {}))
    tell("Kept. `framecheck rig` shows it.")
    say()


def _lights(paths: Sequence[Path]) -> Iterator[Exposure]:
    for path in islice((path for path in paths if not is_remote(path)), _LOOKED_AT):
        try:
            exposure = read_exposure(path)
        except UnusableFrame:
            continue
        if exposure.kind in ("light", "unknown"):
            yield exposure


def ask(name: RigName, exposure: Exposure, known: Mapping[str, Any]) -> dict[str, Any]:
    """Ask for each fact that the header leaves open; an empty answer leaves what is known."""
    tell(f"New rig: {safe(name.words)}" if not known else f"Rig: {safe(name.words)}")
    tell("What headers can't say is asked once and used every night. Enter skips a question.")
    facts = dict(known)
    for key in _ASKED:
        if getattr(exposure, key.name, None) is None and _is_meant(key.name, facts):
            facts[key.name] = _answer(key, facts.get(key.name))
    return {field: value for field, value in facts.items() if value is not None}


def _is_meant(field: str, facts: Mapping[str, Any]) -> bool:
    """A tripod is neither guided nor driven; a worm belongs to a drive about one axis."""
    mount = facts.get("mount_type")
    if field == "guided":
        return mount != "fixed"
    return field != "worm_period_s" or mount in ("equatorial", "tracker")


def _answer(key: Key, known: Any) -> Any:
    hint = f" ({', '.join(key.choices)})" if key.choices else ""
    shown = "" if known is None else ({True: "yes", False: "no"}.get(known) if key.kind is bool else f"{known}")
    while True:
        text = typer.prompt(f"{key.question}{hint}", default=shown, show_default=bool(shown)).strip().lower()
        if not text:
            return known
        value = _value(key, text)
        if takes(key, value):
            return value
        tell(f"Give {'yes or no' if key.kind is bool else key.allowed}, or press Enter to skip.")


def _value(key: Key, text: str) -> Any:
    """What was typed as the key takes it; the text itself if it is nothing of that kind."""
    if key.kind is bool:
        return _BOOLEANS.get(text, text)
    if key.choices:
        return next((choice for choice in key.choices if choice.startswith(text)), text)
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text
