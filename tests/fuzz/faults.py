"""Commands on a disk that fails at their n-th call, for n = 1, 2, 3 ... until they get through.

    python tests/fuzz/faults.py --summary tests/fuzz/campaign.json    all, summed up; some 20 minutes
    python tests/fuzz/faults.py --what sort --every 7 --most 40    a slice, told only

Nothing may be lost, files are whole or not there, what is said is a sentence, and the next run mends it. Calls that
count: opening, writing, syncing, renaming, linking, removing and making below one folder, and SQLite's statements. A
night has two small frames, which are read in its own process and meet the failure too; what opens no file, measuring
them and judging each choice of them, is done once, and its page is short: else a try would take seconds.
"""

import argparse
import io
import json
import os
import shutil
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import nullcontext, redirect_stderr
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from itertools import combinations
from pathlib import Path

from failing import ERRORS, HOWS, arm

sys.path += [str(Path(__file__).parent.parent / room) for room in ("", "logbook", "decision", "whole")]
import small_night
from in_place import InPlace
from kept_frames import bits, result_of, write_file
from night_documents import document_of
from past_nights import night

import framecheck.sort.carry_out  # noqa: F401 - loaded once, not by every child
from framecheck import pipeline
from framecheck.cli import main as command_line
from framecheck.cli import night_command
from framecheck.cli.workforce import Workforce
from framecheck.decision.judgement import Judgement
from framecheck.field import FrameResult
from framecheck.logbook import Logbook, WrittenReport, open_logbook
from framecheck.logbook.reports import _code
from framecheck.logbook.soundness import look_through
from framecheck.pipeline import Measurements, measure_frame
from framecheck.read import Rig
from framecheck.report import write
from framecheck.sort.journal import JOURNAL
from framecheck.watch import measuring, watching

SUMMARY = Path(__file__).parent / "campaign.json"
KILLED = -9
CODES = (0, 1, 2, 4, KILLED)
"""Of the contract, and of a process that is killed."""


class Wrong(Exception):  # noqa: N818
    """What must not be; the message says what."""


@dataclass(frozen=True, kw_only=True)
class Ended:
    """How a child ended, and whether it met the failure."""

    code: int
    said: str
    came: bool
    lasts: bool = False
    """Whether all later calls failed as well."""


def child(act: Callable[[], int], folder: Path, moment: int = 0, how: str = "EIO", *, lasts: bool = False) -> Ended:
    """Do something in a forked process, on a disk that fails at a moment; 0 is never."""
    reading, writing = os.pipe()
    log = folder.with_name("said.txt")
    number = os.fork()
    if number == 0:
        os.close(reading)
        handle = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(handle, 1)
        os.dup2(handle, 2)
        code = 70
        try:
            if moment:
                arm(folder, moment, how, lasts=lasts, report=writing)
            code = act()
        except BaseException:
            traceback.print_exc()
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    os.close(writing)
    _, status = os.waitpid(number, 0)
    came = os.read(reading, 1) == b"x"
    os.close(reading)
    return Ended(code=os.waitstatus_to_exitcode(status), said=log.read_text(), came=came, lasts=lasts)


def command(*words: str | Path) -> Callable[[], int]:
    """The command line."""

    def act() -> int:
        sys.argv = ["framecheck", *map(str, words)]
        return command_line._exit_code()

    return act


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Something done on a failing disk. Each part gets the folder that it happens in."""

    prepare: Callable[[Path], None]
    act: Callable[[Path], Callable[[], int]]
    check: Callable[[Path, Ended], None]
    """After the failure."""
    mend: Callable[[Path], None]
    """The next run, on a disk that is sound again."""


def must(true: object, what: object) -> None:
    if not true:
        raise Wrong(str(what)[-600:])


def ran(ended: Ended, *codes: int) -> None:
    must(ended.code in codes, f"exit code {ended.code}: {ended.said}")


# sorting: four frames, of which none may be lost or half there

GRADES = ("keep", "doubtful", "reject")


def draw_frames(top: Path) -> None:
    (top / "lights" / "deep").mkdir(parents=True)
    names = ["light 0.fits", "light 1.fits", "deep/light 2.fits"]
    for k, name in enumerate(names):
        (top / "lights" / name).write_bytes(bytes([k + 1]) * 3000)
        os.utime(top / "lights" / name, (1e9, 1e9))
    frames = [{"file": name, "grade": grade} for name, grade in zip(names, GRADES, strict=True)]
    (top / "lights" / "night.json").write_text(json.dumps({"frames": frames}))


def sort(top: Path, way: str) -> Callable[[], int]:
    book = ("--quiet", "--logbook", top / "book.sqlite")
    return command("sort", top / "lights", "--into", top / "new" / "sorted", "--yes", *([way] if way else []), *book)


def undo(top: Path) -> Callable[[], int]:
    words = ("--quiet", "--frames", top / "lights", "--logbook", top / "book.sqlite")
    return command("sort", "--undo", top / "new" / "sorted", *words)


def frames_below(folder: Path) -> Iterator[bytes]:
    for path in folder.rglob("*.fits"):
        yield path.read_bytes()


def all_there(top: Path, ended: Ended) -> None:
    ran(ended, *CODES)
    whole = {bytes([k + 1]) * 3000 for k in range(3)}
    found = set(frames_below(top))
    must(found == whole, f"{len(whole - found)} frames lost, {len(found - whole)} not whole; {ended.said}")
    must("Traceback" not in ended.said and ended.said.count("\n") <= 2, ended.said)  # of the logbook, of the sort


def mend_sort(top: Path) -> None:
    into = top / "new" / "sorted"
    if (into / JOURNAL).exists():
        ran(child(undo(top), top), 0)
    must(len(list(frames_below(top / "lights"))) == 3, "not all are back")
    must(not list(frames_below(top / "new")), "some were left")
    ran(child(sort(top, "--move"), top), 0)
    must(len(list(frames_below(into))) == 3, "not all were sorted")


def sorted_frames(top: Path) -> None:
    draw_frames(top)
    ran(child(sort(top, "--move"), top), 0)


def mend_undo(top: Path) -> None:
    if (top / "new" / "sorted" / JOURNAL).exists():
        ran(child(undo(top), top), 0)
    must(len(list(frames_below(top / "lights"))) == 3, "not all are back")
    # at worst the folder that was sorted into, empty, once the journal is gone
    must(not set((top / "new").rglob("*")) - {top / "new" / "sorted"}, "something was left")


# the logbook: what was told to be written is there, and nothing else than what was written


def some_files(top: Path) -> None:
    for k in range(4):
        write_file(top / "lights" / f"{k}.fits", k)


def write_book(top: Path) -> Callable[[], int]:
    def act() -> int:
        book = open_logbook(top / "book.sqlite", lambda text: sys.stderr.write(text + "\n") and None)
        if book is None:
            return 0
        with book:
            for k in range(4):
                path = top / "lights" / f"{k}.fits"
                if book.recall(path, Rig()) is None and book.record(path, Rig(), result_of(path, k)):
                    os.write(1, f"wrote {k}\n".encode())
            book.record_night(document_of(night(n_frames=12)))
            book.keep_told(top, "told")
            book.record_report(top, top, b"basis", WrittenReport(summary="", files={}, failures={}))
        return 0

    return act


def book_is_sound(top: Path, ended: Ended) -> None:
    ran(ended, 0, KILLED)
    must("Traceback" not in ended.said, ended.said)
    file = top / "book.sqlite"
    if not file.exists():
        return
    with Logbook(file) as book:
        for k in range(4):
            path = top / "lights" / f"{k}.fits"
            known = book.recall(path, Rig())
            must(known is not None or f"wrote {k}\n" not in ended.said, f"{k} is lost: {ended.said}")
            must(known is None or bits(known) == bits(result_of(path, k)), f"{k} was changed")
    must(look_through(file).is_sound, look_through(file))


def mend_book(top: Path) -> None:
    ran(child(write_book(top), top), 0)
    found = look_through(top / "book.sqlite")
    must(found.is_sound and found.n_sound["frames"] == 4 and found.n_sound["nights"] == 1, found)


# a watch and a night: pages are whole or not there


N_LIGHTS = 2


def lights(top: Path) -> None:
    (top / "lights").mkdir(parents=True)
    for k in range(N_LIGHTS):
        (top / "lights" / f"{k}.fits").write_bytes(drawn(k))
        os.utime(top / "lights" / f"{k}.fits", (1.7e9, 1.7e9))


@cache
def drawn(index: int) -> bytes:
    """A small frame."""
    small_night.WIDTH, small_night.HEIGHT, small_night.N_STARS = 300, 240, 30
    with tempfile.TemporaryDirectory() as folder:
        small_night.draw_light(Path(folder) / "light.fits", index)
        return (Path(folder) / "light.fits").read_bytes()


MEASURED: dict[Path, FrameResult] = {}
JUDGED: dict[tuple[Path, ...], Judgement] = {}
"""By the frames that were measured."""


def learn(top: Path) -> None:
    """Judge, on a sound disk, whatever choice of frames a failing one may leave."""
    JUDGED.clear()
    results = [measure_frame(top / "lights" / f"{k}.fits") for k in range(N_LIGHTS)]
    MEASURED.update((one.exposure.file, one) for one in results)
    for n in range(1, N_LIGHTS + 1):
        for some in combinations(results, n):
            measured = Measurements(results=some, failures=(), skipped=())
            JUDGED[tuple(one.exposure.file for one in some)] = pipeline.judge_night(top / "lights", measured)


def judged(folder: Path, measurements: Measurements, *_: object) -> Judgement:
    """What `judge_night` gives, without its work."""
    held = JUDGED[tuple(sorted(one.exposure.file for one in measurements.results))]
    night = replace(held.night, failures=measurements.failures, skipped=measurements.skipped)
    return replace(held, night=night)


def make_short() -> None:
    """Let a command of this process measure, judge and draw at no cost."""
    pipeline._measure_pixels = lambda frame, rig: MEASURED[frame.exposure.file]
    watching.judge_night = night_command.judge_night = judged
    write.night_page = lambda judgement, thumbnails: "new</html>"
    watching.live_page = lambda *_, **__: "live</html>"
    night_command.take_thumbnails = lambda *_, **__: {}


def watch(top: Path) -> Callable[[], int]:
    """A watch that measures in its own process and ends at its first pause; the page of its end is short."""
    act = command("watch", top / "lights", "--out", top / "out", "--logbook", top / "book.sqlite")

    def until_the_first_pause() -> int:
        watching.Bell.wait = lambda bell, seconds: bell.stop()
        measuring.interruptible_workers = lambda count: nullcontext(InPlace())
        make_short()
        return act()

    return until_the_first_pause


EARLIER = {"report.html": "earlier</html>", "night.json": '{"of": "earlier"}', "frames.csv": "earlier\n"}


def lights_with_an_earlier_report(top: Path) -> None:
    lights(top)
    (top / "out").mkdir()
    for name, content in EARLIER.items():
        (top / "out" / name).write_text(content)


def judge(top: Path) -> Callable[[], int]:
    """A night whose frames are measured in its own process, where they meet the failure as well; its page is short."""
    act = command("night", top / "lights", "--out", top / "out", "--logbook", top / "book.sqlite")

    def here() -> int:
        Workforce.staff = lambda force, paths: nullcontext(InPlace())
        make_short()
        return act()

    return here


def report_is_of_one_set(top: Path, ended: Ended) -> None:
    pages_are_whole(top, ended)
    found = {path.name: path.read_text(encoding="utf-8") for path in (top / "out").glob("[!.]*")}
    old = {name for name, text in found.items() if text == EARLIER[name]}
    must(old in (set(), set(found)), f"new files beside old ones: {sorted(found)}, of which old: {sorted(old)}")
    must("report.html" not in found or set(found) == set(EARLIER), f"a page that misses some: {sorted(found)}")
    must(ended.code not in (0, 1) or (found and not old), "it ended well, but the report is the earlier one")
    undone = old or not found or (ended.lasts and "report.html" not in found)  # what fails for good is not taken back
    must(ended.code in (0, 1, KILLED) or undone, f"it failed, but the report is new: {ended.said}")


def pages_are_whole(top: Path, ended: Ended) -> None:
    ran(ended, *CODES, 3)  # from the first frame on none can be read: nothing measurable
    must("Traceback" not in ended.said and "fault of framecheck" not in ended.said, ended.said)
    must(len(list((top / "lights").iterdir())) == N_LIGHTS, "the frames' folder was changed")
    for path in (top / "out").glob("[!.]*") if (top / "out").exists() else ():
        text = path.read_text(encoding="utf-8")
        if path.suffix == ".html":
            must(text.rstrip().endswith("</html>"), f"{path.name} is not whole")
        elif path.suffix == ".json":
            json.loads(text)
        else:
            must(text.endswith("\n"), f"{path.name} is not whole")
    if (top / "book.sqlite").exists():
        with Logbook(top / "book.sqlite"):
            pass
        must(look_through(top / "book.sqlite").is_sound, "the logbook is damaged")


def mend_watch(top: Path) -> None:
    ran(child(watch(top), top), 0)
    must({"live.html", "report.html", "night.json"} <= {path.name for path in (top / "out").iterdir()}, "no report")


def mend_night(top: Path) -> None:
    ran(child(judge(top), top), 0)
    left = {path.name for path in (top / "out").iterdir()}
    must(set(EARLIER) == {name for name in left if not name.endswith(".new")}, f"other files than a report's: {left}")
    must(json.loads((top / "out" / "night.json").read_text())["source"]["n_measured"] == N_LIGHTS, "frames are missing")


SCENARIOS = {
    "sort": Scenario(prepare=draw_frames, act=lambda top: sort(top, ""), check=all_there, mend=mend_sort),
    "sort --move": Scenario(prepare=draw_frames, act=lambda top: sort(top, "--move"), check=all_there, mend=mend_sort),
    "sort --undo": Scenario(prepare=sorted_frames, act=undo, check=all_there, mend=mend_undo),
    "the logbook": Scenario(prepare=some_files, act=write_book, check=book_is_sound, mend=mend_book),
    "watch": Scenario(prepare=lights, act=watch, check=pages_are_whole, mend=mend_watch),
    "night": Scenario(prepare=lights_with_an_earlier_report, act=judge, check=report_is_of_one_set, mend=mend_night),
}


def warm_up(top: Path) -> None:
    """Let this process load what each of its children would have to."""
    _code()
    with redirect_stderr(io.StringIO()):
        command("logbook", "--check", "--logbook", top / "none")()


def tries(name: str, folder: Path, every: int = 1, most: int = 10_000) -> Iterator[tuple[str, str]]:
    """Outcome of each try of a scenario, and what was wrong.

    Parameters
    ----------
    name : str
        Of `SCENARIOS`.
    folder : Path
        Where it happens.
    every : int
        Only every so-manieth moment is tried; each way to fail begins at another one.
    most : int
        Moments, after which a way to fail is given up.
    """
    scenario, top = SCENARIOS[name], folder / "top"
    if name in ("watch", "night"):
        lights(top)
        learn(top)
    warm_up(top)
    ways = [*((how, False) for how in HOWS), *((how, True) for how in ERRORS)]
    for number, (how, lasts) in enumerate(ways):
        for moment in range(1 + 37 * number % every, most, every):
            shutil.rmtree(top, ignore_errors=True)
            scenario.prepare(top)
            ended = child(scenario.act(top), top, moment, how, lasts=lasts)
            try:
                scenario.check(top, ended)
                scenario.mend(top)
            except Exception as wrong:
                told = f"{name}, {how} at call {moment}{' and after' if lasts else ''}: {wrong!r}"
                sys.stderr.write(told + "\n")
                yield "wrong", told
            else:
                yield f"{how}: {'ended' if ended.code == KILLED else f'exit code {ended.code}'}", ""
            if not ended.came:
                break


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--what", choices=SCENARIOS, nargs="*", default=list(SCENARIOS))
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--most", type=int, default=10_000)
    parser.add_argument("--summary", type=Path)
    options = parser.parse_args()
    n_wrong = 0
    for name in options.what:
        with tempfile.TemporaryDirectory() as folder:
            outcomes = list(tries(name, Path(folder), options.every, options.most))
        wrong = [told for outcome, told in outcomes if outcome == "wrong"]
        n_wrong += len(wrong)
        counts = Counter(outcome for outcome, _ in outcomes)
        summary = {
            "date": date.today().isoformat(), "tries": len(outcomes), "bad": len(wrong),
            "outcomes": dict(counts.most_common()), "not borne": wrong[:50],
        }  # fmt: skip
        if options.summary is not None:
            kept = json.loads(options.summary.read_text()) if options.summary.exists() else {}
            kept |= {f"{name} on a failing disk": summary}
            options.summary.write_text(json.dumps(kept, indent=1) + "\n")
        sys.stdout.write(json.dumps({name: summary}) + "\n")
        sys.stdout.flush()
    return 1 if n_wrong else 0


if __name__ == "__main__":
    sys.exit(main())
