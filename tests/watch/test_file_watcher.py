"""What ends a wait."""

import os
import signal
import threading
import time
from pathlib import Path

import pytest

from framecheck.watch.file_watcher import Bell, FolderEvents, stopped_by_signals

PATIENCE_S = 30.0


def test_a_bell_ends_the_wait_from_another_thread() -> None:
    bell = Bell()
    threading.Timer(0.1, bell.ring).start()
    begin = time.monotonic()
    bell.wait(PATIENCE_S)
    assert time.monotonic() - begin < PATIENCE_S / 2
    assert not bell.is_stopped


def test_rings_in_a_burst_make_one_look() -> None:
    bell = Bell()
    ringing = threading.Thread(target=lambda: [(bell.ring(), time.sleep(0.001)) for _ in range(50)])  # type: ignore[func-returns-value]
    ringing.start()
    looks = 0
    begin = time.monotonic()
    while ringing.is_alive() or time.monotonic() - begin < 0.5:
        bell.wait(1.0)
        looks += 1
    ringing.join()
    assert looks <= 1 + (time.monotonic() - begin) / 0.2


def test_stopping_ends_the_wait() -> None:
    bell = Bell()
    bell.stop()
    bell.wait(PATIENCE_S)
    assert bell.is_stopped


@pytest.mark.skipif(os.name == "nt", reason="signals are another thing there")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_asks_for_the_end_and_a_second_one_ends_at_once(number: signal.Signals) -> None:
    def before(number: int, frame: object) -> None:
        raise AssertionError("only a second signal comes here")

    as_started = signal.signal(number, before)
    try:
        bell = Bell()
        with stopped_by_signals(bell):
            os.kill(os.getpid(), number)
            bell.wait(PATIENCE_S)
            assert bell.is_stopped
            assert signal.getsignal(number) == before
        assert signal.getsignal(number) == before
    finally:
        signal.signal(number, as_started)


@pytest.mark.skipif(os.name == "nt", reason="signals are another thing there")
def test_a_job_in_the_background_goes_on_ignoring_the_keyboard() -> None:
    # POSIX, Shell Command Language: where job control is off, a shell's background jobs ignore SIGINT
    heard = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        bell = Bell()
        with stopped_by_signals(bell):
            os.kill(os.getpid(), signal.SIGINT)
            assert not bell.is_stopped
            os.kill(os.getpid(), signal.SIGTERM)
            assert bell.is_stopped
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGINT, heard)


def test_a_new_file_rings_and_reading_it_does_not(tmp_path: Path) -> None:
    bell, told = Bell(), []
    with FolderEvents(tmp_path, bell, told.append):
        (tmp_path / "below").mkdir()
        bell.wait(PATIENCE_S)
        begin = time.monotonic()
        (tmp_path / "below" / "a.fits").write_bytes(b"1")
        bell.wait(PATIENCE_S)
        assert time.monotonic() - begin < PATIENCE_S / 2
        while bell._rung.wait(2.0):  # events still under way
            bell._rung.clear()
        (tmp_path / "below" / "a.fits").read_bytes()
        assert not bell._rung.wait(0.5)
    assert told == []


def test_where_the_system_tells_nothing_it_is_said_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from watchdog.observers import Observer

    def full(self: object, *_: object, **__: object) -> None:
        raise OSError(28, "inotify watch limit reached")

    monkeypatch.setattr(Observer, "schedule", full)
    told: list[str] = []
    with FolderEvents(tmp_path, Bell(), told.append):
        pass
    (said,) = told
    assert "inotify watch limit reached" in said
    assert "--poll" in said
