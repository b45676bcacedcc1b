"""Nights that were judged: one that has not changed needs no second judgement, for its report stands."""

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

from framecheck._version import __version__
from framecheck.logbook.mark import Mark, measuring
from framecheck.read.foreign_json import json_of
from framecheck.read.paths import open_plain, read_plain
from framecheck.words import steers

_STYLE: Final = re.compile("\x1b\\[[0-9;]*m")
"""What makes text bold or coloured (ECMA-48, SGR)."""
_CODE: Final = ("*.py", "*.csv", "*.html", "*.css", "*.js")


@dataclass(frozen=True, kw_only=True, slots=True)
class WrittenReport:
    """A report that was written, and what was told of it."""

    summary: str
    files: Mapping[str, str]
    """Hash of each file of the report, by its name."""
    failures: Mapping[str, str]
    """What was wrong with each file that could not be measured, by its path: it may have been mended since."""

    @property
    def is_readable(self) -> bool:
        """Whether it steers no terminal, but for our own styles: it is shown as it was told."""
        texts = [self.summary, *self.failures.values()]
        return not any(steers(sign) for text in texts for sign in set(_STYLE.sub("", text)) - {"\n"})

    def stands(self, out: Path) -> bool:
        """Whether all files of the report are there, as they were written."""
        return bool(self.files) and files_of(out, self.files) == self.files


def basis_of(marks: Mapping[Path, Mark], contents: Iterable[Path], words: Iterable[object]) -> bytes:
    """Hash of all that a report follows from.

    Parameters
    ----------
    marks : mapping
        What each frame is known again by, in the order of the frames.
    contents : iterable of Path
        Files whose whole content matters: rig, guiding record.
    words : iterable
        Whatever else does: folders, options, files that are no frames. What `str` makes of them must tell them apart.
    """
    digest = hashlib.blake2b(digest_size=20)
    _add(digest, f"{__version__} {measuring()} {_code()}")
    for path, mark in marks.items():
        _add(digest, f"{path} {mark}")
    for path in contents:
        _add(digest, hashlib.blake2b(read_plain(path)).hexdigest())
    for word in words:
        _add(digest, str(word))
    return digest.digest()


def _add(digest: "hashlib.blake2b", text: str) -> None:
    content = text.encode("utf-8", "surrogateescape")
    digest.update(len(content).to_bytes(8, "big") + content)


def files_of(out: Path, names: Iterable[str]) -> dict[str, str]:
    """Hashes of those files of a report that can be read."""
    found = {}
    for name in names:
        try:
            found[name] = _hash_of(out / name)
        except OSError:
            continue
    return found


def _hash_of(path: Path) -> str:
    with open_plain(path) as file:
        return hashlib.file_digest(file, lambda: hashlib.blake2b(digest_size=20)).hexdigest()


@cache
def _code() -> str:
    """A hash of all code, where it is a developer's checkout: a change of the page or of a cause judges again."""
    package = Path(__file__).parent.parent
    if not (package.parent / ".git").exists():
        return ""
    sources = sorted(path for pattern in _CODE for path in package.rglob(pattern))
    return hashlib.blake2b(b"".join(path.read_bytes() for path in sources), digest_size=8).hexdigest()


def as_text(named: Mapping[str, str]) -> str:
    """Hashes or faults by name, as the logbook holds them."""
    return json.dumps(dict(named), sort_keys=True)


def from_text(text: str) -> dict[str, str]:
    """The same back; empty if it is nothing that framecheck wrote."""
    try:
        held = json_of(text)
    except ValueError:
        return {}
    return {str(name): str(value) for name, value in held.items()} if isinstance(held, dict) else {}
