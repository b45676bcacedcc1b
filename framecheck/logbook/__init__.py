"""What has been measured stays measured: frames are known again, and a night is judged anew without its pixels."""

from framecheck.logbook.book import FolderEntry, Logbook, open_logbook
from framecheck.logbook.mark import MEASURING
from framecheck.logbook.nights import JudgedNight, basis_of, files_of
from framecheck.logbook.place import VARIABLE, logbook_file, named_file, without
from framecheck.logbook.unusable import UnusableLogbook

__all__ = [
    "MEASURING",
    "VARIABLE",
    "FolderEntry",
    "JudgedNight",
    "Logbook",
    "UnusableLogbook",
    "basis_of",
    "files_of",
    "logbook_file",
    "named_file",
    "open_logbook",
    "without",
]
