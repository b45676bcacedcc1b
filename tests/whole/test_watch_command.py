"""`framecheck watch` over folders in which files arrive, as its user runs it."""

import json
import os
import queue
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits
from small_night import HEARD, draw_dark, draw_light, framecheck

from framecheck.logbook import Logbook

LONG_AGO = (1_740_000_000, 1_740_000_000)
PATIENCE_S = 300.0


class Watching:
    """A watch in a process of its own; what it tells is read event by event."""

    def __init__(self, folder: Path, *words: str | Path, **environment: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", HEARD, "watch", folder, "--json", *words],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=os.environ | environment,
        )  # fmt: skip
        self.told: list[dict[str, Any]] = []
        self._lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line)

    def until(self, name: str, **facts: Any) -> dict[str, Any]:
        """Wait for an event; those before it are kept as well."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            try:
                event = json.loads(self._lines.get(timeout=1))
            except queue.Empty:
                assert self.process.poll() is None, self.process.stderr and self.process.stderr.read()
                continue
            self.told.append(event)
            if event["event"] == name and facts.items() <= event.items():
                return event
        raise AssertionError(f"no {name} {facts} in {self.told}")

    def frame(self, name: str) -> dict[str, Any]:
        """Wait for a frame to be judged."""
        while (frame := self.until("frame")["frame"])["file"] != name:
            pass
        return dict(frame)

    def stop(self, by: signal.Signals = signal.SIGINT) -> int:
        """Ask for the end as the keyboard does; the exit code."""
        self.process.send_signal(by)
        code = self.process.wait(timeout=PATIENCE_S)
        while not self._lines.empty():
            self.told.append(json.loads(self._lines.get()))
        return code

    def count(self, name: str) -> int:
        return sum(event["event"] == name for event in self.told)


@contextmanager
def watching(folder: Path, *words: str | Path, **environment: str) -> Iterator[Watching]:
    watch = Watching(folder, *words, **environment)
    try:
        yield watch
    finally:
        if watch.process.poll() is None:
            watch.process.kill()
        watch.process.communicate()


def page_that_says(words: str, path: Path) -> str:
    """The page, as soon as it says so."""
    end = time.monotonic() + PATIENCE_S
    while words not in (page := path.read_text(encoding="utf-8")):
        assert time.monotonic() < end, page
        time.sleep(0.2)
    return page


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight calm frames and three that are drawn out."""
    folder = tmp_path_factory.mktemp("drawn")
    for index in range(11):
        draw_light(folder / f"{index:02d}.fits", index, elongation=1.0 if index < 8 else 1.7)
        os.utime(folder / f"{index:02d}.fits", LONG_AGO)
    return folder


@pytest.mark.skipif(os.name == "nt", reason="signals of the keyboard are another thing there")
def test_a_night_as_its_files_come_and_go(drawn: Path, tmp_path: Path) -> None:
    folder, out, book = tmp_path / "Nächte é" / "in", tmp_path / "out", tmp_path / "book.sqlite"
    folder.mkdir(parents=True)
    whole = (drawn / "03.fits").read_bytes()
    for name in ("00.fits", "01.fits"):
        shutil.copy(drawn / name, folder)
    (folder / "cut.fits").write_bytes(whole[: len(whole) // 3])
    os.utime(folder / "cut.fits", LONG_AGO)
    with watching(folder, "--out", out, "--logbook", book) as watch:
        named = watch.until("incomplete")
        assert named["file"] == "cut.fits"
        assert named["why"].startswith("ends after")
        watch.frame("01.fits")

        draw_dark(folder / "calibration" / "dark.fits")
        assert watch.until("aside")["kind"] == "dark"
        (folder / "bad.fits").write_bytes(b"this isn't a FITS file" * 300)
        assert "isn't a FITS file" in watch.until("failed", file="bad.fits")["why"]

        with (folder / "02.fits").open("wb") as arriving:  # written in pieces, as over a slow network
            part = (drawn / "02.fits").read_bytes()
            arriving.write(part[: len(part) // 2])
            arriving.flush()
            time.sleep(4)
            arriving.write(part[len(part) // 2 :])
        came = watch.frame("02.fits")
        assert came["grade"] == "keep"
        assert came["fwhm_px"] == pytest.approx(2.9, abs=0.15)

        (folder / "cut.fits").write_bytes(whole)  # copied again, whole this time
        watch.frame("cut.fits")
        draw_light(tmp_path / "other.fits", 1, elongation=1.6)
        shutil.copy(tmp_path / "other.fits", folder / "01.fits")
        assert watch.frame("01.fits")["elongation"] > 1.4
        (folder / "00.fits").unlink()
        assert watch.until("gone")["files"] == ["00.fits"]
        assert watch.stop() == 1  # done, but one file could not be measured
    assert watch.count("incomplete") == watch.count("failed") == 1
    assert watch.told[-1]["event"] == "end"
    account = watch.told[-1]["account"]
    assert account["n_keep"] + account["n_doubtful"] + account["n_reject"] == 3
    assert account["n_failed"] == 1
    assert (out / "report.html").is_file()
    assert json.loads((out / "night.json").read_text())["source"]["n_measured"] == 3
    assert '"over": true' in (out / "live-now.js").read_text(encoding="utf-8")
    assert not list(out.glob(".*"))


@pytest.mark.skipif(os.name == "nt", reason="signals of the keyboard are another thing there")
def test_a_change_is_told_once_and_not_again_by_a_watch_that_starts_anew(drawn: Path, tmp_path: Path) -> None:
    folder, book = tmp_path / "in", tmp_path / "book.sqlite"
    folder.mkdir()
    for index in range(8):
        shutil.copy2(drawn / f"{index:02d}.fits", folder)
    with watching(folder, "--logbook", book, "--out", tmp_path / "out") as watch:
        assert watch.until("known")["n_frames"] == 8
        shutil.copy(drawn / "08.fits", folder)
        watch.frame("08.fits")
        shutil.copy(drawn / "09.fits", folder)
        alarm = watch.until("alarm")
        while alarm["alarm"]["since"] is None:  # Gaussians have the core of stars out of focus, from the first frame on
            alarm = watch.until("alarm")
        assert alarm["alarm"]["sign"] == "trailed"
        assert alarm["alarm"]["since"] == "08.fits"
        # drawn as Gaussians of which the pixel is a part: 1.7 in all, a little more without it (closed form)
        assert alarm["alarm"]["now"] == pytest.approx(1.72, abs=0.06)
        page = page_that_says("Stars trail since 08.fits", tmp_path / "out" / "live.html")
        assert "Do first:" in page
        assert watch.stop(signal.SIGTERM) == 0
    with Logbook(book) as known:
        first = known.folders()[0].last_utc
    time.sleep(1.1)  # the logbook's times go to the second
    with watching(folder, "--logbook", book) as again:
        again.frame("09.fits")
        shutil.copy(drawn / "10.fits", folder)
        again.frame("10.fits")
        assert again.stop() == 0
    assert again.count("alarm") == 0
    with Logbook(book) as known:
        (entry,) = known.folders()
        assert (entry.n_measured, entry.last_utc > first) == (11, True)
        measured = [when for _, when, _ in known.frames()]
        assert sum(when > first for when in measured) == 1  # none of the others was measured again


@pytest.mark.skipif(os.name == "nt", reason="signals of the keyboard are another thing there")
def test_a_folder_that_goes_and_comes_back(drawn: Path, tmp_path: Path) -> None:
    folder, away = tmp_path / "share", tmp_path / "away"
    folder.mkdir()
    shutil.copy2(drawn / "00.fits", folder)
    with watching(folder, "--poll", "1") as watch:
        watch.frame("00.fits")
        folder.rename(away)
        assert "there is no such folder" in watch.until("folder lost")["why"]
        time.sleep(2.5)
        away.rename(folder)
        watch.until("folder back")
        shutil.copy(drawn / "01.fits", folder)
        watch.frame("01.fits")
        folder.rename(away)
        watch.until("folder lost")
        assert watch.stop() == 0
    assert watch.count("folder lost") == 2
    assert watch.count("gone") == 0
    assert watch.told[-1]["account"]["n_keep"] == 2


@pytest.mark.skipif(os.name == "nt", reason="signals of the keyboard are another thing there")
def test_earlier_nights_in_the_folder_stay_aside(drawn: Path, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    shutil.copy2(drawn / "00.fits", folder)
    for index in (1, 2):
        draw_light(folder / f"before {index}.fits", index)
        fits.setval(folder / f"before {index}.fits", "DATE-OBS", value=f"2025-02-27T2{index}:00:00")
    with watching(folder) as watch:
        watch.frame("00.fits")
        assert watch.stop() == 0
    known = next(event for event in watch.told if event["event"] == "known")
    assert watch.count("frame") == 1
    assert known["n_of_earlier_nights"] == 2


@pytest.mark.skipif(os.name == "nt", reason="signals of the keyboard are another thing there")
def test_nothing_measurable_is_exit_code_3_and_no_folder_2(tmp_path: Path) -> None:
    with watching(tmp_path) as watch:
        watch.until("begin")
        assert watch.stop() == 3
        assert watch.process.stderr is not None
        said = watch.process.stderr.read()
    assert said.startswith("framecheck: ")
    assert said.count("\n") == 1
    missing = framecheck("watch", tmp_path / "none")
    assert missing.code == 2
    assert "there is no such folder" in missing.err


def plain_watch(folder: Path, *words: str, until: str) -> tuple[str, str]:
    """What a person sees in pipes, output and errors, of a watch that is ended when `until` was said."""
    with subprocess.Popen(
        [sys.executable, "-c", HEARD, "watch", folder, *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stderr is not None
        stream, seen = (process.stderr if "--quiet" in words else process.stdout), ""
        while until not in seen:
            seen += (line := stream.readline())
            assert line, seen
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
    return (out, seen + err) if "--quiet" in words else (seen + out, err)


@pytest.mark.skipif(os.name == "nt", reason="there are no pseudo-terminals there")
def test_on_a_terminal_the_last_line_renews_itself_and_no_color_is_honoured(drawn: Path, tmp_path: Path) -> None:
    import pty

    folder = tmp_path / "in"
    folder.mkdir()
    for name in ("00.fits", "01.fits"):
        shutil.copy2(drawn / name, folder)
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", HEARD, "watch", folder],
        stdout=theirs, stderr=theirs, stdin=theirs, env=os.environ | {"NO_COLOR": "1", "COLUMNS": "100"},
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    end = time.monotonic() + PATIENCE_S
    while b"2 frames: 2 keep" not in seen and time.monotonic() < end:
        seen += os.read(ours, 4096)
    process.send_signal(signal.SIGINT)
    while process.poll() is None or b"Do first" not in seen:
        try:
            seen += os.read(ours, 4096)
        except OSError:
            break
    os.close(ours)
    text = seen.decode()
    assert process.wait(timeout=PATIENCE_S) == 0
    assert "\r\x1b[K2 frames: 2 keep" in text
    assert "\x1b[3" not in text  # no colour
    assert "00.fits" in text
    assert "Do first" in text


@pytest.mark.skipif(os.name == "nt", reason="signals of the keyboard are another thing there")
def test_in_a_pipe_a_line_a_frame_and_quiet_tells_only_problems(drawn: Path, tmp_path: Path) -> None:
    folder, book = tmp_path / "in", tmp_path / "book"
    folder.mkdir()
    for name in ("00.fits", "01.fits"):
        shutil.copy2(drawn / name, folder)
    draw_dark(folder / "dark.fits")
    (folder / "bad.fits").write_bytes(b"this isn't a FITS file" * 300)
    os.utime(folder / "bad.fits", LONG_AGO)
    with watching(folder, "--logbook", book) as watch:
        watch.frame("01.fits")
        assert watch.stop() == 1
    out, err = plain_watch(folder, "--logbook", str(book), until="01.fits")
    lines = out.splitlines()
    assert lines[0].startswith("Watching ")
    assert any(line.startswith("21:00 00.fits") and " keep " in line for line in lines)
    assert "\x1b" not in out + err
    assert err == "bad.fits isn't a FITS file: it does not begin with SIMPLE. Save or export the frames as FITS.\n"
    out, err = plain_watch(folder, "--logbook", str(book), "--quiet", until="bad.fits")
    assert out == ""
    assert err.count("\n") == 1
