"""live.html: the night while it goes on, on a page that loads itself again and needs nothing else."""

from base64 import b64encode
from collections.abc import Sequence
from datetime import UTC, datetime
from hashlib import sha256
from typing import Final

from framecheck._version import __version__
from framecheck.decision.alarms import Alarm
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.quantity import shown_as
from framecheck.report.account import account_of
from framecheck.report.alarm_words import first_cure, likely_cause, title, what_is_over, what_is_seen
from framecheck.report.html import part, template
from framecheck.report.strips import strips
from framecheck.report.verdict import night_title

REFRESH_S: Final = 10
"""[s] Chosen: shorter than any exposure that is worth watching."""
LATEST: Final = 15
"""Frames in the table. Chosen: a screen; the curves above it show all."""


def live_page(
    judgement: Judgement,
    rows: Sequence[FrameRow],
    alarms: Sequence[Alarm],
    arriving: Sequence[str],
    *,
    is_over: bool,
    written: datetime | None = None,
) -> str:
    """The whole page as HTML text.

    Parameters
    ----------
    judgement : Judgement
        Of the night so far.
    rows : sequence of FrameRow
        Its frames.
    alarms : sequence of Alarm
        All that was told, the first first.
    arriving : sequence of str
        Names of files that are not yet whole.
    is_over : bool
        Whether the watch has ended: the page then loads itself no more, and points to the report.
    written : datetime, optional
        Time to be shown; now if not given.
    """
    script = part("live.js")
    written = written or datetime.now(UTC)
    scale = judgement.night.rig.pixel_scale_arcsec
    lasting = [
        (title(alarm), what_is_seen(alarm, scale), likely_cause(alarm), first_cure(alarm), alarm.caution)
        for alarm in reversed(alarms) if not alarm.is_over
    ]  # fmt: skip
    measured = [row for row in rows if row.status == "measured"]
    return template("live.html").render(
        style=part("report.css") + part("live.css"),
        script=script,
        script_hash=b64encode(sha256(script.encode()).digest()).decode(),
        version=__version__,
        refresh_s=None if is_over else REFRESH_S,
        title=night_title(judgement, rows),
        written=written,
        lasting=lasting,
        over=[what_is_over(alarm) for alarm in reversed(alarms) if alarm.is_over],
        account=account_of(rows),
        strips=strips(rows),
        latest=measured[: -LATEST - 1 : -1],
        columns=shown_as("latest", rows),
        failed=[row for row in rows if row.status == "failed"],
        arriving=list(arriving),
    )
