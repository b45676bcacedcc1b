"""Scenario files: TOML read into a `Scenario`, with a sentence for everything that cannot be."""

import tomllib
from collections.abc import Mapping
from dataclasses import Field, fields, is_dataclass
from datetime import UTC, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final, get_type_hints

from framecheck.errors import UnusableRequest
from framecheck.simulate.impossible import refuse_impossible
from framecheck.simulate.scenario import Cloud, Pair, Scenario

_DEMO: Final = "demo.toml"


def demo_scenario() -> Path:
    """The scenario of the demo night, shipped with the package."""
    return Path(__file__).parent / "scenarios" / _DEMO


def load_scenario(path: Path) -> Scenario:
    """Read and check a scenario.

    Parameters
    ----------
    path : Path
        A TOML file with the tables [site], [target], [optics], [camera], [mount], [sky], [ground] and [plan]; what is
        left out has the value that `Scenario` gives it.

    Returns
    -------
    Scenario
        The night to render.

    Raises
    ------
    UnusableRequest
        If the file cannot be read, isn't valid TOML, has an unknown key, a wrong type or an impossible value.
    """
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as why:
        raise UnusableRequest(f"{path}: the scenario cannot be read ({why.strerror}); check the path.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as why:
        raise UnusableRequest(f"{path}: the scenario is no valid TOML: {why}. Correct that line.") from None
    scenario: Scenario = _record(Scenario, table, str(path), "")
    refuse_impossible(scenario, str(path))
    return scenario


def _record(record: type, table: Mapping[str, Any], file: str, where: str) -> Any:
    """A dataclass from a TOML table; records within it from the tables within."""
    known: dict[str, Field[Any]] = {entry.name: entry for entry in fields(record)}
    hints = get_type_hints(record)
    values: dict[str, Any] = {}
    for name, value in table.items():
        key = f"{where}{name}"
        if name not in known:
            near = get_close_matches(name, known, n=1)
            hint = f"did you mean `{near[0]}`?" if near else "known are " + ", ".join(f"`{k}`" for k in known) + "."
            raise UnusableRequest(f"{file}: `{key}` is no key of a scenario; {hint}")
        kind = hints[name]
        if is_dataclass(kind):
            if not isinstance(value, dict):
                raise UnusableRequest(f"{file}: `{key}` is a table; write [{key}] and its keys below.")
            values[name] = _record(kind, value, file, f"{key}.")  # type: ignore[arg-type]
        elif kind == tuple[Cloud, ...]:
            if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
                raise UnusableRequest(f"{file}: `{key}` is a list of tables; write [[{key}]] for each cloud.")
            values[name] = tuple(_record(Cloud, entry, file, f"{key}.") for entry in value)
        else:
            values[name] = _value(kind, known[name].metadata, value, f"{file}: `{key}`")
    return record(**values)


def _value(kind: Any, bounds: Mapping[str, Any], value: Any, where: str) -> Any:
    """One value, checked for its type and range."""
    if kind is float:
        return float(_number(value, bounds, where, "a number"))
    if kind is int:
        return int(_number(value, bounds, where, "a whole number"))
    if kind in (Pair, tuple[int, ...]):
        noun = "a number" if kind == Pair else "a whole number"
        if not isinstance(value, list) or (kind == Pair and len(value) != 2):
            raise UnusableRequest(
                f"{where} must be {'two numbers' if kind == Pair else 'a list of whole numbers'} in []."
            )
        return tuple(_number(entry, bounds, where, noun) for entry in value)
    if kind is bool:
        if not isinstance(value, bool):
            raise UnusableRequest(f"{where} is {value!r}; it must be true or false.")
        return value
    if kind is datetime:
        if not isinstance(value, datetime):
            raise UnusableRequest(f"{where} is {value!r}; it must be a date and time such as 2025-09-12T20:00:00Z.")
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    if kind == tuple[str, ...]:
        if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
            raise UnusableRequest(f"{where} must be a list of words in [].")
        return tuple(value)
    return _word(value, bounds, where)


def _number(value: Any, bounds: Mapping[str, Any], where: str, noun: str) -> float:
    wanted = int if noun == "a whole number" else (int, float)
    if isinstance(value, bool) or not isinstance(value, wanted) or not bounds["least"] <= value <= bounds["most"]:
        raise UnusableRequest(
            f"{where} is {value!r}; it must be {noun} from {bounds['least']:g} to {bounds['most']:g}."
        )
    return value


def _word(value: Any, bounds: Mapping[str, Any], where: str) -> str:
    choices = bounds.get("choices")
    if not isinstance(value, str):
        raise UnusableRequest(f"{where} is {value!r}; it must be text in quotes.")
    if choices is not None and value not in choices:
        raise UnusableRequest(f"{where} is {value!r}; it must be one of " + ", ".join(f'"{c}"' for c in choices) + ".")
    return value
