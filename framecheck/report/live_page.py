"""live.html: the night while it goes on. It shows what has changed without being loaded again, also from a plain file.

A page that lies on a disk may fetch nothing, but it may run a script that lies beside it: so each state of the night is
written as such a script, which the page puts in again every few seconds. Only scripts that the page itself puts in may
run (a nonce says so), and what they bring is text, escaped where it was made.
"""

import json
import secrets
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from typing import Final

from framecheck._version import __version__
from framecheck.decision.alarms import Alarm
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.judgement import Judgement
from framecheck.quantity import shown_as
from framecheck.read.local_time import local_time
from framecheck.report.alarm_words import first_cure, likely_cause, title, what_is_over, what_is_seen
from framecheck.report.html import part, template
from framecheck.report.night_title import night_title
from framecheck.report.strips import strips
from framecheck.words import plain

LATEST: Final = 15
"""Frames in the table. Chosen: a screen; the curves above it show all."""
PAGE: Final = "live.html"
STATE: Final = "live-now.js"
"""The night's state as a script beside the page."""


@dataclass(frozen=True, kw_only=True, slots=True)
class LivePage:
    """The page, whole, and the state that a page which is open already asks for."""

    html: str
    state: str


def live_page(
    judgement: Judgement,
    rows: Sequence[FrameRow],
    alarms: Sequence[Alarm],
    arriving: Sequence[str],
    *,
    is_over: bool,
    written: datetime | None = None,
) -> LivePage:
    """The page as HTML text, and what is new on it as a script.

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
        Whether the watch has ended: the page then asks for nothing more, and points to the report.
    written : datetime, optional
        Time to be shown; now if not given.
    """
    written = written or datetime.now(UTC)
    scale = judgement.night.rig.pixel_scale_arcsec
    lasting = [
        (title(alarm), what_is_seen(alarm, scale), likely_cause(alarm), first_cure(alarm), alarm.caution)
        for alarm in reversed(alarms) if not alarm.is_over
    ]  # fmt: skip
    measured = [row for row in rows if row.status == "measured"]
    heading = plain(night_title(judgement, rows))
    content = template("live_now.html").render(
        title=heading,
        is_over=is_over,
        written=written,
        local=local_time(judgement.night.rig),
        morning=judgement.morning,
        lasting=lasting,
        over=[what_is_over(alarm) for alarm in reversed(alarms) if alarm.is_over],
        strips=strips(rows),
        latest=measured[: -LATEST - 1 : -1],
        columns=shown_as("latest", rows),
        failed=[row for row in rows if row.status == "failed"],
        arriving=list(arriving),
    )
    tab = f"! {lasting[0][0]} – {heading}" if lasting else heading
    tab, signs = f"{tab} – framecheck", [_sign_of(alarm, scale) for alarm in alarms if not alarm.is_over]
    state = {"content": content, "title": tab, "over": is_over, "alarms": signs}
    script = part("live.js")
    html = template("live.html").render(
        style=part("plain.css") + part("live.css"), script=script, nonce=secrets.token_urlsafe(16), version=__version__,
        script_hash=b64encode(sha256(script.encode()).digest()).decode(), title=tab, content=content,
        state_file=STATE, is_over=is_over, known=json.dumps([one["name"] for one in signs]),
    )  # fmt: skip
    return LivePage(html=html, state=f"framecheckNow({json.dumps(state)});\n")


def _sign_of(alarm: Alarm, scale_arcsec: float | None) -> dict[str, str]:
    """An alarm by a name that stays, and what a notification says of it."""
    text = f"{what_is_seen(alarm, scale_arcsec)} First: {first_cure(alarm)}"
    return {"name": f"{alarm.sign} {alarm.group} {alarm.since}", "title": title(alarm), "text": text}
