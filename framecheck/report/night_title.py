"""What a night is called: targets and dates."""

from collections.abc import Sequence

from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.report.time_axis import dates
from framecheck.words import counted, listed


def night_title(judgement: Judgement, rows: Sequence[FrameRow]) -> str:
    """Targets and dates; the folder's name if the headers tell neither."""
    targets = list(dict.fromkeys(group.target for group in judgement.groups if group.target))
    shown = listed(targets) if len(targets) <= 3 else counted(len(targets), "target")
    return ", ".join(filter(None, [shown, dates(rows)])) or judgement.night.folder.name or "One night"
