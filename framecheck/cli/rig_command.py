"""`framecheck rig`: a rig file to start from."""

from pathlib import Path

from framecheck.cli.terminal import safe, say
from framecheck.errors import NothingMeasured, UnusableFrame, UnusableRequest
from framecheck.read import read_exposure, rig_template
from framecheck.report.write import write_text


def start_rig(file: Path, into: Path | None) -> None:
    """Print a rig file with what the frame's header says filled in, or write it where nothing is yet.

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
    if into is None:
        say(text.rstrip("\n"))
        return
    write_text(text, into)
    say(f"Wrote {safe(into)}. Look it over, fill in what you know, then give it to a night with --rig {safe(into)}")
