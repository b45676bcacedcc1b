"""Raws and pictures unpacked by a process of their own (`unpacker.py`), which may crash, hang or grow; we do not."""

import atexit
import contextlib
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from threading import Lock, Timer
from typing import Any, Final, Literal, cast

import numpy as np
from numpy.typing import NDArray

from framecheck.errors import UnusableFrame
from framecheck.read.foreign_json import json_of

How = Literal["raw", "tiff", "picture"]

GIVE_UP_S: Final = 300.0
"""[s] Chosen: beside the minute of a processor that the process has, reading may wait for a slow disk."""
_MOST_ANSWER: Final = 10**6
"""[byte] Chosen: what is told of a file beside its pixels is a few hundred."""
_PIPE_BYTES: Final = 1 << 20
"""[byte] Chosen: the most that Linux gives without asking (fcntl(2)); pixels pass in half the time."""
_DTYPES: Final = ("|u1", "<u2", "<u4", "<i2", "<i4", "<f2", "<f4", "<f8")
"""Types of pixels that the process may hand over."""

_lock = Lock()
_running: list[tuple[int, subprocess.Popen[bytes]]] = []
"""The process that unpacks for this one, with the number of this one: a fork has to start its own."""


def told_of(path: Path, how: How) -> Mapping[str, Any]:
    """What the library says of a file, without its pixels; raises `UnusableFrame` if it cannot be read."""
    return _ask(path, how, pixels=False)[0]


def unpacked(path: Path, how: How) -> tuple[Mapping[str, Any], NDArray[Any]]:
    """The same, and the pixels of one plane, shape (height, width), in native byte order; raises as `told_of`."""
    about, pixels = _ask(path, how, pixels=True)
    return about, cast(NDArray[Any], pixels)


def _ask(path: Path, how: How, *, pixels: bool) -> tuple[dict[str, Any], NDArray[Any] | None]:
    request = f"{how} {int(pixels)} {os.fsencode(os.path.abspath(path)).hex()}\n"  # noqa: PTH100
    with _lock:
        for first in (True, False):  # one that waits may have been ended since by whoever ends processes
            process, is_new = _process(path)
            watch = Timer(GIVE_UP_S, process.kill)
            watch.start()
            try:
                return _answer(process, request, path, pixels)
            except UnusableFrame:
                raise
            except (OSError, EOFError, ValueError, KeyError, TypeError):
                _end(process)
                if is_new or not first:
                    break
            except BaseException:  # what was asked for and not fetched would be the answer to the next request
                _end(process)
                raise
            finally:
                watch.cancel()
    fault = "brought down the library that unpacks it, or kept it busy without end"
    raise UnusableFrame(path, fault, "Copy it again from the camera; if it is sound, leave it out.")


def _answer(
    process: "subprocess.Popen[bytes]", request: str, path: Path, pixels: bool
) -> tuple[dict[str, Any], NDArray[Any] | None]:
    assert process.stdin is not None
    process.stdin.write(request.encode("ascii"))
    process.stdin.flush()
    length = int.from_bytes(_read(process, bytearray(8)), "little")
    if length > _MOST_ANSWER:
        raise ValueError("that is no answer")
    about: dict[str, Any] = json_of(_read(process, bytearray(length)).decode("ascii"))
    if "fault" in about:
        raise UnusableFrame(path, str(about["fault"]), str(about["remedy"]))
    if not pixels:
        return about, None
    height, width = map(int, about["shape"])
    if about["dtype"] not in _DTYPES or not 0 < height * width <= about["width"] * about["height"]:
        raise ValueError("those are no pixels")
    plane = np.empty((height, width), about["dtype"])
    _read(process, plane.reshape(-1).view(np.uint8))
    return about, plane


def _read(process: "subprocess.Popen[bytes]", into: Any) -> Any:
    assert process.stdout is not None
    view = memoryview(into)
    while len(view):
        got = process.stdout.readinto(view)  # type: ignore[attr-defined]
        if not got:
            raise EOFError
        view = view[got:]
    return into


def _process(path: Path) -> "tuple[subprocess.Popen[bytes], bool]":
    """The process that unpacks, and whether it was started just now."""
    for owner, process in _running:
        if owner == os.getpid() and process.poll() is None:
            return process, False
    _running.clear()
    try:
        process = subprocess.Popen(
            [sys.executable, "-P", str(Path(__file__).with_name("unpacker.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            bufsize=0,
            start_new_session=True,  # Ctrl-C is for us; it ends when nothing more can be asked
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
        )
    except OSError as why:
        fault = f"cannot be unpacked, since no process for that can be started ({why.strerror or why})"
        raise UnusableFrame(path, fault, "Close other programs, then run again.") from None
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl

        fcntl.fcntl(cast(Any, process.stdout), fcntl.F_SETPIPE_SZ, _PIPE_BYTES)
    _running.append((os.getpid(), process))
    return process, True


def _end(process: "subprocess.Popen[bytes]") -> None:
    process.kill()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
    process.wait()
    _running.clear()


@atexit.register
def _end_ours() -> None:
    """Leave none behind; one of the process that this one was forked from is not ours."""
    for owner, process in _running:
        if owner == os.getpid():
            _end(process)
