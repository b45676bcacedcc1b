"""Causes in focus and optics: how far the model of the night says that each of them is there."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import log1p, sqrt
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Cause
from framecheck.causes.result import CannotTell, Evidence, Finding, Healthy, all_of, answer, log_odds_above
from framecheck.causes.series import all_series
from framecheck.causes.wings import expected_beta
from framecheck.constants import FWHM_PER_SIGMA
from framecheck.field.records import FieldModel
from framecheck.model.costs import SEEN, WORTH_NAMING, Effect, effects_of, optics_effects
from framecheck.model.explain import Explained, ShareExplained, explain, share_explained
from framecheck.model.setting import WIDTH_OF_LINE, setting_of
from framecheck.model.terms import AT, base_of_frames, own_blur2
from framecheck.motion.night import Night
from framecheck.motion.standing import standing_camera
from framecheck.read.rig import Rig
from framecheck.robust import typical

LIMIT_SCATTER: Final = 0.25
"""Of the logarithm of an effect over what is worth naming. [dimensionless] Chosen: samples of a model that is a little
wrong lie too close together; effects found in either half of real nights differ by so much."""

PERHAPS: Final = 0.25
"""Probability of the optics' own blur from which a missed focus is left open. Chosen."""

OVER_FIELD: Final = ("sensor-tilt", "field-curvature")
WELL_EXPLAINED: Final = 0.3
EXPLAINED_SCATTER: Final = 0.15
"""Causes that are patterns of the size over the field, and the share of such a pattern that the model must explain on
stars held back. [dimensionless] Chosen: drawn nights with a fault come to 0.7 and more."""

LEAST_COOLING_K: Final = 0.5
"""[K] Chosen: smaller changes of the tube move no focus that matters."""

HIDDEN_BY_LINES: Final = (*OVER_FIELD, "astigmatism")
"""Causes that the corners' longer lines look like, where a camera stands still."""

HIDDEN_BY_ARCS: Final = (*OVER_FIELD, "focus-drift")
LONG_ARC: Final = 1.5
"""Causes that the corners' arcs look like or hide in a field that turns, and how long those are then. [FWHM] Chosen:
the laws hold for lines as long as the star is wide, and longer ones are measured on the stars of the middle only."""

HIDDEN_PX: Final = 1.5
"""[px] FWHM below which a missed focus looks like the blur that a lens has of its own. Chosen."""

TOUCHED: Final = 0.5
"""Effect in a frame, over what is worth naming, from which the cause touches it. Chosen."""


@dataclass(frozen=True, slots=True)
class Optics:
    """One session as the model explains it."""

    night: Night
    rig: Rig
    explained: Explained
    drawn: Mapping[str, Effect]
    """By cause, in draws of what is known of the terms."""
    probable: Mapping[str, Effect]
    """By cause, in each frame that was explained, with the most probable terms."""
    share: ShareExplained
    lines_widen: float
    """How much more the lines of a camera that stands still widen stars in the worst corner than in the middle, over
    the squared width; 0 of any other. [dimensionless]"""

    @property
    def of_its_own(self) -> float:
        """Probability that a blur which the optics have in focus makes as much as is worth naming."""
        setting, share = self.explained.setting, self.explained.share
        of_modes = [
            float(np.median(own_blur2(one.numbers, setting) / base_of_frames(one.numbers, setting))) > WORTH_NAMING
            for one in self.explained.modes
        ]
        return float(np.sum(share * np.array(of_modes)))

    @property
    def inverse_beta(self) -> float:
        """1 / Moffat exponent of the frames' mean stars, typically."""
        return typical(self.explained.setting.inverse_beta)


def _core(optics: Optics) -> tuple[Evidence, ...]:
    """The profile of the stars, beside that of turbulent air."""
    if not np.isfinite(optics.inverse_beta):
        return ()
    width = sqrt(optics.explained.setting.width2_px2)
    return (
        Evidence(
            statement="the stars' wings and core: Moffat exponent", value=1 / max(optics.inverse_beta, 0.01),
            expected_if_healthy=f"{expected_beta(width, optics.rig):.1f} or less in focus, under turbulent air",
        ),
    )  # fmt: skip


def _cooling(optics: Optics) -> tuple[Evidence, ...]:
    """How the tube's temperature changed from the first frame to the last."""
    for series in all_series(optics.night):
        known = [frame.result.exposure.tube_temp_c for frame in series.frames]
        told = [value for value in known if value is not None]
        if len(told) == len(known) and told and abs(told[-1] - told[0]) >= LEAST_COOLING_K:
            return (
                Evidence(statement="the tube changed its temperature meanwhile by", value=told[-1] - told[0], unit="K"),
            )
    return ()


def _best_line(optics: Optics) -> tuple[Evidence, ...]:
    """Where a tilted sensor is in focus: along which direction of the image."""
    x, y = optics.explained.modes[0].numbers.shared[AT["tilt"]]
    along = (np.degrees(np.arctan2(y, x)) + 90) % 180
    return (
        Evidence(
            statement="stars are alike along lines at this angle from +x towards +y", value=float(along),
            unit="deg",
        ),
    )  # fmt: skip


def _tail(optics: Optics) -> tuple[Evidence, ...]:
    """Which way the tails that all stars share point, as the field of the first group with enough stars shows it."""
    tracked = (optics.night.tracking.get(group.id) for group in optics.night.groups)
    for field in (one.field for one in tracked if one is not None):
        if isinstance(field, FieldModel):
            return (
                Evidence(
                    statement="the tail points at this angle from +x towards +y",
                    value=field.constant_coma_pa_deg, unit="deg",
                ),
            )  # fmt: skip
    return ()


_MORE: Final[Mapping[str, Callable[[Optics], tuple[Evidence, ...]]]] = MappingProxyType(
    {"defocus": _core, "focus-drift": _cooling, "sensor-tilt": _best_line, "miscollimation": _tail}
)
"""What is told of a cause beside its share of the star's width and its look."""
BY_MODEL: Final = tuple(cause for cause in CAUSES.values() if cause.by_model)
"""The causes that the model of the night decides on."""


def optics_answers(optics: Optics | None) -> list[Finding | Healthy | CannotTell]:
    """What the model of the night says of each cause in focus and optics, for the session that it explains."""
    if optics is None:
        return [
            CannotTell(
                cause=cause.name, because="no frames have enough stars to show how their shape changes over the field",
                what_would_settle_it="frames of a field rich in stars, without trails",
            )
            for cause in BY_MODEL
        ]  # fmt: skip
    width_px = sqrt(optics.explained.setting.width2_px2)
    if width_px < HIDDEN_PX:
        hidden = CannotTell(
            cause="defocus", because=f"stars are only {width_px:.1f} px wide: the pixels hide their profile",
            what_would_settle_it="a few frames at slightly different focus",
        )  # fmt: skip
        return [hidden, *(_told(cause, optics) for cause in BY_MODEL if cause.name != "defocus")]
    return [_told(cause, optics) for cause in BY_MODEL]


def explained_optics(night: Night, rig: Rig) -> Optics | None:
    """The frames of one session as the model explains them; None if too few of their stars say anything."""
    frames = setting_of(night, night.groups, rig)
    if frames is None:
        return None
    explained = explain(*frames)
    probable = effects_of(explained.modes[0], explained.setting)
    share = share_explained(explained, [night.frames[i] for i in explained.frames])
    widen = _lines_widen(night, rig) / explained.setting.width2_px2
    return Optics(night, rig, explained, optics_effects(explained), probable, share, widen)


def _lines_widen(night: Night, rig: Rig) -> float:
    """By how much more the squared width grows in the worst corner of a standing camera than in its middle. [px²]

    An even line has a twelfth of its squared length as variance (closed form).
    """
    camera = standing_camera(night) if rig.mount_type == "fixed" else None
    if camera is None or camera.exposure_s is None:
        return 0.0
    longer2 = (camera.worst_px_per_s**2 - camera.px_per_s**2) * camera.exposure_s**2
    return longer2 / 12 * FWHM_PER_SIGMA**2 / 2


def _told(cause: Cause, optics: Optics) -> Finding | Healthy | CannotTell:
    drawn, probable = optics.drawn[cause.name], optics.probable[cause.name]
    log_odds = log_odds_of(drawn)
    if cause.name in HIDDEN_BY_LINES and optics.lines_widen > WORTH_NAMING:
        return CannotTell(
            cause=cause.name, because="on a mount that stands still stars trail more in the corners than in the middle",
            what_would_settle_it="frames through the same lens, exposed so briefly that stars stay round",
        )  # fmt: skip
    if cause.name in HIDDEN_BY_ARCS and _arc(optics) > LONG_ARC:
        return CannotTell(
            cause=cause.name, because="the field turns so far in each exposure that stars in the corners are arcs",
            what_would_settle_it="exposures a quarter as long",
        )  # fmt: skip
    if cause.name == "defocus" and log_odds < 0 and optics.of_its_own > PERHAPS:
        return CannotTell(
            cause="defocus",
            because="stars are wider than air and aperture make them, and optics in focus may have such a blur as well",
            what_would_settle_it="a few frames at slightly different focus",
        )  # fmt: skip
    if cause.name in OVER_FIELD and optics.share.size is not None:
        log_odds = all_of(log_odds, log_odds_above(optics.share.size, WELL_EXPLAINED, EXPLAINED_SCATTER))
    touched = probable.over_of_frames > TOUCHED
    more = _MORE[cause.name](optics) if cause.name in _MORE else ()
    return answer(
        cause.name,
        log_odds,
        affected=_nearest(optics, touched) if log_odds > 0 else frozenset(),
        cost=float(np.median(drawn.cost)),
        evidence=(*_measures(cause, drawn), *more),
    )


def _arc(optics: Optics) -> float:
    """Length of the arc that the field's turning draws in the corner in one exposure. [FWHM]"""
    return float(np.median(np.abs(optics.explained.setting.turning))) / WIDTH_OF_LINE


def log_odds_of(drawn: Effect) -> float:
    """Log-odds that an effect is above what is worth naming, from its draws."""
    from scipy.special import log_ndtr, ndtr

    above = np.log(np.maximum(drawn.over, 1e-6)) / LIMIT_SCATTER
    chance = float(np.mean(ndtr(above)))
    if chance < 0.5:
        return float(np.log(max(chance, 1e-12)) - log1p(-chance))
    against = float(np.exp(np.logaddexp.reduce(log_ndtr(-above)) - np.log(len(above))))
    return float(log1p(-against) - np.log(max(against, 1e-12)))


def _measures(cause: Cause, drawn: Effect) -> tuple[Evidence, ...]:
    """How much it does where it is worst."""
    out = []
    if drawn.named_by_size:
        share = float(np.median(drawn.worst_size))
        out.append(
            Evidence(
                statement="where it is worst, it makes stars wider by",
                value=100 * (1 / sqrt(1 - min(max(share, 0.0), 0.99)) - 1), unit="percent",
                expected_if_healthy=f"below {100 * (1 / sqrt(1 - WORTH_NAMING) - 1):.0f}",
            )
        )  # fmt: skip
    if cause.look:
        seen = float(np.median(drawn.worst_look))
        if drawn.kind == "shape":
            out.append(
                Evidence(
                    statement=f"{cause.look}, where it is worst by",
                    value=_axis_ratio(seen), unit="long over short axis",
                    expected_if_healthy=f"below {_axis_ratio(SEEN['shape']):.2f}",
                )
            )  # fmt: skip
        else:
            out.append(
                Evidence(
                    statement=cause.look, value=seen, unit="ratio", expected_if_healthy=f"below {SEEN[drawn.kind]}"
                )
            )
    return tuple(out)


def _axis_ratio(shape: float) -> float:
    """Long over short axis from (a² - b²) / (a² + b²)."""
    e = min(max(shape, 0.0), 0.99)
    return sqrt((1 + e) / (1 - e))


def _nearest(optics: Optics, touched: NDArray[np.bool_]) -> frozenset[int]:
    """Frames of the session of which the nearest one explained, of the same kind, is touched."""
    place = {frame: k for k, frame in enumerate(optics.explained.frames)}
    out: set[int] = set()
    for group in optics.night.groups:
        known = np.array([frame for frame in group.members if frame in place])
        if not len(known):
            continue
        for frame in group.members:
            if touched[place[int(known[np.argmin(np.abs(known - frame))])]]:
                out.add(frame)
    return frozenset(out)
