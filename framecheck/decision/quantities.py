"""What of a night is set beside another: whose it is, what both must share, and what unchanged rigs differ by."""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from typing import Final, Literal

from framecheck.decision import night_figures
from framecheck.decision.estimate import Estimate
from framecheck.decision.night_figures import Measure
from framecheck.decision.past_night import PastNight

SEEING_SCATTER: Final = 0.25
"""[dimensionless] Scatter of ln(seeing) from night to night at one place. Common practice, no source."""

Owner = Literal["equipment", "weather"]


@dataclass(frozen=True, kw_only=True, slots=True)
class NightQuantity:
    """A figure of a night."""

    key: str
    """In JSON; the unit is told beside it."""
    name: str
    owner: Owner
    """Who makes it: the equipment, or the weather as well."""
    unit: Callable[[Measure], str]
    estimate: Callable[[PastNight, Measure], Estimate | None]
    nightly: Callable[[PastNight, float, Measure], float]
    """Standard deviation between nights of an unchanged rig, at a night's value. Chosen, each with its reason."""
    more_is_better: bool = False
    least: float = 0.0
    """No night can have less, nor more than `most`: intervals of a single night end there."""
    most: float = inf
    alike: tuple[str, ...] = ()
    """Facts that both nights must share."""
    missing: str = ""
    """What a night lacks that has no estimate."""

    def bounds(self, estimate: Estimate) -> tuple[float, float]:
        """Interval of a night's figure, inside what is possible."""
        low, high = estimate.interval()
        return max(low, min(self.least, estimate.value)), min(high, max(self.most, estimate.value))


def _length(measure: Measure) -> str:
    return measure.unit


def _percent(_: Measure) -> str:
    return "percent"


_FIELD: Final = ("field of view", "focal length")
_NO_PATTERN: Final = "stars over the whole field in three stretches of the night, in a report of this version"
_NO_FRAMES: Final = "nine frames or more"
_NO_BUDGET: Final = "a pixel scale and a budget of the star's width"

QUANTITIES: Final[tuple[NightQuantity, ...]] = (
    NightQuantity(
        key="smear",
        name="motion inside an exposure",
        owner="equipment",
        unit=_length,
        estimate=night_figures.smear,
        nightly=lambda _night, value, _: 0.15 * value,  # wind, balance, and how well a guider follows in other air
        alike=("exposure",),
        missing=_NO_FRAMES,
    ),
    NightQuantity(
        key="drift",
        name="drift between exposures",
        owner="equipment",
        estimate=night_figures.drift,
        unit=lambda measure: f"{measure.unit}/min",
        nightly=lambda _night, _value, _: 0.15,  # refraction and bending change with the pointing (TRK-37: up to 0.5)
        missing="the pointing of nine frames or more",
    ),
    NightQuantity(
        key="polar_error",
        name="polar error",
        owner="equipment",
        unit=lambda _: "arcmin",
        estimate=night_figures.polar,
        nightly=lambda _night, _value, _: 0.0,  # the axis stays where it was set, and setting it anew is a change
        missing="a place, axes and hours enough to solve for the polar axis",
    ),
    NightQuantity(
        key="tilt",
        name="tilt, edge to edge",
        owner="equipment",
        unit=_percent,
        estimate=night_figures.tilt,
        nightly=lambda _night, value, _: 2 + 0.05 * value,  # focus found anew moves the line of best focus
        alike=_FIELD,
        missing=_NO_PATTERN,
    ),
    NightQuantity(
        key="curvature",
        name="field curvature, corner over centre",
        owner="equipment",
        unit=_percent,
        estimate=night_figures.curvature,
        least=-inf,
        nightly=lambda _night, value, _: 2 + 0.05 * abs(value),  # the same for the bowl's ring
        alike=_FIELD,
        missing=_NO_PATTERN,
    ),
    NightQuantity(
        key="coma",
        name="coma",
        owner="equipment",
        unit=_length,
        estimate=night_figures.third("coma_px"),
        nightly=lambda _night, _value, measure: 0.04 * (measure.centre_fwhm or 0.0),  # mirrors settle, tubes cool
        alike=_FIELD,
        missing=_NO_PATTERN,
    ),
    NightQuantity(
        key="astigmatism",
        name="astigmatism",
        owner="equipment",
        unit=_length,
        estimate=night_figures.astigmatism,
        nightly=lambda _night, _value, measure: 0.04 * (measure.centre_fwhm or 0.0),  # changes sign through focus
        alike=_FIELD,
        missing=_NO_PATTERN,
    ),
    NightQuantity(
        key="trefoil",
        name="trefoil",
        owner="equipment",
        unit=_length,
        estimate=night_figures.third("trefoil_px"),
        nightly=lambda _night, _value, measure: 0.04 * (measure.centre_fwhm or 0.0),  # cold tightens a lens in its cell
        alike=_FIELD,
        missing=_NO_PATTERN,
    ),
    NightQuantity(
        key="fwhm_without_air",
        name="FWHM with the air taken out",
        owner="equipment",
        unit=_length,
        estimate=night_figures.without_air,
        nightly=lambda _night, value, _: 0.05 * value,  # focus found anew
        alike=("filter",),
        missing=_NO_BUDGET,
    ),
    NightQuantity(
        key="fwhm_at_zenith",
        name="FWHM, as at the zenith",
        owner="weather",
        unit=_length,
        estimate=night_figures.at_zenith,
        nightly=lambda night, value, _: SEEING_SCATTER * (night.air_share or 1.0) * value,
        alike=("filter",),
        missing="air mass and nine frames or more",
    ),
    NightQuantity(
        key="air_at_zenith",
        name="the air's own FWHM, as at the zenith",
        owner="weather",
        unit=_length,
        estimate=night_figures.air,
        nightly=lambda _night, value, _: SEEING_SCATTER * value,
        alike=("filter",),
        missing=_NO_BUDGET + ", and air mass",
    ),
    NightQuantity(
        key="kept",
        name="frames kept",
        owner="weather",
        unit=_percent,
        estimate=night_figures.kept,
        more_is_better=True,
        most=100.0,
        nightly=lambda _night, _value, _: 15.0,  # clouds and wind come and go
        missing=_NO_FRAMES,
    ),
    NightQuantity(
        key="effective",
        name="effective exposure an hour",
        owner="weather",
        unit=lambda _: "min/h",
        estimate=night_figures.effective,
        more_is_better=True,
        nightly=lambda _night, value, _: 0.3 * value,  # the same
        missing=_NO_FRAMES,
    ),
)
"""Equipment first. The scatter between nights is chosen in each: one night on either side cannot show it."""
