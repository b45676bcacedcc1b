"""What frames without light tell of those with: the pedestal and the read noise, against what headers claim."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import median
from typing import Any, Final

from framecheck.field.result import FrameResult
from framecheck.night.records import Skipped
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig
from framecheck.read.unlit import noise_of_pair

_SAME_SETTING: Final = ("camera", "binning", "camera_gain_setting", "camera_offset_setting", "gain_e_per_adu")
"""What frames must share where both say it, besides their size, for one to tell the pedestal of the other."""
_PEDESTALS_AGREE: Final = 5.0
"""[noise of a pixel without light] Chosen: amplifiers drift by part of it, claims of other settings miss by more."""
_NOISES_AGREE: Final = 0.3
"""[dimensionless] Chosen: data sheets name the typical camera."""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Dark:
    """Level without light and noise of a readout, each with the frames that it comes from."""

    pedestal_adu: float | None = None
    pedestal_from: str = ""
    noise_adu: float | None = None
    noise_from: str = ""


def with_unlit(results: Sequence[FrameResult], skipped: Sequence[Skipped], rig: Rig) -> tuple[FrameResult, ...]:
    """The frames with pedestal and read noise as overscan, bias and dark frames show them.

    Parameters
    ----------
    results : sequence of FrameResult
    skipped : sequence of Skipped
        Among them the bias and dark frames of the folder; one tells of the lights of its size, camera, binning, gain
        and offset.
    rig : Rig
        The rig file: what it says stands for every frame.

    Returns
    -------
    tuple of FrameResult
        `pedestal_adu` and `read_noise_e` of each exposure are what is known best, `provenance` says from where, and a
        header or rig file that says otherwise is told among the conflicts. None where nothing tells it.

    Notes
    -----
    A frame's own overscan comes before bias frames, and these before darks, whose level holds the dark current. The
    read noise is that of differences between pairs of bias frames, where fixed patterns drop out; else that of
    overscan or of one bias frame. Frames of real numbers, or said to be calibrated, have no bias left, and no bias
    frame tells of them.
    """
    unlit = [one for one in skipped if one.exposure is not None and one.unlit is not None]
    alike: dict[tuple[Any, ...], list[Exposure]] = {}
    for result in results:
        alike.setdefault(_setting(result.exposure), []).append(result.exposure)
    known = {
        setting: _with_noise_of_overscan(_of_frames(lights[0], [] if lights[0].processed else unlit), lights)
        for setting, lights in alike.items()
    }
    return tuple(
        _settled(result, _with_overscan(known[_setting(result.exposure)], result.exposure), rig) for result in results
    )


def _setting(light: Exposure) -> tuple[Any, ...]:
    """What lights share that the same frames tell of."""
    shared = (*_SAME_SETTING, "width_px", "height_px", "exposure_s", "processed")
    return tuple(getattr(light, name) for name in shared)


def _of_frames(light: Exposure, unlit: Sequence[Skipped]) -> _Dark:
    """What bias and dark frames of a light's setting tell."""
    fitting = [one for one in unlit if one.exposure is not None and _same_setting(light, one.exposure)]
    bias = [one for one in fitting if one.kind == "bias"]
    if bias:
        levels = [one.unlit.level_adu for one in bias if one.unlit is not None]
        noise = _read_noise_adu(bias)
        return _Dark(
            pedestal_adu=median(levels),
            pedestal_from="bias frames",
            noise_adu=noise,
            noise_from="" if noise is None else "bias frames",
        )
    darks = [one for one in fitting if one.kind == "dark"]
    if not darks:
        return _Dark()
    apart = [_apart_s(light, one) for one in darks]
    nearest = [one for one, so_far in zip(darks, apart, strict=True) if so_far == min(apart)]
    levels = [one.unlit.level_adu for one in nearest if one.unlit is not None]
    return _Dark(pedestal_adu=median(levels), pedestal_from="dark frames")


def _same_setting(light: Exposure, other: Exposure) -> bool:
    if (light.width_px, light.height_px) != (other.width_px, other.height_px):
        return False
    said = ((getattr(light, name), getattr(other, name)) for name in _SAME_SETTING)
    return all(one is None or two is None or one == two for one, two in said)


def _apart_s(light: Exposure, dark: Skipped) -> float:
    """How far the exposure times differ; one that is unknown differs most."""
    exposure_s = None if dark.exposure is None else dark.exposure.exposure_s
    return float("inf") if exposure_s is None or light.exposure_s is None else abs(exposure_s - light.exposure_s)


def _read_noise_adu(bias: Sequence[Skipped]) -> float | None:
    """Noise of reading a pixel; frames that were averaged or corrected do not tell it."""
    raw = [one.unlit for one in bias if one.unlit is not None and one.exposure and not one.exposure.processed]
    pairs = [noise for noise in (noise_of_pair(one, other) for one, other in pairwise(raw)) if noise]
    alone = [one.noise_adu for one in raw if one.noise_adu > 0]
    return median(pairs) if pairs else median(alone) if alone else None


def _with_overscan(dark: _Dark, exposure: Exposure) -> _Dark:
    """The same, with the level of a frame's own overscan."""
    if exposure.overscan_adu is None:
        return dark
    return replace(dark, pedestal_adu=exposure.overscan_adu, pedestal_from="overscan")


def _with_noise_of_overscan(dark: _Dark, lights: Sequence[Exposure]) -> _Dark:
    """The same, with the typical noise of the lights' overscan where no bias frame tells it."""
    noises = [light.overscan_noise_adu for light in lights if light.overscan_noise_adu]
    if dark.noise_adu is not None or not noises:
        return dark
    return replace(dark, noise_adu=median(noises), noise_from="overscan")


def _settled(result: FrameResult, dark: _Dark, rig: Rig) -> FrameResult:
    """A frame with what is known best of its pedestal, gain and read noise."""
    exposure = result.exposure
    provenance, conflicts = dict(exposure.provenance), list(exposure.conflicts)
    gain = exposure.gain_e_per_adu if rig.gain_e_per_adu is None else rig.gain_e_per_adu
    pedestal, pedestal_from, more = _pedestal(result, dark, rig)
    conflicts += more
    read_noise, read_noise_from, more = _read_noise(exposure, dark, rig, gain)
    conflicts += more
    for name, source in (("pedestal_adu", pedestal_from), ("read_noise_e", read_noise_from)):
        provenance.pop(name, None)
        if source:
            provenance[name] = source
    exposure = replace(
        exposure,
        gain_e_per_adu=gain,
        pedestal_adu=pedestal,
        read_noise_e=read_noise,
        provenance=provenance,
        conflicts=tuple(dict.fromkeys(conflicts)),
    )
    return replace(result, exposure=exposure, sky=result.sky.above(pedestal))


def _pedestal(result: FrameResult, dark: _Dark, rig: Rig) -> tuple[float | None, str, list[str]]:
    """The pedestal known best, where it comes from, and what contradicts it."""
    exposure, sky = result.exposure, result.sky
    conflicts = []
    measured = dark.pedestal_adu
    if measured is not None and measured > sky.level_adu + sky.noise_adu:
        conflicts.append(
            f"The {_shows(dark.pedestal_from)} {_adu(measured)}, more than the sky of the frame: that does not "
            "belong to it, and was not used."
        )
        measured = None
    claim, said = exposure.pedestal_adu, exposure.provenance.get("pedestal_adu", "")
    if rig.pedestal_adu is not None:
        claim, said = rig.pedestal_adu, "rig file"
    if measured is not None:
        if claim is not None and abs(claim - measured) > _PEDESTALS_AGREE * max(dark.noise_adu or 0.0, 1.0):
            told = "The rig file gives a pedestal of" if said == "rig file" else f"{said} gives a pedestal of"
            taken = "we used the rig file" if said == "rig file" else "we used the latter"
            conflicts.append(f"{told} {_adu(claim)}, the {_shows(dark.pedestal_from)} {_adu(measured)}; {taken}.")
        if said != "rig file":
            return measured, dark.pedestal_from, conflicts
    if claim is not None and said != "rig file" and claim > sky.level_adu + sky.noise_adu:
        conflicts.append(f"{said} gives a pedestal of {_adu(claim)}, above the sky of the frame; it was ignored.")
        return None, "", conflicts
    return claim, said, conflicts


def _shows(source: str) -> str:
    return f"{source} show" if source.endswith("s") else f"{source} shows"


def _adu(level: float) -> str:
    """A level in words, so that frames whose levels differ by their noise say the same."""
    return f"{level:.2g} ADU" if abs(level) < 100 else f"{round(level, -1):.0f} ADU"


def _read_noise(exposure: Exposure, dark: _Dark, rig: Rig, gain: float | None) -> tuple[float | None, str, list[str]]:
    """The read noise known best, where it comes from, and what contradicts it. [electrons]"""
    if rig.read_noise_e is not None:
        return rig.read_noise_e, "rig file", []
    claim, said = exposure.read_noise_e, exposure.provenance.get("read_noise_e", "")
    if dark.noise_adu is None or gain is None:
        return claim, said, []
    measured = dark.noise_adu * gain
    if claim is None or abs(measured / claim - 1) <= _NOISES_AGREE:
        return measured, dark.noise_from, []
    told = f"{said} gives a read noise of {claim:.2g} e, the {_shows(dark.noise_from)} {measured:.2g} e"
    return measured, dark.noise_from, [f"{told} at {gain:.3g} e/ADU; we used the latter."]
