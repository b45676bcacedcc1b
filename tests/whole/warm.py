"""Commands in processes of their own, forked from one that has loaded the libraries: most of a short command's time."""

import atexit
import json
import os
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

PATIENCE_S = 300
# each child ends as an interpreter does, but does not take its thousand modules to pieces, which takes a second
SERVE = f"""
import atexit, gc, json, os, signal, sys, threading
import matplotlib.figure, matplotlib.backends.backend_svg
import scipy.interpolate, scipy.ndimage, scipy.optimize, scipy.signal, scipy.spatial, scipy.special, scipy.stats
import framecheck.cli.frame_command, framecheck.cli.night_command, framecheck.cli.rig_command
from framecheck.cli.main import run
gc.freeze()
for line in sys.stdin:
    asked = json.loads(line)
    child = os.fork()
    if child == 0:
        signal.alarm({PATIENCE_S})
        for number, name in enumerate((os.devnull, asked["out"], asked["err"])):
            os.dup2(os.open(name, os.O_RDONLY if number == 0 else os.O_WRONLY), number)
        os.chdir(asked["cwd"])
        os.environ.clear()
        os.environ.update(asked["environment"])
        sys.argv = ["-c", *asked["words"]]
        try:
            run()
        except SystemExit as end:
            sys.stderr.flush()
            threading._shutdown()
            atexit._run_exitfuncs()
            os._exit(end.code)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""


@cache
def _server() -> "subprocess.Popen[str]":
    """The process that forks; one for each that runs tests."""
    server = subprocess.Popen(
        [sys.executable, "-c", SERVE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, encoding="ascii"
    )
    atexit.register(server.communicate)  # it ends with its input
    return server


def run_warm(words: list[str], cwd: Path | None) -> tuple[int, bytes, bytes]:
    """Exit code, output and errors of a command. Its environment is ours, its input empty."""
    server = _server()
    assert server.stdin is not None
    assert server.stdout is not None
    with tempfile.NamedTemporaryFile() as out, tempfile.NamedTemporaryFile() as err:
        asked = {
            "words": words, "cwd": os.fspath(cwd or Path.cwd()), "out": out.name, "err": err.name,
            "environment": dict(os.environ),
        }  # fmt: skip
        server.stdin.write(json.dumps(asked) + "\n")
        server.stdin.flush()
        return int(server.stdout.readline()), out.read(), err.read()
