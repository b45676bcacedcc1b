"""Frames set beside each other: ordered, grouped, registered, their light compared."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from framecheck.document import shared_fields
from framecheck.field.result import FrameFailure, FrameResult
from framecheck.night.airmass import in_the_sky
from framecheck.night.groups import FrameGroup, group_exposures
from framecheck.night.guiding import GuidingRecord, rms_during
from framecheck.night.records import Group, InCommon, NightFrame
from framecheck.night.register import Match, register_group
from framecheck.night.sessions import session_rigs, sessions_of
from framecheck.night.sky_rate import gain_from_sky, sky_e_per_s
from framecheck.night.stationary import without_stationary_lights
from framecheck.night.transparency import GroupLight, light_of_group, transparencies
from framecheck.night.worth import Ideal, effective_exposure_s, ideal_of
from framecheck.night.zero_point import dimmed_groups
from framecheck.read.rig import Rig


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupedFrames:
    """A night's frames set beside each other, without their motion."""

    rig: Rig
    frames: tuple[NightFrame, ...]
    """In order of start time."""
    groups: tuple[Group, ...]
    rigs: dict[int, Rig]
    """Session -> its rig, where they were taken with more than one; else empty."""


def group_frames(
    rig: Rig,
    results: Sequence[FrameResult],
    failures: Sequence[FrameFailure] = (),
    guiding: GuidingRecord | None = None,
) -> GroupedFrames:
    """Set the frames of a night beside each other.

    Parameters
    ----------
    rig : Rig
        What is known of the equipment, headers included.
    results : sequence of FrameResult
        In any order: what comes out does not depend on it.
    failures : sequence of FrameFailure
        Frames that could not be measured: they end no session.
    guiding : GuidingRecord, optional
        What the guider saw, joined to the frames by time. A night with one was guided, unless `rig` says otherwise.

    Returns
    -------
    GroupedFrames
        Frames in order of start time; those without a time after the others, by name. The time this takes grows in
        proportion to the number of frames.
    """
    ordered = sorted(results, key=_in_order)
    if guiding is not None and rig.guided is None:
        rig = replace(rig, guided=True)
    frames: list[NightFrame | None] = [None] * len(ordered)
    groups = []
    exposures = [result.exposure for result in ordered]
    sessions = sessions_of(exposures, [one.exposure for one in failures if one.exposure is not None])
    rigs = session_rigs(rig, exposures, sessions)
    plans = group_exposures(exposures, sessions)
    registered = [_register([ordered[i] for i in plan.members]) for plan in plans]
    shared = _share_light(plans, registered)
    for plan, alike, (zero_point, dimmed) in zip(plans, registered, shared, strict=True):
        own, ideal = _compared(plan.id, alike, dimmed, rigs.get(plan.session, rig), guiding)
        for i, frame in zip(plan.members, own, strict=True):
            frames[i] = frame
        groups.append(_group(plan, own, plan.members[alike.reference], ideal, zero_point))
    return GroupedFrames(
        rig=rig, frames=tuple(frame for frame in frames if frame is not None), groups=tuple(groups), rigs=rigs
    )


def _in_order(result: FrameResult) -> tuple[bool, float, list[tuple[int, str]], str]:
    """By time, then by name with its numbers taken as numbers."""
    start, name = result.exposure.start_by_clock, str(result.exposure.file)
    parts = [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", name)]
    return start is None, 0.0 if start is None else start.timestamp(), parts, result.exposure.plane or ""


@dataclass(frozen=True, slots=True)
class _Registered:
    """The frames of one group laid on each other, with their light."""

    results: list[FrameResult]
    reference: int
    matches: list[Match | None]
    light: GroupLight


def _register(results: list[FrameResult]) -> _Registered:
    reference, matches = register_group(results)
    results = without_stationary_lights(results, matches)
    return _Registered(results, reference, matches, light_of_group(results, matches))


def _share_light(
    plans: Sequence[FrameGroup], registered: Sequence[_Registered]
) -> list[tuple[str | None, tuple[float, float] | None]]:
    """For each group the first that it shares its zero point with, and how far it is dimmed; None if none does."""
    out: list[tuple[str | None, tuple[float, float] | None]] = [(None, None)] * len(plans)
    for kin in {plan.kin for plan in plans if plan.exposure_s}:
        family = [k for k, plan in enumerate(plans) if plan.kin == kin and plan.exposure_s]
        if len(family) < 2:
            continue
        references = [registered[k].results[registered[k].reference] for k in family]
        dimmed = dimmed_groups(references, [registered[k].light for k in family])
        linked = [k for k, one in zip(family, dimmed, strict=True) if one is not None]
        for k, one in zip(family, dimmed, strict=True):
            out[k] = (plans[linked[0]].id, one) if one is not None else (None, None)
    return out


def _compared(
    group: str, alike: _Registered, dimmed: tuple[float, float] | None, rig: Rig, guiding: GuidingRecord | None
) -> tuple[list[NightFrame], Ideal | None]:
    """The frames of one group with all that comparing them tells, and the best conditions that they reach."""
    results = alike.results
    seen = transparencies(alike.light) if dimmed is None else transparencies(alike.light, *dimmed)
    ideal, gain = ideal_of(results, seen), _gain(results)
    places = in_the_sky([result.exposure for result in results], rig)
    frames = [
        NightFrame(
            result=result,
            group=group,
            registration=None if match is None else match.registration,
            transparency=None if light is None else light.value,
            transparency_error=None if light is None else light.error,
            effective_exposure_s=effective_exposure_s(result, light, ideal),
            altitude_deg=place.altitude_deg,
            airmass=place.airmass,
            hour_angle_deg=place.hour_angle_deg,
            sky_e_per_s=sky_e_per_s(result, rig, gain),
            guide_rms_arcsec=_guide_rms(result, guiding),
        )
        for result, match, light, place in zip(results, alike.matches, seen, places, strict=True)
    ]
    return frames, ideal


def _guide_rms(result: FrameResult, guiding: GuidingRecord | None) -> tuple[float, float] | None:
    start, exposure = result.exposure.start_utc, result.exposure.exposure_s
    return None if guiding is None or start is None or exposure is None else rms_during(guiding, start, exposure)


def _gain(results: list[FrameResult]) -> float | None:
    """Gain that the changing sky shows. [electrons per ADU]"""
    levels, noises = (np.array([getattr(r.sky, name) for r in results]) for name in ("level_adu", "noise_adu"))
    found = gain_from_sky(levels, noises)
    return None if found is None else found[0]


def _group(
    plan: FrameGroup, frames: list[NightFrame], reference: int, ideal: Ideal | None, zero_point: str | None
) -> Group:
    shapes = [one.result.shape for one in frames if one.result.shape is not None and one.result.shape.fwhm_px > 0]
    exposures = [one.result.exposure.exposure_s for one in frames]
    worths = [one.effective_exposure_s for one in frames if one.effective_exposure_s is not None]
    return Group(
        **shared_fields(plan, InCommon),
        reference=reference,
        members=plan.members,
        total_exposure_s=None if None in exposures else sum(seconds for seconds in exposures if seconds is not None),
        effective_exposure_s=sum(worths) if worths else None,
        median_fwhm_px=median(shape.fwhm_px for shape in shapes) if shapes else None,
        median_elongation=median(shape.elongation for shape in shapes) if shapes else None,
        best_fwhm_px=None if ideal is None else ideal.fwhm_px,
        best_noise_adu=None if ideal is None else ideal.noise_adu,
        zero_point=zero_point,
    )
