"""Groups: frames that can be compared.

Of one session, target, filter, exposure, image size, camera setting, f-number, scale of values.
"""

import math
import re
import unicodedata
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Final

from framecheck.constants import arcsec_of
from framecheck.night.records import InCommon
from framecheck.read.exposure import Exposure
from framecheck.read.place import separation_deg
from framecheck.robust import typical_of

SAME_EXPOSURE: Final = 1.01
"""[dimensionless] Chosen: exposures whose ratio is smaller count as equal; clocks and shutters round."""

SAME_POINTING_DEG: Final = 1.0
"""[deg] Chosen: dithers and repeated pointings stay closer, neighbouring targets mostly do not."""

Key = tuple[Hashable, ...]
"""What frames of a group have in common."""

NO_TARGET: Final = "unnamed field"
NO_FILTER: Final = "no filter"
NO_EXPOSURE: Final = "unknown exposure"


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameGroup(InCommon):
    """Which exposures belong together."""

    kin: int
    """The same number for groups that differ in exposure alone."""
    members: tuple[int, ...]
    """Indices into the exposures given, in their order."""


def group_exposures(exposures: Sequence[Exposure], sessions: Sequence[int] | None = None) -> tuple[FrameGroup, ...]:
    """Put exposures that can be compared into groups.

    Targets and filters are compared by their letters and digits, whatever the case, spaces and leading zeros
    ("M 31" is "m31"). A frame without a target belongs to the one that its pointing is near, or to its own pointing;
    frames of one target that point at fields without a common star are apart. Exposures count as equal within 1 %.

    Parameters
    ----------
    exposures : sequence of Exposure
        In order of time.
    sessions : sequence of int, optional
        Number of the session of each (`sessions_of`); one session if not given.

    Returns
    -------
    tuple of FrameGroup
        In the order of their first frames. Each id is readable, such as "M 31/L/120s" or "M 31/L/120s/visit 2", and
        unique.
    """
    targets = _targets(exposures)
    spans = _exposure_classes(exposures)
    sessions = [0] * len(exposures) if sessions is None else sessions
    groups: dict[Key, list[int]] = {}
    for i, (exposure, target, span) in enumerate(zip(exposures, targets, spans, strict=True)):
        key = (target, loose(exposure.filter), span, sessions[i], *_setting(exposure))
        groups.setdefault(key, []).append(i)
    names = {key: _describe([exposures[i] for i in members], key) for key, members in groups.items()}
    firsts = {key: (exposures[members[0]], sessions[members[0]]) for key, members in groups.items()}
    ids = _unique_ids(firsts, names)
    kin: dict[Key, int] = {}
    return tuple(
        FrameGroup(
            id=ids[key],
            session=sessions[members[0]],
            kin=kin.setdefault(key[:2] + key[3:], len(kin)),
            target=_first(exposures[i].target for i in members),
            filter=_first(exposures[i].filter for i in members),
            exposure_s=typical_of([exposures[i].exposure_s for i in members]),
            binning=next((exposures[i].binning for i in members if exposures[i].binning), None),
            members=tuple(members),
        )
        for key, members in groups.items()
    )


def loose(name: str | None) -> str | None:
    """Letters and digits of a name, case and leading zeros left out; None if nothing remains.

    >>> loose("NGC 0224 "), loose("ngc_224")
    ('ngc224', 'ngc224')
    """
    if name is None:
        return None
    parts = re.findall(r"\d+|[^\W\d_]+", unicodedata.normalize("NFKC", name).casefold())
    return "".join(part.lstrip("0") or "0" if part.isdecimal() else part for part in parts) or None


def _setting(exposure: Exposure) -> tuple[Hashable, ...]:
    """What must be the same for counts and pixels to be comparable, unsaid values counting as one more value.

    An unsaid binning counts as 1: the image size would tell.
    """
    gain = exposure.camera_gain_setting
    if gain is None and exposure.gain_e_per_adu is not None:
        gain = float(f"{exposure.gain_e_per_adu:.2g}")
    image = (exposure.binning or 1, exposure.width_px, exposure.height_px, exposure.plane, exposure.value_scale)
    return (*image, loose(exposure.camera), gain, exposure.lens_f_number)


def _targets(exposures: Sequence[Exposure]) -> list[str | None]:
    """A name for each exposure's target: the loose one, with its field, or that of the place it points at."""
    fields: dict[str, _Fields] = {}
    out: list[str | None] = []
    for exposure in exposures:
        name = loose(exposure.target)
        if name is not None and exposure.ra_deg is not None and exposure.dec_deg is not None:
            name = fields.setdefault(name, _Fields(name)).of(exposure.ra_deg, exposure.dec_deg, _reach_deg(exposure))
        out.append(name)
    places = [(name, ra, dec) for one in fields.values() for name, ra, dec in one.places]
    for i, exposure in enumerate(exposures):
        if out[i] is not None or exposure.ra_deg is None or exposure.dec_deg is None:
            continue
        near = [
            (separation_deg(exposure.ra_deg, exposure.dec_deg, ra, dec), name)
            for name, ra, dec in places
            if abs(dec - exposure.dec_deg) <= SAME_POINTING_DEG
        ]
        if near and min(near)[0] <= SAME_POINTING_DEG:
            out[i] = min(near)[1]
        else:
            out[i] = _pointing_name(exposure.ra_deg, exposure.dec_deg)
            places.append((out[i] or "", exposure.ra_deg, exposure.dec_deg))
    return out


class _Fields:
    """The fields that frames of one target point at."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.places: list[tuple[str, float, float]] = []
        """Names of fields, and some of the pointings of each. [deg]"""

    def of(self, ra_deg: float, dec_deg: float, reach_deg: float) -> str:
        """The field that a frame shows: one that it overlaps, if only by way of others, or a new one."""
        apart, name = min(
            ((separation_deg(ra_deg, dec_deg, ra, dec), name) for name, ra, dec in self.places),
            default=(math.inf, self.name),
        )
        if self.places and apart > reach_deg:
            name = f"{self.name} field {len({one for one, _, _ in self.places}) + 1}"
        if apart > SAME_POINTING_DEG / 4:  # a dither is no new place
            self.places.append((name, ra_deg, dec_deg))
        return name


def _reach_deg(exposure: Exposure) -> float:
    """How far apart two frames may point and still share stars; anywhere, where the field's size is unknown. [deg]"""
    scale = exposure.stated_scale_arcsec
    if exposure.orientation is not None:
        scale = exposure.orientation.pixel_scale_arcsec
    elif scale is None and exposure.pixel_um and exposure.focal_length_mm:
        scale = arcsec_of(exposure.pixel_um, exposure.focal_length_mm)
    if scale is None:
        return math.inf
    return max(math.hypot(exposure.width_px, exposure.height_px) * scale / 3600, SAME_POINTING_DEG)


def _pointing_name(ra_deg: float, dec_deg: float) -> str:
    return f"field at {ra_deg:.1f} {dec_deg:+.1f}"


def _exposure_classes(exposures: Sequence[Exposure]) -> list[int | None]:
    """A number for each exposure time, the same for those within 1 % of the shortest of them."""
    known = sorted({exposure.exposure_s for exposure in exposures if exposure.exposure_s is not None})
    number: dict[float, int] = {}
    first, count = -1.0, -1
    for seconds in known:
        if first < 0 or seconds > first * SAME_EXPOSURE:
            first, count = seconds, count + 1
        number[seconds] = count
    return [None if exposure.exposure_s is None else number[exposure.exposure_s] for exposure in exposures]


def _describe(exposures: list[Exposure], key: Key) -> str:
    """Readable name of a group: target, filter, exposure, and the binning if it is not 1."""
    target = _first(exposure.target for exposure in exposures if loose(exposure.target))
    if target is None:
        target = str(key[0] or NO_TARGET)
    seconds = typical_of([exposure.exposure_s for exposure in exposures])
    binning = exposures[0].binning
    parts = [
        plain(target) or NO_TARGET,
        plain(_first(exposure.filter for exposure in exposures) or "") or NO_FILTER,
        NO_EXPOSURE if seconds is None else f"{seconds:.3g}s" if seconds < 100 else f"{seconds:.0f}s",
    ]
    return "/".join(parts) + (f"/bin{binning}" if binning not in (None, 1) else "")


def plain(text: str) -> str:
    """Letters, digits, spaces and .+-_ of a text; runs of anything else become one space."""
    kept = "".join(c if c.isalnum() or c in ".+-_" else " " for c in unicodedata.normalize("NFKC", text))
    return " ".join(kept.split())[:60].strip()


def _unique_ids(firsts: Mapping[Key, tuple[Exposure, int]], names: Mapping[Key, str]) -> dict[Key, str]:
    """Names made unique, where groups share one, by what tells them apart.

    Image size, gain, f-number, camera, telescope, plane, scale; if nothing else does, the visit or the field.
    """
    out: dict[Key, str] = {}
    for key, (first, session) in firsts.items():
        alike = [other for other in firsts if names[other] == names[key]]
        name = names[key]
        if len(alike) > 1:
            name = "/".join([name, *_differences(first, [firsts[other][0] for other in alike])])
        taken = {out[other]: firsts[other][1] for other in out}
        if name in taken:
            name += "/visit " if taken[name] != session else "/field "
            name += str(next(n for n in count(2) if f"{name}{n}" not in taken))
        out[key] = name
    return out


def _differences(own: Exposure, alike: list[Exposure]) -> list[str]:
    def labels(exposure: Exposure) -> list[str]:
        gain = exposure.camera_gain_setting
        electrons = exposure.gain_e_per_adu
        return [
            f"{exposure.width_px}x{exposure.height_px}",
            f"gain {gain:g}" if gain is not None else f"{electrons:.2g} e per ADU" if electrons else "unknown gain",
            plain(exposure.camera or "") or "unnamed camera",
            plain(exposure.telescope or "") or "unnamed telescope",
            plain(exposure.plane or "") or "plain",
            f"bin{exposure.binning}" if exposure.binning else "unknown binning",
            "unknown f-number" if exposure.lens_f_number is None else f"f{exposure.lens_f_number:g}",
            "in ADU" if exposure.value_scale == "ADU" else f"values {exposure.value_scale}",
        ]

    columns = list(zip(*(labels(exposure) for exposure in alike), strict=True))
    return [label for label, column in zip(labels(own), columns, strict=True) if len(set(column)) > 1]


def _first(values: Iterable[str | None]) -> str | None:
    return next((value for value in values if value), None)
