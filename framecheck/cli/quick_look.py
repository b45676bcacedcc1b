"""`framecheck night --quick`: some frames of the newest night, judged in seconds.

Nothing is written but the logbook, so that no page of a sample passes for that of the night; what was measured is known
when the whole night is judged.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from framecheck.cli.night_command import folder_of, frames_of, measured_folder
from framecheck.cli.rig_in_use import rig_file_of, rig_of
from framecheck.cli.terminal import say
from framecheck.cli.workforce import HERE, Workforce
from framecheck.decision.grades import Aim
from framecheck.document import json_text
from framecheck.errors import UnusableFrame, UnusableRequest
from framecheck.logbook import Logbook
from framecheck.pipeline import judge_night
from framecheck.read import is_remote, place_name, read_exposure
from framecheck.report.look import look_of
from framecheck.report.night_json import night_document
from framecheck.report.terminal import night_lines
from framecheck.report.time_axis import date_of
from framecheck.watch.latest_night import begin_of_night
from framecheck.words import as_argument, counted, safe

RUNS: Final = 3
"""Of frames that follow each other: at the beginning, in the middle and at the end of the night. Chosen."""
EACH: Final = 6
"""Frames of a run. Chosen: with all runs a few seconds' work, and frames in a row show how a mount moves. As many at
even steps along a night showed a worm's period as another one, or as random motion."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """Some frames of the newest night, or all of them if they are few."""

    paths: tuple[Path, ...]
    n_of_night: int
    begin: datetime | None
    """Of the night; by the camera's clock where UTC is not known."""

    @property
    def is_whole(self) -> bool:
        """Whether it holds all frames of the night."""
        return len(self.paths) == self.n_of_night

    @property
    def words(self) -> str:
        """What was looked at, in a sentence."""
        night = "the newest night" if self.begin is None else f"the newest night, {date_of(self.begin)}"
        if self.is_whole:
            return f"A quick look at all {counted(self.n_of_night, 'frame')} of {night}."
        which = f"{len(self.paths)} of {counted(self.n_of_night, 'frame')}"
        return f"A quick look at {which} of {night}: {EACH} in a row at its beginning, middle and end."


def quick_look(
    folder: Path,
    rig_file: Path | None,
    aim: Aim = "balanced",
    *,
    force: Workforce = HERE,
    logbook: Logbook | None = None,
    as_json: bool = False,
    quiet: bool = False,
) -> int:
    """Judge some frames of a folder's newest night; the number that could not be measured.

    Raises
    ------
    UnusableRequest, UnusableRig, NothingMeasured
        With a sentence for the user.
    """
    if is_remote(folder):
        raise UnusableRequest(
            f"{safe(place_name(folder))}: --quick reads the headers of all frames, which here means fetching all of "
            "them. Leave it out."
        )
    paths = frames_of(folder)
    rig = rig_of(rig_file_of(folder, rig_file), paths, asks=not (quiet or as_json))
    sample = newest_night(paths)
    measurements, rig = measured_folder(folder, list(sample.paths), rig, force, quiet, logbook)
    judgement = judge_night(folder_of(folder), measurements, rig, aim)
    if as_json:
        say(
            json_text(
                {**night_document(judgement), "quick": {"n_frames": len(sample.paths), "n_of_night": sample.n_of_night}}
            )
        )
    elif not quiet:
        look = look_of(sys.stdout)
        say(look.wrap(sample.words, 0) + "\n")
        say("\n".join(night_lines(judgement, look)))
        if not sample.is_whole:
            say("\n" + look.wrap("A sample can miss a cause or mistake one. To grade every frame:", 0))
            say(f"  framecheck night {as_argument(folder)}")
    return len(measurements.failures)


def newest_night(paths: Sequence[Path]) -> Sample:
    """Lights of the newest night, in order of time: `RUNS` times `EACH` in a row, or all if they are few."""
    starts: dict[Path, datetime | None] = {}
    for path in paths:
        try:
            exposure = read_exposure(path)
        except UnusableFrame:
            continue
        if exposure.kind in ("light", "unknown"):
            starts[path] = exposure.start_by_clock
    begin = begin_of_night(starts.values())
    known = sorted((start, path) for path, start in starts.items() if start is not None and begin is not None)
    newest = [path for start, path in known if begin is not None and start >= begin] or list(starts) or list(paths)
    return Sample(paths=tuple(_in_runs(newest)), n_of_night=len(newest), begin=begin)


def _in_runs(paths: Sequence[Path]) -> list[Path]:
    spare = len(paths) - RUNS * EACH
    if spare <= 0:
        return list(paths)
    begins = [k * EACH + k * spare // (RUNS - 1) for k in range(RUNS)]
    return [path for begin in begins for path in paths[begin : begin + EACH]]
