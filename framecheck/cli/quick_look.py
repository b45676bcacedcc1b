"""`framecheck night --quick`: some frames of the newest night, evenly spread, judged in seconds.

Nothing is written but the logbook, so that no page of a sample passes for that of the night; what was measured is known
when the whole night is judged.
"""

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from framecheck.cli.night_command import folder_of, frames_of, measure_folder, nothing_sentence
from framecheck.cli.rig_in_use import rig_file_of, rig_of
from framecheck.cli.terminal import say, warn
from framecheck.cli.workforce import HERE, Workforce
from framecheck.decision.judgement import Aim
from framecheck.document import json_text
from framecheck.errors import NothingMeasured, UnusableFrame, UnusableRequest
from framecheck.logbook import Logbook
from framecheck.pipeline import judge_night
from framecheck.read import is_remote, place_name, read_exposure, with_saved
from framecheck.report.look import look_of
from framecheck.report.night_json import night_document
from framecheck.report.terminal import failure_lines, night_lines
from framecheck.report.time_axis import date_of
from framecheck.watch.latest_night import begin_of_night
from framecheck.words import as_argument, counted, safe

MOST: Final = 24
"""Frames measured at most. Chosen: two or three seconds' work for a laptop, and enough to tell a fault that lasts from
one frame's bad luck."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """Frames of the newest night, evenly spread."""

    paths: tuple[Path, ...]
    n_of_night: int
    every: int
    begin: datetime | None
    """Of the night; by the camera's clock where UTC is not known."""

    @property
    def words(self) -> str:
        """What was looked at, in a sentence."""
        night = "the newest night" if self.begin is None else f"the newest night, {date_of(self.begin)}"
        which = "all" if self.every == 1 else f"every {_ordinal(self.every)} of"
        return f"A quick look at {which} {counted(self.n_of_night, 'frame')} of {night}."


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
    measurements = measure_folder(list(sample.paths), rig, force, quiet, logbook)
    if not measurements.results:
        for line in failure_lines(measurements.failures, folder):
            warn(line)
        raise NothingMeasured(nothing_sentence(folder, measurements))
    rig = with_saved(rig, [result.exposure for result in measurements.results])
    judgement = judge_night(folder_of(folder), measurements, rig, aim)
    if as_json:
        say(json_text({**night_document(judgement), "quick": {"every": sample.every, "n_of_night": sample.n_of_night}}))
    elif not quiet:
        look = look_of(sys.stdout)
        say(look.wrap(sample.words, 0) + "\n")
        say("\n".join(night_lines(judgement, look)))
        if sample.every > 1:
            say("\n" + look.wrap("A sample can miss a cause or mistake one. To grade every frame:", 0))
            say(f"  framecheck night {as_argument(folder)}")
    return len(measurements.failures)


def newest_night(paths: Sequence[Path]) -> Sample:
    """Every n-th light of the newest night, in order of time, so that no more than `MOST` are taken."""
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
    every = -(-len(newest) // MOST)
    return Sample(paths=tuple(newest[::every]), n_of_night=len(newest), every=every, begin=begin)


def _ordinal(n: int) -> str:
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"
