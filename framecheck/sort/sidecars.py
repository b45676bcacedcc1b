"""Files that belong to a raw: those beside it that share its name and have another ending.

What was developed from a raw, or says how, is of no use without it: they go where it goes.
"""

import os
from collections.abc import Iterator
from functools import cache
from pathlib import Path


def sidecars(frames: dict[str, Path]) -> Iterator[tuple[str, str, Path]]:
    """Files beside raws, each once: the name of its frame, its own name, and where it lies.

    Parameters
    ----------
    frames : dict of str to Path
        Frames by their names relative to the folder of frames; those that are no raws have none.
    """
    from framecheck.read.folder import is_raw_name

    names_in = cache(_plain_files)
    taken = set(frames.values())
    for name, source in frames.items():
        if not is_raw_name(source.name):
            continue
        for beside in names_in(source.parent):
            path = source.parent / beside
            shared = beside.startswith((source.name + ".", source.stem + "."))
            if shared and path not in taken:
                taken.add(path)
                yield name, name.removesuffix(name.rpartition("/")[2]) + beside, path


def _plain_files(folder: Path) -> tuple[str, ...]:
    with os.scandir(folder) as entries:
        return tuple(sorted(entry.name for entry in entries if entry.is_file(follow_symlinks=False)))
