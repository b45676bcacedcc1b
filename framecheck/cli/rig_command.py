"""`framecheck rig`: what headers leave out, as a rig file to start from, or asked once and kept."""

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from framecheck.cli.options import Mount
from framecheck.cli.terminal import is_talked_with, say, tell
from framecheck.document import json_text
from framecheck.errors import NothingMeasured, UnusableFrame, UnusableRequest
from framecheck.words import as_argument, safe

if TYPE_CHECKING:
    from framecheck.read import Exposure
    from framecheck.read.saved_rig import RigName

NO_NAME: Final = (
    "the header names neither camera nor telescope, so the rig could not be recognised. Write a rig file with "
    "`framecheck rig FRAME --into rig.toml`, and put it beside the frames."
)


def rig(
    frame: Annotated[
        Path | None, typer.Argument(help="A frame of yours; without one, the saved rigs are listed.", metavar="FRAME")
    ] = None,
    into: Annotated[Path | None, typer.Option("--into", metavar="FILE", help="Write a rig file there.")] = None,
    save: Annotated[
        bool, typer.Option("--save", help="Keep what headers leave out for every night of this camera and telescope.")
    ] = False,
    mount: Annotated[Mount | None, typer.Option(help="With --save: what carries the camera.")] = None,
    guided: Annotated[
        bool | None, typer.Option("--guided/--unguided", help="With --save: whether a guide camera corrects the mount.")
    ] = None,
    worm_period: Annotated[
        float | None, typer.Option(metavar="S", help="With --save: seconds for one turn of the worm.")
    ] = None,
    latitude: Annotated[
        float | None, typer.Option(metavar="DEG", help="With --save: latitude of the place, north positive.")
    ] = None,
    longitude: Annotated[
        float | None, typer.Option(metavar="DEG", help="With --save: longitude of the place, east positive.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print it as JSON.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Say nothing about a file written.")] = False,
) -> None:
    """Tell framecheck what headers leave out: mount, guiding, worm, place.

    Prints a rig.toml to start from, with what the frame's header says filled in; --save keeps the facts instead.
    """
    facts = {
        "mount_type": mount,
        "guided": guided,
        "worm_period_s": worm_period,
        "site_latitude_deg": latitude,
        "site_longitude_deg": longitude,
    }
    given = {name: value for name, value in facts.items() if value is not None}
    if given and not save:
        raise UnusableRequest("facts of a rig are kept with --save. Add it, or write them into a rig file.")
    if frame is None:
        if save or into is not None:
            raise UnusableRequest("give a frame of the rig: framecheck rig FRAME --save")
        list_saved(as_json=as_json)
    elif save:
        if into is not None:
            raise UnusableRequest("--save and --into can't be used together. Leave one of them out.")
        save_facts(frame, given, asks=is_talked_with() and not (as_json or quiet), as_json=as_json, quiet=quiet)
    else:
        start_rig(frame, into, as_json=as_json, quiet=quiet)


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
    from framecheck.read import rig_template
    from framecheck.report.publish import write_text

    if into is not None and (into.exists() or into.is_symlink()):
        raise UnusableRequest(f"{into} is there already, and your own values are not overwritten. Choose another name.")
    text = rig_template(_header_of(file))
    if into is not None:
        write_text(text, into)
    if as_json:
        known = {table: values for table, values in tomllib.loads(text).items() if values}
        say(json_text({"file": file.as_posix(), "into": None if into is None else into.as_posix(), "rig": known}))
    elif into is None:
        say(text.rstrip("\n"))
    elif not quiet:
        give = f"--rig {as_argument(into)}"
        tell(f"Wrote {safe(into)}. Look it over, fill in what you know, then give it to a night with {give}")


def save_facts(
    frame: Path, given: Mapping[str, Any], *, asks: bool, as_json: bool = False, quiet: bool = False
) -> None:
    """Keep facts of the rig that took a frame, asking for those that were not given where somebody can be asked.

    Raises
    ------
    UnusableRequest
        If the header names no rig, or nothing is given and nobody can be asked.
    NothingMeasured
        If the frame's header cannot be read.
    """
    from framecheck.cli.rig_questions import ask
    from framecheck.read.rig_keys import takes
    from framecheck.read.saved_rig import KEPT, rig_name, save_rig

    exposure = _header_of(frame)
    name = rig_name([exposure])
    if name is None:
        raise UnusableRequest(f"{safe(frame)}: {NO_NAME}")
    if not given and not asks:
        raise UnusableRequest("--save needs the facts, as there is nobody to ask: --mount equatorial --guided, say.")
    for key in KEPT:
        if key.name in given and not takes(key, given[key.name]):
            raise UnusableRequest(f"{key.name} is {given[key.name]}, but must be {key.allowed}.")
    facts = {**facts_saved(name), **given}
    if asks and not given:
        facts = ask(name, exposure, facts)
    file = save_rig(name, facts)
    if as_json:
        say(json_text({"camera": name.camera, "telescope": name.telescope, "saved": file.as_posix(), "facts": facts}))
    elif not quiet:
        tell(f"Kept for {safe(name.words)}: {facts_in_words(facts)}. It lies in {safe(file)}")


def facts_saved(name: "RigName") -> dict[str, Any]:
    """What is kept of a rig, by key; empty if nothing is."""
    from framecheck.read.saved_rig import KEPT, load_saved, saved_file

    file = saved_file(name)
    if not file.is_file():
        return {}
    rig = load_saved(file)
    return {key.name: getattr(rig, key.name) for key in KEPT if getattr(rig, key.name) is not None}


def list_saved(*, as_json: bool = False) -> None:
    """Tell which rigs are saved, and where."""
    from framecheck.read.saved_rig import KEPT, load_saved, name_in, saved_files, saved_folder

    rigs = {file: load_saved(file) for file in saved_files()}
    facts = {file: {key.name: getattr(one, key.name) for key in KEPT} for file, one in rigs.items()}
    if as_json:
        say(json_text({"rigs": [{"name": name_in(file), "file": str(file), "facts": facts[file]} for file in rigs]}))
        return
    if not rigs:
        tell("No rig is saved yet. `framecheck rig FRAME --save` asks for what headers leave out, and keeps it.")
        return
    for file in rigs:
        known = {name: value for name, value in facts[file].items() if value is not None}
        say(f"{safe(name_in(file))}: {facts_in_words(known)}")
    say(f"\nThey lie in {safe(saved_folder())}")


def facts_in_words(facts: Mapping[str, Any]) -> str:
    """Facts of a rig as one says them."""
    from framecheck.read.rig_keys import rig_told

    return rig_told(facts) or "nothing known, and not asked again"


def _header_of(file: Path) -> "Exposure":
    from framecheck.read import read_exposure

    try:
        return read_exposure(file)
    except UnusableFrame as why:
        raise NothingMeasured(str(why)) from None
