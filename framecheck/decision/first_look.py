"""A judged night in one look: verdict, three figures, one action, the mount, the doubtful frames, three stars."""

from collections.abc import Sequence
from typing import Final

import numpy as np

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.result import CLAIMED, Finding
from framecheck.decision.choice import Choice, worth_taking
from framecheck.decision.first_action import first_action, limiting
from framecheck.decision.grades import SHARE_OF_DETAIL
from framecheck.decision.judged import Judged
from framecheck.decision.morning import DoubtfulFrames, Figure, Morning, ShownStar
from framecheck.field.result import FrameShape
from framecheck.night.records import NightFrame
from framecheck.words import counted, duration, likely, number, path_in, percent, sentence

_NIGHTS: Final = ((0.75, "Good night"), (0.5, "Fair night"), (0.25, "Poor night"), (0.0, "Bad night"))
"""Least share of the hours that counts, and what such a night is called. Chosen: quarters."""
_AIR: Final = 0.5
"""[share] Part of the squared star width from which the air makes most of it."""
_ALIKE: Final = 0.15
"""Part of a frame's stars among which the brightest is shown. Chosen: a star that is both usual and well seen."""
_SAME: Final = 0.005
"""[share] Chosen: half a percent of a star's width is told as none."""
_FAR: Final = 0.35
"""Distance from the middle up to which a star is shown, in sides of the frame. Chosen: optics bend those in corners."""


def morning_of(judgement: Judged) -> Morning:
    """What page, terminal, `advise`, live page and history tell first, from one record."""
    night = judgement.night
    choice = judgement.choice
    doubtful = _doubtful(choice, SHARE_OF_DETAIL[judgement.aim])
    n_stack = choice.n_keep + (choice.n_doubtful if doubtful is not None and doubtful.take else 0)
    worth = choice.worth_s[n_stack - 1] if n_stack else None
    known = [row.exposure_s for row in judgement.rows if row.exposure_s is not None]
    shot = sum(known) if known else None
    costly = limiting(judgement)
    main = costly[0] if costly else None
    return Morning(
        verdict=_verdict(judgement, costly, worth, shot, n_stack),
        figures=(
            Figure(name="Stack", value=f"{n_stack} of {len(night.frames)}", note=_which(judgement, choice, n_stack)),
            Figure(name="Worth", value=duration(worth or None), note=f"of perfect exposure ({duration(shot)} shot)"),
            _main_cause(main, len(night.frames)),
        ),
        action=first_action(judgement, n_stack),
        mount=_mount(judgement, costly),
        doubtful=doubtful,
        stars=_stars(judgement),
        n_stack=n_stack,
        n_frames=len(night.frames),
        worth_s=worth or None,
        shot_s=shot,
        main_cause=None if main is None else main.cause,
        main_cost=None if main is None else main.cost,
    )


def _which(judgement: Judged, choice: Choice, n_stack: int) -> str:
    n_reject = len(judgement.grades) - choice.n_keep - choice.n_doubtful
    n_failed = len(judgement.night.failures)
    parts = [
        "all keep" if choice.n_keep == len(judgement.grades) else f"{choice.n_keep} keep",
        f"{choice.n_doubtful} doubtful {'too' if n_stack > choice.n_keep else 'left out'}" if choice.n_doubtful else "",
        f"{n_reject} reject" if n_reject else "",
        f"{n_failed} unreadable" if n_failed else "",
    ]
    return ", ".join(filter(None, parts))


def _main_cause(main: Finding | None, n_frames: int) -> Figure:
    if main is None:
        return Figure(name="Main cause", value="none", note="nothing costs 2 % or more")
    sure = likely(main.confidence)
    if main.cost is None:
        note = f"frames touched by {CAUSES[main.cause].culprit}, {sure}"
        return Figure(name="Main cause", value=f"{main.frames_affected} of {n_frames}", note=note)
    return Figure(name="Main cause", value=percent(main.cost), note=f"lost to {CAUSES[main.cause].culprit}, {sure}")


def _verdict(
    judgement: Judged, costly: Sequence[Finding], worth: float | None, shot: float | None, n_stack: int
) -> str:
    """How good the night was, and what made it so."""
    if not judgement.night.frames:
        return "No frame could be measured."
    if n_stack == 0:
        return f"Nothing to stack: {_why(judgement, costly)}."
    share = 1.0 if not shot or worth is None else worth / shot
    lost = sum(one.cost or 0.0 for one in costly)
    called = next(name for least, name in _NIGHTS if min(share, 1 - lost) >= least or least == 0)
    return f"{called}: {_why(judgement, costly)}."


def _why(judgement: Judged, costly: Sequence[Finding]) -> str:
    if costly:
        main, culprit = costly[0], CAUSES[costly[0].cause].culprit
        if main.cost is None:
            return f"{culprit} touched {main.frames_affected} of {counted(len(judgement.night.frames), 'frame')}"
        return f"{culprit} cost {percent(main.cost)}"
    faults = [one for one in judgement.findings if not CAUSES[one.cause].advice]
    if any(one.confidence >= CLAIMED for one in faults):
        return "nothing we found costs 2 % or more"
    if faults:
        best = faults[0]
        return f"no cause is certain; {CAUSES[best.cause].culprit} is our best guess ({percent(best.confidence)} sure)"
    air = next((term.share for term in judgement.budget if term.term == "atmosphere"), None)
    if air is not None and air >= _AIR:
        return "the air set the star size, not your equipment"
    return "no single cause stands out"


def _mount(judgement: Judged, costly: Sequence[Finding]) -> str:
    """Whether a better mount would pay, in one line."""
    decision, error = judgement.mount_decision, _error(judgement)
    after = f" {error}" if error else ""
    match decision.answer:
        case "not needed":
            return f"Mount: fine.{after}"
        case "upgrade justified":
            return f"Mount: a better one would pay.{after}"
        case "cannot tell":
            settle = decision.what_would_settle_it or decision.because
            return "Mount: can't tell yet." + (f" {sentence(settle[0])}" if settle else "")
    first = next(iter(costly), None)
    if first is None or CAUSES[first.cause].family == "mount":
        return f"Mount: yes, but you don't need a new one yet.{after}"
    return f"Mount: partly, but fix {CAUSES[first.cause].culprit} first.{after}"


def _error(judgement: Judged) -> str:
    """Tracking error beside what would do; empty unless both are known."""
    rms, needed = judgement.mount_decision.tracking_rms_arcsec, judgement.mount_decision.needed_rms_arcsec
    if rms is None or rms.value is None or needed is None:
        return ""
    unseen = not rms.value > 0 and rms.high is not None
    seen = f"at most {number(rms.high, 2)}" if unseen else number(rms.value, 2)
    return f"Tracking error {seen}″, you need {number(needed, 2)}″ or better."


def _doubtful(choice: Choice, detail: float) -> DoubtfulFrames | None:
    n = choice.n_doubtful
    if n == 0:
        return None
    take = worth_taking(choice, detail)
    few, many = choice.n_keep, choice.n_keep + n
    deeper, wider = choice.deeper(few, many), choice.wider(few, many)
    all_of_many = f"{'all' if take else 'the'} {n} doubtful frames"
    which = {1: "the doubtful frame", 2: "both doubtful frames"}.get(n, all_of_many)
    trade = ", ".join(_trade(deeper, wider, take=take))
    told = f"{'Take' if take else 'Leave out'} {which}" + (f": {trade}." if trade else ".")
    return DoubtfulFrames(n_frames=n, take=take, deeper=deeper, wider=wider, sentence=told)


def _trade(deeper: float | None, wider: float | None, *, take: bool) -> list[str]:
    """What taking frames, or leaving them out, changes of the stack."""
    told = []
    if deeper is not None:
        told.append(f"{percent(deeper)} deeper" if take else f"{percent(deeper / (1 + deeper))} less deep")
    if wider is not None:
        change = wider if take else 1 / (1 + wider) - 1
        stars = f"{percent(abs(change))} {'wider' if change > 0 else 'sharper'} stars"
        told.append("stars as sharp" if abs(change) < _SAME else stars)
    return told


def _stars(judgement: Judged) -> tuple[ShownStar, ...]:
    """One star each of the best, a typical and the worst frame, by the long axis of their stars."""
    frames = [
        (shape.fwhm_px * shape.elongation**0.5, i, frame, shape)
        for i, frame in enumerate(judgement.night.frames)
        for shape in [frame.result.shape]
        if shape is not None and len(frame.result.stars.good)
    ]
    frames.sort(key=lambda one: one[:2])
    usable = [one for one in frames if judgement.grades[one[1]].grade != "reject"] or frames
    if len(usable) < 2:
        chosen = {"typical": usable[0]} if usable else {}
    else:
        chosen = {"best": usable[0], "typical": usable[len(usable) // 2], "worst": frames[-1]}
    return tuple(star_of(judgement, role, frame, shape) for role, (_, _, frame, shape) in chosen.items())


def star_of(judgement: Judged, role: str, frame: NightFrame, shape: FrameShape) -> ShownStar:
    """Of a frame with good stars the brightest of the stars near the middle whose shape is most like the frame's."""
    good, exposure = frame.result.stars.good, frame.result.exposure
    off = np.hypot(good["x"] / exposure.width_px - 0.5, good["y"] / exposure.height_px - 0.5)
    unlike = np.hypot(good["e1"] - shape.e1, good["e2"] - shape.e2) + np.abs(np.log(good["fwhm_px"] / shape.fwhm_px))
    unlike = np.where(np.isfinite(unlike), unlike, np.inf) + np.where(off > _FAR, 1.0, 0.0)
    alike = np.argsort(unlike, kind="stable")[: max(1, round(_ALIKE * len(good)))]
    star = good[alike[np.nanargmax(np.nan_to_num(good["snr"][alike]))]]
    session = next((group.session for group in judgement.night.groups if group.id == frame.group), 0)
    scale = judgement.night.rig_of(session).pixel_scale_arcsec
    return ShownStar(
        role=role,
        file=path_in(judgement.night.folder, exposure.file),
        x_px=float(star["x"]),
        y_px=float(star["y"]),
        fwhm_px=shape.fwhm_px,
        fwhm_arcsec=None if scale is None else shape.fwhm_px * scale,
        elongation=shape.elongation,
    )
