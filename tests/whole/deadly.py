"""Frames that end the process that measures them: as where the system ends one that takes all memory."""

import os
import signal
import time
from pathlib import Path
from typing import Any

from framecheck import pipeline

MEASURE = pipeline.measure_file
WICKED = "wicked"
"""Part of the name of such a frame."""


def measure_file(path: Path, rig: Any, memory_bytes: int | None = None) -> Any:
    """As `pipeline.measure_file`, but for wicked frames."""
    if WICKED in path.name:
        time.sleep(0.2)  # meanwhile others come to wait
        os.kill(os.getpid(), signal.SIGKILL)
    return MEASURE(path, rig, memory_bytes)
