"""Our errors, and when to raise which.

Each message is one sentence that a user can act on: the file, what is wrong with it, what to do.

==================  ==================================================================================
`UnusableFrame`     one file cannot be measured; the night goes on without it (exit code 1)
`UnusableRig`       the rig file is wrong; nothing starts before it is put right (exit code 2)
`UnusableRequest`   a command was asked for something impossible (exit code 2)
`CannotFinish`      what was asked for is possible, but disk, rights or workers failed (exit code 4)
`NothingMeasured`   no frame at all could be measured (exit code 3)
==================  ==================================================================================

Programming mistakes (wrong shapes, wrong types) raise `ValueError` or `TypeError` as everywhere.
"""

import errno
from pathlib import Path
from typing import Final

NO_PLACE: Final = (errno.ENAMETOOLONG, errno.ELOOP, errno.ENOTDIR, errno.EISDIR, errno.EEXIST)
"""What the system says of a path where nothing can be, whatever disk and rights: wrong usage, not a failure."""


NOT_NOW: Final = (errno.EACCES, errno.EPERM, errno.EIO, errno.ENOSPC, errno.EDQUOT, errno.EROFS)
"""What it says where rights or a disk fail: the same can be done once these are mended."""


class FramecheckError(Exception):
    """Anything that the user, not the programmer, can put right."""


class UnusableFrame(FramecheckError):  # noqa: N818 - says what is wrong, which "Error" would not add to
    """One file that cannot be measured.

    Parameters
    ----------
    path : Path
        The file.
    fault : str
        What is wrong, as the middle of a sentence ("ends after 12 of 40 MB").
    remedy : str
        What to do about it, as a sentence ("Copy it again from the camera.").
    """

    def __init__(self, path: Path, fault: str, remedy: str) -> None:
        super().__init__(path, fault, remedy)
        self.path = path
        self.fault = fault
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.path.name}: {self.fault}. {self.remedy}"


class UnusableRig(FramecheckError):  # noqa: N818
    """A rig file that cannot be used; the message names file, key, what was found, what is allowed."""


class UnusableRequest(FramecheckError):  # noqa: N818
    """A command that cannot be carried out as asked."""


class CannotFinish(UnusableRequest):
    """A command that disk, rights or workers kept from its end; asked again when they are there, it can be done."""


def refused(why: OSError, text: str) -> UnusableRequest:
    """The error for what the system refuses: rights and disks are not the user's mistake (exit code 4)."""
    return CannotFinish(text) if why.errno in NOT_NOW else UnusableRequest(text)


class NothingMeasured(FramecheckError):  # noqa: N818
    """No file of all that were given could be measured."""
