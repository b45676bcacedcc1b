"""What could not be told for lack of a value, and the lines of rig.toml that would tell it."""

import json
from dataclasses import dataclass

from framecheck.read.rig import Rig
from framecheck.read.rig_keys import KEYS, Key


@dataclass(frozen=True, kw_only=True, slots=True)
class Missing:
    """Values that nobody gave, and what their lack withholds."""

    keys: tuple[str, ...]
    withholds: str


def missing_values(rig: Rig, *, altitudes_known: bool) -> tuple[Missing, ...]:
    """Everything that rig.toml could still add to this night."""
    given = {key.name for key in KEYS if getattr(rig, key.name) is not None}
    if altitudes_known:
        given |= {"site_latitude_deg", "site_longitude_deg"}
    if rig.pixel_scale_arcsec is not None:
        given |= {"focal_length_mm", "pixel_um"}
    absent: dict[str, list[str]] = {}
    for key in KEYS:
        if key.withholds and key.name not in given:
            absent.setdefault(key.withholds, []).append(key.name)
    return tuple(Missing(keys=tuple(names), withholds=why) for why, names in absent.items())


def rig_lines(missing: tuple[Missing, ...]) -> str:
    """TOML to start from, with an example for each missing key."""
    wanted = {name for one in missing for name in one.keys}
    lines: list[str] = []
    table = ""
    for key in KEYS:
        if key.name in wanted:
            if key.table != table:
                lines += ["", f"[{key.table}]"]
                table = key.table
            lines.append(_line(key))
    return "\n".join(lines).strip()


def _line(key: Key) -> str:
    return f"{key.name} = {json.dumps(key.example)}  # example. {key.help}"
