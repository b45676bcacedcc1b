"""A night that was judged and has not changed is not judged again; any change is noticed. All by closed form."""

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from pathlib import Path

import pytest
from small_night import HEIGHT, WIDTH, draw_light

from framecheck import workers
from framecheck.cli.night_command import judge_folder, logbook_in_use
from framecheck.cli.workforce import Workforce
from framecheck.decision.grades import Aim
from framecheck.logbook import Logbook
from framecheck.workers import worker_pool

WHOLE_BYTES = 2 * WIDTH * HEIGHT
UNCHANGED = "Nothing has changed since it was judged."


@pytest.fixture
def folder(night_folder: Path, tmp_path: Path) -> Path:
    """Three lights and a broken file."""
    night = tmp_path / "night"
    night.mkdir()
    for name in ("field 1.fits", "field 2.fits", "field 3.fits", "cut.fits"):
        shutil.copy2(night_folder / "lights" / name, night)
    return night


Judged = Callable[..., str]


@pytest.fixture
def one_worker(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The same worker for all nights of a test: to start one takes longer than to measure with it."""
    with worker_pool(1) as pool:
        monkeypatch.setattr(workers, "interruptible_workers", lambda count: nullcontext(pool))
        yield


@pytest.fixture
def judged(one_worker: None, folder: Path, capsys: pytest.CaptureFixture[str]) -> Judged:
    """Judges the night as the command does, and hands back what was told."""
    place = folder.parent
    (place / "rig.toml").touch()

    def judge(aim: Aim = "balanced", *, as_json: bool = False) -> str:
        with logbook_in_use(place / "book.sqlite", without=False) as book:
            failed = judge_folder(folder, place / "report", place / "rig.toml", aim, as_json=as_json,
                                  force=Workforce(workers=1), logbook=book)  # fmt: skip
        assert failed == len([name for name in ("cut.fits",) if (folder / name).stat().st_size < WHOLE_BYTES])
        told = capsys.readouterr()
        assert told.err == ""
        return told.out

    return judge


def test_an_unchanged_night_is_told_in_the_same_words(folder: Path, judged: Judged) -> None:
    first = judged()
    written = {path: path.stat().st_mtime_ns for path in (folder.parent / "report").iterdir()}
    second = judged()
    assert UNCHANGED not in first
    assert UNCHANGED in second
    assert second.startswith(first[: first.index("\nOpen ")])
    assert {path: path.stat().st_mtime_ns for path in (folder.parent / "report").iterdir()} == written
    assert judged(as_json=True) == judged(as_json=True) == (folder.parent / "report" / "night.json").read_text()


def rewrite(folder: Path) -> None:
    frame = folder / "field 2.fits"
    content = bytearray(frame.read_bytes())
    content[-3000] ^= 1
    frame.write_bytes(content)


def mend(folder: Path) -> None:
    (folder / "cut.fits").unlink()
    draw_light(folder / "cut.fits", 4)


def forget(folder: Path) -> None:
    with Logbook(folder.parent / "book.sqlite") as book:
        assert book.forget_folder(folder) > 0


CHANGES: tuple[Callable[[Path], object], ...] = (
    rewrite,
    mend,
    lambda folder: draw_light(folder / "another.fits", 5),
    lambda folder: (folder / "another.fits").rename(folder / "field 9.fits"),
    lambda folder: os.utime(folder / "field 1.fits", (1, 1)),
    lambda folder: (folder.parent / "rig.toml").write_text("focal_length_mm = 531.0\n"),
    lambda folder: (folder.parent / "report" / "report.html").unlink(),
    lambda folder: (folder.parent / "report" / "night.json").write_text("{}"),
    forget,
)


def test_any_change_judges_again(folder: Path, judged: Judged) -> None:
    judged()
    for change in CHANGES:
        change(folder)
        assert UNCHANGED not in judged()
    assert (folder.parent / "report" / "report.html").is_file()
    assert UNCHANGED in judged()
    assert UNCHANGED not in judged("detail")
