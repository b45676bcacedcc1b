"""A disk that fails at the n-th call: what is opened, written, renamed, removed or synced below one folder counts.

`arm` makes the n-th such call of this process, and of SQLite's statements, fail with an error of the system, or ends
the process there, before the call is made or after it. What a C library writes by itself is not seen here.
"""

import builtins
import errno
import io
import os
import signal
import sqlite3
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

ERRORS: Final = ("ENOSPC", "EIO", "EACCES")
HOWS: Final = (*ERRORS, "killed before", "killed after")
_CALLS: Final = (
    "open", "mkdir", "rmdir", "unlink", "remove", "rename", "replace", "link", "symlink", "fsync", "ftruncate", "chmod",
    "utime",
)  # fmt: skip
_OF_SQLITE: Final = {
    "ENOSPC": ("SQLITE_FULL", "database or disk is full"), "EIO": ("SQLITE_IOERR", "disk I/O error"),
    "EACCES": ("SQLITE_READONLY", "attempt to write a readonly database"),
}  # fmt: skip


@dataclass(kw_only=True)
class Disk:
    """The calls so far, and where it fails."""

    folder: str
    moment: int
    how: str
    lasts: bool
    """Whether every later call fails as well: a disk that is full stays so."""
    count: int = 0
    report: int | None = None
    """Descriptor that is told whether the moment came."""

    def call(self, make: Callable[[], Any], fail: Callable[[], BaseException]) -> Any:
        """Make a call, or fail at it."""
        self.count += 1
        is_now = self.count == self.moment or (self.lasts and self.count > self.moment and self.how in ERRORS)
        if not is_now:
            return make()
        if self.report is not None:
            os.write(self.report, b"x")
            self.report = None
        if self.how == "killed after":
            make()
        if self.how not in ERRORS:
            os.kill(os.getpid(), signal.SIGKILL)
        raise fail()

    def system(self, make: Callable[[], Any]) -> Any:
        """A call of the system."""
        number = getattr(errno, self.how, 0)
        return self.call(make, lambda: OSError(number, os.strerror(number)))

    def statement(self, make: Callable[[], Any]) -> Any:
        """A statement of SQLite."""

        def fail() -> BaseException:
            name, text = _OF_SQLITE[self.how]
            why = sqlite3.OperationalError(text)
            why.sqlite_errorname = name
            return why

        return self.call(make, fail)

    def concerns(self, path: Any) -> bool:
        """Whether a path, or an open file, lies below the folder."""
        if isinstance(path, int):
            try:
                path = Path(f"/proc/self/fd/{path}").readlink()
            except OSError:
                return False
        return os.path.abspath(os.fsdecode(path)).startswith(self.folder)  # noqa: PTH100


class _File:
    """An open file whose writes count."""

    def __init__(self, file: Any, disk: Disk) -> None:
        self._file, self._disk = file, disk

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def __enter__(self) -> "_File":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __iter__(self) -> Any:
        return iter(self._file)

    def write(self, data: Any) -> Any:
        if self._disk.how == "killed after":
            return self._disk.system(lambda: (self._file.write(data), self._file.flush())[0])
        return self._disk.system(lambda: self._file.write(data))

    def close(self) -> None:
        self._file.close()


def arm(folder: Path, moment: int, how: str, *, lasts: bool = False, report: int | None = None) -> Disk:
    """Let this process meet the failure; there is no way back."""
    disk = Disk(folder=os.fspath(folder) + os.sep, moment=moment, how=how, lasts=lasts, report=report)
    for name in _CALLS:
        setattr(os, name, _counted(getattr(os, name), disk))
    real_open = io.open

    def opened(path: Any, mode: str = "r", *more: Any, **named: Any) -> Any:
        if not disk.concerns(path):
            return real_open(path, mode, *more, **named)
        # a descriptor was counted when it was opened
        file = (
            real_open(path, mode, *more, **named)
            if isinstance(path, int)
            else disk.system(lambda: real_open(path, mode, *more, **named))
        )
        return _File(file, disk) if set(mode) & set("wax+") else file

    io.open = builtins.open = opened

    class Connection(sqlite3.Connection):
        def execute(self, *words: Any) -> Any:
            return disk.statement(lambda: super(Connection, self).execute(*words))

    real_connect = sqlite3.connect

    def connected(place: Any, *more: Any, **named: Any) -> Any:
        return real_connect(place, *more, **named, factory=Connection if place != ":memory:" else sqlite3.Connection)

    sqlite3.connect = connected
    return disk


def _counted(call: Callable[..., Any], disk: Disk) -> Callable[..., Any]:
    def counted(path: Any, *more: Any, **named: Any) -> Any:
        if not disk.concerns(path) and not (more and isinstance(more[0], str | os.PathLike) and disk.concerns(more[0])):
            return call(path, *more, **named)
        return disk.system(lambda: call(path, *more, **named))

    return counted
