"""`framecheck frame`: one frame in a few lines, with its mean star, as JSON, or as a picture."""

import sys
from pathlib import Path
from typing import Final

from framecheck.cli.terminal import say, warn
from framecheck.decision.judgement import Judgement
from framecheck.document import json_text
from framecheck.errors import UnusableFrame, UnusableRequest
from framecheck.field import FrameFailure, FrameResult, StackedStar
from framecheck.night.records import Skipped
from framecheck.pipeline import Measurements, judge_night, measure_file, settle_facts
from framecheck.read import Rig, load_rig, read_frame
from framecheck.report.frame_account import FrameAccount, frame_account
from framecheck.report.look import Look, look_of
from framecheck.report.night_json import frame_document
from framecheck.report.terminal import LABEL, failure_line
from framecheck.words import safe

_SHADES: Final = ((0.5, "█"), (0.25, "▓"), (0.1, "▒"), (0.03, "░"))
"""Light over that of the middle from which a sign is drawn: the darkest is the star's full width at half maximum."""
_STAR_LINES: Final = 11
"""Lines of the mean star. Chosen: a sign is twice as high as wide, so that it takes 22 columns."""


def account_for_frames(
    files: list[Path], rig_file: Path | None, *, as_json: bool = False, picture: Path | None = None
) -> int:
    """Measure files and print what was found; the number that could not be measured.

    Raises
    ------
    UnusableRequest
        If a picture of several files is asked for, or cannot be written.
    """
    if picture is not None and len(files) != 1:
        raise UnusableRequest(f"--picture takes one frame, and {len(files)} were given. Give them one after the other.")
    if picture is not None and picture.suffix.lower() != ".png":
        raise UnusableRequest(f"{safe(picture)}: the picture is a PNG. Give it a name that ends in .png.")
    rig = load_rig(rig_file) if rig_file is not None else Rig()
    n_failed = 0
    for number, path in enumerate(files):
        outcome = measure_file(path, rig)
        if isinstance(outcome, Skipped):
            remedy = "Give a light frame."
            outcome = FrameFailure(
                exposure=None, file=str(path), fault=f"isn't a light frame: {outcome.why}", remedy=remedy
            )
        n_failed += isinstance(outcome, FrameFailure)
        if as_json:
            known = rig
            if isinstance(outcome, FrameResult):
                known, (outcome,) = settle_facts(Measurements(results=(outcome,), failures=(), skipped=()), rig)
            say(json_text(frame_document(outcome, known), indent=None))
        elif isinstance(outcome, FrameFailure):
            warn(failure_line(outcome))
        if isinstance(outcome, FrameResult) and (picture is not None or not as_json):
            _tell(outcome, rig, first=number == 0, in_words=not as_json, picture=picture)
    return n_failed


def _tell(result: FrameResult, rig: Rig, *, first: bool, in_words: bool, picture: Path | None) -> None:
    """One frame for a person, in words, as a picture, or both."""
    judgement = judge_alone(result, rig)
    account = frame_account(judgement)
    if in_words:
        say(("" if first else "\n") + "\n".join(frame_lines(result, account, look_of(sys.stdout))))
    if picture is not None:
        _draw(judgement, account, picture)
        if in_words:
            say(f"\nOpen {safe(picture)}")


def judge_alone(result: FrameResult, rig: Rig) -> Judgement:
    """The frame as a night of its own."""
    alone = Measurements(results=(result,), failures=(), skipped=())
    return judge_night(result.exposure.file.parent, alone, rig)


def frame_lines(result: FrameResult, account: FrameAccount, look: Look) -> list[str]:
    """One frame for a person: each number with its unit, its error and what would be good."""
    lines = [look.style(safe(result.exposure.file.name), "bold"), "  " + look.wrap(safe(account.about), 2, used=2), ""]
    for number, (label, text) in enumerate(account.lines):
        if number == len(account.rows):
            lines += [*_star_lines(result, look), ""]
        lines.append(_row(label, safe(text), look, style="reject" if label == "Fault" else "quiet"))
    return [*lines, _row("Open", account.open, look)]


def _row(label: str, text: str, look: Look, *, style: str = "quiet") -> str:
    hang = LABEL + 3
    return f"  {look.style(f'{label:<{LABEL}}', style)} " + look.wrap(text, hang, used=hang)


def _star_lines(result: FrameResult, look: Look) -> list[str]:
    """The mean star in shades; nothing without one, or where the stream cannot show them."""
    star = result.stacked
    if star is None or not _shows(sys.stdout.encoding):
        return []
    side = star.image.shape[0] * star.pixel_px
    notes = [f"{side:.1f} px across", "█ above half the light of its middle", "▓ ▒ ░ above a quarter, a tenth, 3 %"]
    signs = star_signs(star, first_row_on_top=result.exposure.first_row_on_top)
    first_note = len(signs) // 2 - 1
    lines = [""]
    for number, line in enumerate(signs):
        label = look.style(f"{'' if number else 'Mean star':<{LABEL}}", "quiet")
        beside = number - first_note
        note = look.style(notes[beside], "quiet") if 0 <= beside < len(notes) else ""
        lines.append(f"  {label} {line}  {note}".rstrip())
    return lines


def star_signs(star: StackedStar, *, first_row_on_top: bool = False) -> list[str]:
    """The image of a mean star as lines of signs, twice as many columns as lines."""
    import numpy as np

    n = star.image.shape[0]
    edges_y, edges_x = (np.linspace(0, n, count + 1).round().astype(int) for count in (_STAR_LINES, 2 * _STAR_LINES))
    rows = np.add.reduceat(star.image.astype(float), edges_y[:-1], axis=0) / np.diff(edges_y)[:, None]
    cells = np.add.reduceat(rows, edges_x[:-1], axis=1) / np.diff(edges_x)
    signs = [[next((sign for least, sign in _SHADES if light >= least), " ") for light in row] for row in cells]
    return ["".join(row) for row in (signs if first_row_on_top else signs[::-1])]


def _shows(encoding: str | None) -> bool:
    try:
        "█▓▒░".encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _draw(judgement: Judgement, account: FrameAccount, picture: Path) -> None:
    from framecheck.report.frame_picture import FRAME_PX, frame_picture
    from framecheck.report.publish import replace_file
    from framecheck.report.thumbnail import shrunk, stretched

    file = judgement.night.frames[0].result.exposure.file
    try:
        shades = stretched(shrunk(read_frame(file).pixels, widest_px=FRAME_PX))
    except UnusableFrame as error:
        raise UnusableRequest(str(error)) from None
    figure = frame_picture(judgement, shades, account)
    replace_file(picture, lambda file: figure.savefig(file, format="png"))
