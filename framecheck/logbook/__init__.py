"""What has been measured stays measured: frames are known again, and a night is judged anew without its pixels."""

from framecheck.logbook.book import Logbook, UnusableLogbook
from framecheck.logbook.mark import MEASURING, Mark, mark_of
from framecheck.logbook.place import logbook_file

__all__ = ["MEASURING", "Logbook", "Mark", "UnusableLogbook", "logbook_file", "mark_of"]
