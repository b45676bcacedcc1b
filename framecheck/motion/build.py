"""A night out of its frames: set beside each other, and the motion between and inside them found."""

from collections.abc import Sequence
from pathlib import Path

from framecheck.field.result import FrameFailure, FrameResult
from framecheck.motion.drift import motion_between
from framecheck.motion.night import Night
from framecheck.motion.records import Motion
from framecheck.motion.tracking import track_group
from framecheck.night.gather import group_frames
from framecheck.night.guiding import GuidingRecord
from framecheck.night.records import NightFrame, Skipped
from framecheck.read.rig import Rig


def build_night(
    folder: Path,
    rig: Rig,
    results: Sequence[FrameResult],
    failures: Sequence[FrameFailure] = (),
    skipped: Sequence[Skipped] = (),
    guiding: GuidingRecord | None = None,
) -> Night:
    """Set the frames of a folder beside each other, and find how the mount moved.

    Parameters
    ----------
    folder : Path
    rig : Rig
        What is known of the equipment, headers included.
    results : sequence of FrameResult
        In any order: what comes out does not depend on it.
    failures, skipped : sequence
        Files that could not be measured, and files that are no lights.
    guiding : GuidingRecord, optional
        What the guider saw, joined to the frames by time. A night with one was guided, unless `rig` says otherwise.

    Returns
    -------
    Night
        Frames as `framecheck.night.gather.group_frames` orders them. The time this takes grows in proportion to the
        number of frames.
    """
    beside = group_frames(rig, results, failures, guiding)
    motion, tracking = {}, {}
    for group in beside.groups:
        members = [beside.frames[i] for i in group.members]
        motion[group.id] = _motion(members, group.members)
        own = beside.rigs.get(group.session, beside.rig)
        tracking[group.id] = track_group(group, members, motion[group.id], own)
    return Night(
        folder=folder,
        rig=beside.rig,
        frames=beside.frames,
        groups=beside.groups,
        motion=motion,
        tracking=tracking,
        rigs=beside.rigs,
        failures=tuple(failures),
        skipped=tuple(skipped),
    )


def _motion(members: Sequence[NightFrame], indices: tuple[int, ...]) -> Motion:
    times = [frame.result.exposure.middle_by_clock for frame in members]
    return motion_between(
        [frame.registration for frame in members],
        [None if time is None else time.timestamp() / 60 for time in times],
        indices,
    )
