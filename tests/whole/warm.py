"""Commands in processes of their own, forked from one that has loaded the libraries: most of a short command's time."""

import atexit
import json
import os
import socket
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path

PATIENCE_S = 300
LONGEST = 1 << 20  # bytes of what is asked
# each child ends as an interpreter does, but does not take its thousand modules to pieces, which takes a second
SERVE = f"""
import atexit, gc, importlib, json, multiprocessing, os, pkgutil, resource, signal, socket, sys, threading
import contourpy, jinja2, matplotlib.figure, matplotlib.backends.backend_svg, msgspec.json, platformdirs
import scipy.interpolate, scipy.ndimage, scipy.optimize, scipy.signal, scipy.spatial, scipy.special, scipy.stats
import framecheck
for module in pkgutil.walk_packages(framecheck.__path__, "framecheck."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
from framecheck import workers
from framecheck.cli.main import run
# workers that measure are forked, too: this process has one thread, and has loaded what they need
workers.get_context = lambda method: multiprocessing.get_context("fork")
gc.freeze()
asker = socket.socket(fileno=int(sys.argv[1]))
while True:
    message, pipes, *_ = socket.recv_fds(asker, {LONGEST}, 2)
    if not message:
        break
    asked = json.loads(message)
    child = os.fork()
    if child == 0:
        signal.alarm({PATIENCE_S})
        for number, place in enumerate((os.open(os.devnull, os.O_RDONLY), *pipes)):
            os.dup2(place, number)
        os.closerange(3, 100)
        sys.stdout, sys.stderr = (
            open(number, "w", buffering, old.encoding, old.errors, closefd=False)
            for number, buffering, old in ((1, -1, sys.stdout), (2, 1, sys.stderr))
        )
        os.chdir(asked["cwd"])
        os.environ.clear()
        os.environ.update(asked["environment"])
        if asked["most_bytes"] is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (asked["most_bytes"], asked["most_bytes"]))
        sys.argv = ["-c", *asked["words"]]
        try:
            run()
        except SystemExit as end:
            sys.stderr.flush()
            threading._shutdown()
            atexit._run_exitfuncs()
            os._exit(end.code)
    for pipe in pipes:
        os.close(pipe)
    asker.send(str(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])).encode())
"""


@cache
def _server() -> socket.socket:
    """What the process that forks is asked through; one for each process that runs tests."""
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    server = subprocess.Popen([sys.executable, "-c", SERVE, str(theirs.fileno())], pass_fds=[theirs.fileno()])
    theirs.close()
    atexit.register(server.wait)
    atexit.register(ours.close)  # it ends when nobody can ask
    return ours


def run_warm(words: list[str], cwd: Path | None, most_bytes: int | None = None) -> tuple[int, bytes, bytes]:
    """Exit code, output and errors of a command, which may be refused files longer than `most_bytes`.

    Its environment is ours, its input empty.
    """
    asked = {
        "words": words, "cwd": os.fspath(cwd or Path.cwd()), "most_bytes": most_bytes, "environment": dict(os.environ),
    }  # fmt: skip
    server, pipes = _server(), (os.pipe(), os.pipe())
    socket.send_fds(server, [json.dumps(asked).encode()], [into for _, into in pipes])
    for _, into in pipes:
        os.close(into)
    with ThreadPoolExecutor(2) as readers:
        out, err = readers.map(_all_of, [source for source, _ in pipes])
    return int(server.recv(100)), out, err


def _all_of(source: int) -> bytes:
    with os.fdopen(source, "rb") as file:
        return file.read()
