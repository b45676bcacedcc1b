"""What ends a wait: a file that comes, a stop that is asked for, or time."""

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Final

from framecheck.words import safe

if TYPE_CHECKING:
    from watchdog.observers.api import BaseObserver

SAFETY_S: Final = 10.0
"""[s] Longest time between two looks at the folder where events tell of files. Chosen: shares tell of what this machine
writes but not of what others do, and a look costs milliseconds."""
BURST_S: Final = 0.2
"""[s] Events that follow each other within this time make one look. Chosen: a file that is written makes thousands."""
SLICE_S: Final = 0.5
"""[s] Longest wait in one piece. Chosen: some systems hear the keyboard's interrupt only between waits."""
_CHANGED: Final = ("created", "modified", "moved", "deleted", "closed")
"""FolderEvents of watchdog that may mean a new frame; our own reading makes others."""
_SIGNALS: Final = (signal.SIGINT, signal.SIGTERM)


@dataclass(frozen=True, slots=True)
class Bell:
    """Rung from other threads and from signals; heard by the one that watches."""

    _rung: threading.Event = field(default_factory=threading.Event)
    _stop: threading.Event = field(default_factory=threading.Event)

    def ring(self) -> None:
        """Ask for a look at the folder."""
        self._rung.set()

    def stop(self) -> None:
        """Ask for the end."""
        self._stop.set()
        self._rung.set()

    @property
    def is_stopped(self) -> bool:
        """Whether the end was asked for."""
        return self._stop.is_set()

    def wait(self, seconds: float) -> None:
        """Return when it is rung, or after so many seconds."""
        end = time.monotonic() + seconds
        while not self._rung.wait(min(SLICE_S, max(end - time.monotonic(), 0.0))):
            if time.monotonic() >= end:
                return
        self._stop.wait(BURST_S)
        self._rung.clear()


@contextmanager
def stopped_by_signals(bell: Bell) -> Iterator[None]:
    """Let an interrupt or a call to end stop the watch after the step under way; a second one ends it at once.

    What was ignored when the command began stays so: a shell lets jobs in the background ignore the keyboard.
    """

    def asked(number: int, frame: FrameType | None) -> None:
        for one, handler in before.items():
            signal.signal(one, handler)
        bell.stop()

    before = {one: handler for one in _SIGNALS if (handler := signal.getsignal(one)) is not signal.SIG_IGN}
    for one in before:
        signal.signal(one, asked)
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


class FolderEvents:
    """Rings a bell when something changes below a folder, as far as the system tells of it.

    Use as a context manager. Nothing rests on it but speed: the folder is looked at every few seconds in any case.
    """

    def __init__(self, folder: Path, bell: Bell, tell: Callable[[str], None]) -> None:
        self._folder, self._bell, self._tell = folder, bell, tell
        self._observer: BaseObserver | None = None

    def __enter__(self) -> "FolderEvents":
        self.begin()
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def begin(self) -> None:
        """Listen; if the system does not allow it, say so."""
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer

        bell = self._bell

        class Ringing(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:
                if event.event_type in _CHANGED:
                    bell.ring()

        observer = Observer()
        try:
            observer.schedule(Ringing(), os.fspath(self._folder), recursive=True)
            observer.start()
        except OSError as why:  # too many watches, or a file system that has none
            self._tell(
                f"{safe(self._folder)}: the system does not tell of new files here ({why.strerror or why}), so the "
                f"folder is looked at every {SAFETY_S:.0f} s instead. --poll SECONDS chooses another interval."
            )
            return
        self._observer = observer

    def end(self) -> None:
        """Listen no more."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=5)
            self._observer = None
