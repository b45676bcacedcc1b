"""`framecheck rig`: a rig file to start from."""

import tomllib
from pathlib import Path

from framecheck.cli.sorting import as_argument
from framecheck.cli.terminal import safe, say
from framecheck.document import json_text
from framecheck.errors import NothingMeasured, UnusableFrame, UnusableRequest
from framecheck.read import read_exposure, rig_template
from framecheck.report.publish import write_text


def start_rig(file: Path, into: Path | None, *, as_json: bool = False, quiet: bool = False) -> None:
    """Print a rig file with what the frame's header says filled in, or write it where nothing is yet.

    As JSON it is told what the header says, by table and key of the rig file.

    Raises
    ------
    UnusableRequest
        If there is something at `into` already, or it cannot be written.
    NothingMeasured
        If the frame's header cannot be read.
    """
    if into is not None and (into.exists() or into.is_symlink()):
        raise UnusableRequest(f"{into} is there already, and your own values are not overwritten. Choose another name.")
    try:
        text = rig_template(read_exposure(file))
    except UnusableFrame as why:
        raise NothingMeasured(str(why)) from None
    if into is not None:
        write_text(text, into)
    if as_json:
        known = {table: values for table, values in tomllib.loads(text).items() if values}
        say(json_text({"file": file.as_posix(), "into": None if into is None else into.as_posix(), "rig": known}))
    elif into is None:
        say(text.rstrip("\n"))
    elif not quiet:
        give = f"--rig {as_argument(into)}"
        say(f"Wrote {safe(into)}. Look it over, fill in what you know, then give it to a night with {give}")
