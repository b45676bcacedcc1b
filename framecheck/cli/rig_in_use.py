"""Which rig a night is judged with: a file that was given, one beside the frames, what was saved, what headers say."""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from framecheck.cli.terminal import is_talked_with
from framecheck.read import Rig, is_remote, load_rig

RIG_FILE: Final = "rig.toml"
"""Looked for in the folder of frames."""


def rig_file_of(folder: Path, given: Path | None) -> Path | None:
    """The rig file that counts: the one given, else the folder's own; None if there is neither."""
    own = folder / RIG_FILE
    return given if given is not None or is_remote(folder) or not own.is_file() else own


def rig_of(file: Path | None, paths: Sequence[Path] = (), *, asks: bool = False) -> Rig:
    """What a rig file says; without one, a person at the terminal is asked once what headers leave out.

    Raises
    ------
    UnusableRig
        With a sentence for the user.
    """
    if file is not None:
        return load_rig(file)
    if asks and is_talked_with():
        from framecheck.cli.rig_questions import ask_once

        ask_once(paths)
    return Rig()
