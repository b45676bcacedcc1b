"""What could not be told for lack of a value, and the lines of rig.toml that would tell it."""

import json
from dataclasses import dataclass
from typing import Final

from framecheck.read.rig import Rig
from framecheck.read.rig_keys import KEYS, Key

_WITHHELD: Final = (
    (
        ("focal_length_mm", "pixel_um"),
        "Star sizes in arcseconds need focal length and pixel size.",
    ),
    (("gain_e_per_adu",), "Sky and stars in electrons need the gain."),
    (("pedestal_adu",), "The sky's own level needs the pedestal, the level the camera adds."),
    (("read_noise_e",), "Whether exposures bury the read noise needs the read noise."),
    (("aperture_mm",), "How small stars can get (diffraction) needs the aperture."),
    (("camera_angle_deg",), "Splitting tracking error into right ascension and declination needs the camera angle."),
    (("mount_type", "guided"), "What a drift means depends on the mount and on guiding."),
    (("worm_period_s",), "Tying a period to the worm needs the worm's period."),
    (
        ("site_latitude_deg", "site_longitude_deg"),
        "Altitude and air mass need the site.",
    ),
)
"""Keys that belong together, and what is withheld while they are unknown."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Missing:
    """Values that nobody gave, and what their lack withholds."""

    keys: tuple[str, ...]
    withholds: str


def missing_values(rig: Rig, *, altitudes_known: bool) -> tuple[Missing, ...]:
    """Everything that rig.toml could still add to this night."""
    known = {name: getattr(rig, name) is not None for names, _ in _WITHHELD for name in names}
    known["site_latitude_deg"] |= altitudes_known
    known["site_longitude_deg"] |= altitudes_known
    if rig.pixel_scale_arcsec is not None:
        known["focal_length_mm"] = known["pixel_um"] = True
    absent = [(tuple(name for name in names if not known[name]), why) for names, why in _WITHHELD]
    return tuple(Missing(keys=names, withholds=why) for names, why in absent if names)


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
