"""Frames behind an address (s3://, https://): found in its folder, and brought to hand one at a time.

A path whose first part ends in a colon stands for an address: `Path("s3://bucket/night")`. What opens it is fsspec.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePath
from tempfile import TemporaryDirectory
from typing import Any, Final

from framecheck.errors import FramecheckError, UnusableFrame, UnusableRequest

_ADDRESS: Final = re.compile(r"([a-z][a-z0-9+.-]+):/+")
"""RFC 3986, section 3.1: a scheme; of two letters at least, for one is a drive."""

MISSING: Final = "Frames behind an address need packages that are not installed: pip install 'framecheck[remote]'."

_TAGS: Final = (
    "ETag",
    "etag",
    "md5Hash",
    "Content-MD5",
    "Digest",
    "LastModified",
    "Last-Modified",
    "last_modified",
    "mtime",
    "updated",
    "created",
)
"""What file systems say of a file's content or its time, the most telling first."""


def is_remote(path: PurePath) -> bool:
    """Whether a path stands for an address."""
    return _ADDRESS.match(path.as_posix()) is not None


def url_of(path: PurePath) -> str:
    """The address that a path stands for: as a path, it has lost one of its slashes."""
    return _ADDRESS.sub(
        lambda scheme: f"{scheme[1]}:///" if scheme[1] == "file" else f"{scheme[1]}://", path.as_posix(), count=1
    )


def place_name(path: PurePath) -> str:
    """A path for a person or a program: with forward slashes, or as the address that it stands for."""
    return url_of(path) if is_remote(path) else path.as_posix()


def find_remote(folder: Path) -> list[Path]:
    """All files under an address, sorted; raises `UnusableRequest` if there are none, or it cannot be opened."""
    url = url_of(folder)
    try:
        system, inside = _opened(url)
        found = system.find(inside)
        if not found:
            system.ls(inside)  # which says why, where `find` is silent
    except FileNotFoundError:
        found = []
    except FramecheckError:
        raise
    except Exception as why:  # each kind of store has errors of its own
        raise UnusableRequest(f"{url}: cannot be listed ({_reason(why)}). Check the address and your access.") from None
    paths = [Path(name if _ADDRESS.match(name) else system.unstrip_protocol(name)) for name in found]
    if not paths:
        raise UnusableRequest(f"{url}: there is nothing there. Give the address of the folder that holds the frames.")
    return sorted(path for path in paths if not path.name.startswith("."))


def read_remote_text(path: Path) -> str:
    """The text of a small file behind an address; raises `UnusableRequest` if it cannot be read."""
    url = url_of(path)
    try:
        system, inside = _opened(url)
        content: bytes = system.cat_file(inside)
        return content.decode("utf-8", "replace")
    except FramecheckError:
        raise
    except Exception as why:
        raise UnusableRequest(f"{url}: cannot be read ({_reason(why)}). Check the address and your access.") from None


def remote_state(path: Path) -> tuple[int, str]:
    """Size in bytes, and what the store says of the content: tag, hash or time.

    Raises
    ------
    OSError
        If it cannot be asked, or tells no more than the size.
    """
    try:
        system, inside = _opened(url_of(path))
        about = system.info(inside)
    except Exception as why:
        raise OSError(_reason(why)) from why
    tags = [f"{name} {about[name]}" for name in _TAGS if about.get(name)]
    if not tags or about.get("size") is None:
        raise OSError(f"{url_of(path)} tells nothing that it could be known again by")
    return int(about["size"]), tags[0]


@contextmanager
def at_hand(path: Path) -> Iterator[Path]:
    """The file itself, or a copy for the time being of one behind an address.

    Raises
    ------
    UnusableFrame
        If it cannot be fetched.
    """
    if not is_remote(path):
        yield path
        return
    with TemporaryDirectory(prefix="framecheck-") as scratch:
        copy = Path(scratch) / (path.name.partition("?")[0] or "frame.fits")
        try:
            system, inside = _opened(url_of(path))
            system.get_file(inside, str(copy))
        except FileNotFoundError:
            raise UnusableFrame(path, "is not there any more", "Check whether it was moved or deleted.") from None
        except UnusableRequest as why:
            raise UnusableFrame(path, "cannot be fetched here", str(why)) from None
        except Exception as why:
            fault = f"cannot be fetched ({_reason(why)})"
            raise UnusableFrame(path, fault, "Check connection and access, then run again.") from None
        yield copy


def _opened(url: str) -> tuple[Any, str]:
    """The file system that an address belongs to, and the place in it."""
    try:
        from fsspec.core import url_to_fs
    except ImportError:
        raise UnusableRequest(MISSING) from None
    try:
        system, inside = url_to_fs(url)
    except ImportError:
        raise UnusableRequest(MISSING) from None
    except ValueError as why:
        raise UnusableRequest(f"{url}: no such kind of address is known ({why}). Check how it begins.") from None
    return system, inside


def _reason(why: BaseException) -> str:
    said = " ".join(str(why).split())
    return said if said and len(said) < 200 else type(why).__name__
