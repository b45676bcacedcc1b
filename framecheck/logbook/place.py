"""Where the logbook lies."""

import os
from pathlib import Path
from typing import Final

VARIABLE: Final = "FRAMECHECK_LOGBOOK"
"""Environment variable that names the logbook's file; `none` does without one."""
NONE: Final = "none"


def named_file() -> Path | None:
    """The file that the environment names; None if it names none."""
    named = os.environ.get(VARIABLE, "")
    if not named or named == NONE:
        return None
    return Path(os.path.expanduser(named))  # noqa: PTH111 - the other raises for a user who is not there


def without() -> bool:
    """Whether the environment asks for no logbook."""
    return os.environ.get(VARIABLE) == NONE


def logbook_file() -> Path:
    """The logbook's file if nobody names another: in the data folder that the platform has for programs."""
    import platformdirs

    return Path(platformdirs.user_data_dir("framecheck", appauthor=False)) / "logbook.sqlite"
