"""What headers never say of a rig, kept by camera and telescope in this user's own configuration folder.

Asked once, used for every night after. Kept are facts that stay with a rig; gain, binning and the like belong to a
night, and to a rig file that is given with it.
"""

import hashlib
import os
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from framecheck.errors import CannotFinish, UnusableRig
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig
from framecheck.read.rig_file import load_rig
from framecheck.read.rig_keys import KEYS, Key, toml_line

KEPT: Final[tuple[Key, ...]] = tuple(
    key for key in KEYS
    if key.table in ("mount", "site") or key.name in ("focal_length_mm", "aperture_mm", "central_obstruction")
)  # fmt: skip
"""Facts that stay with a rig from night to night."""
_PLACE: Final = ("site_latitude_deg", "site_longitude_deg")
"""What a header knows better: rigs travel."""
_TOLD: Final = "# framecheck rig: "
"""How the first line begins, which names camera and telescope."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RigName:
    """By what a rig is known again: what headers call camera and telescope."""

    camera: str | None
    telescope: str | None

    @property
    def words(self) -> str:
        """Both in words."""
        return ", ".join(_on_one_line(name) for name in (self.camera, self.telescope) if name)


def _on_one_line(text: str) -> str:
    """Text of a header without what could steer a terminal or begin a line."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


def rig_name(exposures: Sequence[Exposure]) -> RigName | None:
    """The rig that all exposures name; None if they name none, or several."""
    names = {RigName(camera=one.camera or None, telescope=one.telescope or None) for one in exposures}
    only = names.pop() if len(names) == 1 else None
    return only if only is not None and (only.camera or only.telescope) else None


def saved_folder() -> Path:
    """Where saved rigs lie: in the folder that the platform has for a user's configuration."""
    import platformdirs

    return Path(platformdirs.user_config_dir("framecheck", appauthor=False)) / "rigs"


def saved_file(name: RigName) -> Path:
    """The file of a rig, whether it is there or not."""
    mark = hashlib.sha256(f"{name.camera}\0{name.telescope}".encode("utf-8", "surrogateescape")).hexdigest()[:8]
    shown = re.sub(r"[^a-z0-9]+", "-", name.words.lower()).strip("-")[:48]
    return saved_folder() / f"{shown or 'rig'}-{mark}.toml"


def saved_files() -> list[Path]:
    """The files of all saved rigs, by name; none where the folder cannot be looked into."""
    try:
        return sorted(path for path in saved_folder().iterdir() if path.suffix == ".toml" and path.is_file())
    except OSError:
        return []


def name_in(file: Path) -> str:
    """What a saved rig's first line calls it; its file's name if that was taken away."""
    try:
        with file.open(encoding="utf-8", errors="replace") as text:
            first = text.readline(500).rstrip("\n")
    except OSError:
        first = ""
    return _on_one_line(first.removeprefix(_TOLD)) if first.startswith(_TOLD) else file.stem


def load_saved(file: Path) -> Rig:
    """Read and check a saved rig; raises as `load_rig`, and for a fact that is another one every night."""
    rig = load_rig(file)
    kept = {key.field or key.name for key in KEPT}
    for field in rig.provenance:
        if field not in kept:
            name = next(key.name for key in KEYS if (key.field or key.name) == field)
            raise UnusableRig(
                f"{file}: `{name}` may change from night to night, so it is not kept with a rig. Take it out, and "
                "give a rig file of the night with --rig."
            )
    return replace(rig, provenance=dict.fromkeys(rig.provenance, "saved rig"))


def with_saved(rig: Rig, exposures: Sequence[Exposure]) -> Rig:
    """Fill what the rig file leaves open with what was saved for the rig that the headers name.

    A place that one of the exposures states is that of the night, and the saved one is not used. Raises `UnusableRig`
    if the saved rig cannot be used.
    """
    name = rig_name(exposures)
    if name is None or not (file := saved_file(name)).is_file():
        return rig
    saved = load_saved(file)
    knows_place = any(getattr(one, field) is not None for one in exposures for field in _PLACE) or any(
        getattr(rig, field) is not None for field in _PLACE
    )
    added = {
        field: getattr(saved, field)
        for field in saved.provenance
        if getattr(rig, field) is None and not (knows_place and field in _PLACE)
    }
    provenance = {**rig.provenance, **{field: saved.provenance[field] for field in added}}
    return replace(rig, **added, provenance=provenance)


def saved_text(name: RigName, facts: dict[str, Any]) -> str:
    """The file of a saved rig: each fact, by name of a key of `KEPT`, with what it means; unknown ones to uncomment."""
    lines = [
        f"{_TOLD}{name.words}",
        "# Used for every night of this rig; a rig file given with --rig, or rig.toml beside the frames, wins over it.",
        "# Change it as you like; delete it to be asked again.",
    ]
    for table in dict.fromkeys(key.table for key in KEPT):
        lines += ["", f"[{table}]"]
        for key in KEPT:
            if key.table == table:
                lines += [f"# {key.help}", toml_line(key, facts.get(key.name))]
    return "\n".join(lines) + "\n"


def save_rig(name: RigName, facts: dict[str, Any]) -> Path:
    """Keep what is known of a rig; only this user may read it, and an earlier file is replaced whole.

    Raises `CannotFinish` if the place does not take it.
    """
    file = saved_file(name)
    try:
        _make_private(file.parent)
        _replace_whole(file, saved_text(name, facts).encode())
    except OSError as why:
        raise CannotFinish(
            f"{file}: cannot be written ({why.strerror or why}). Check the permissions there, and the disk."
        ) from why
    return file


def _replace_whole(file: Path, content: bytes) -> None:
    part = file.with_suffix(f".{os.getpid()}.part")
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
    try:
        with os.fdopen(os.open(part, flags, 0o600), "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        part.replace(file)
    finally:
        part.unlink(missing_ok=True)


def _make_private(folder: Path) -> None:
    """The folder, readable by this user alone where it is made here."""
    missing = [one for one in (folder, *folder.parents) if not one.exists()]
    for one in reversed(missing):
        one.mkdir(mode=0o700, exist_ok=True)
