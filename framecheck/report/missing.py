"""What could not be told for lack of a value, and the lines of rig.toml that would tell it."""

import json
from dataclasses import dataclass
from typing import Final

from framecheck.read.rig import Rig
from framecheck.read.rig_file import KEYS, Key

_WITHHELD: Final = (
    (
        ("focal_length_mm", "pixel_um"),
        "Star sizes stay in pixels: arcseconds need the focal length and the pixel size.",
    ),
    (("gain_e_per_adu",), "Sky and stars stay in ADU: electrons need the gain."),
    (("pedestal_adu",), "The sky's own level needs the pedestal: the camera adds to it."),
    (("read_noise_e",), "Whether exposures are long enough to bury the read noise needs the read noise."),
    (("aperture_mm",), "How small stars could be at best needs the aperture (diffraction)."),
    (("camera_angle_deg",), "Smear cannot be split into right ascension and declination without the camera's angle."),
    (("mount_type", "guided"), "What a drift means depends on how the mount follows the sky."),
    (("worm_period_s",), "A period in the tracking can be tied to the worm only if the worm's is known."),
    (
        ("site_latitude_deg", "site_longitude_deg"),
        "Altitude and air mass need the place, where headers leave them out.",
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
