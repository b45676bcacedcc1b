"""What a plan is made from and what it says: numbers with unit, interval, what would be good, or what they need."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite

from framecheck.decision.star_width import Blurs, star_fwhm_arcsec
from framecheck.read.rig import Rig


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """A value, with bounds where what it rests on is uncertain."""

    value: float
    low: float | None = None
    high: float | None = None

    @classmethod
    def of(cls, *values: float) -> "Span":
        """Span of values for the low, the middle and the high case; exact if they are one and the same."""
        middle = sorted(values)[len(values) // 2]
        if max(values) == min(values):
            return cls(value=middle)
        return cls(value=middle, low=min(values), high=max(values))


@dataclass(frozen=True, kw_only=True, slots=True)
class Setup:
    """A rig and what it shall do; unknown is None."""

    rig: Rig
    seeing_arcsec: tuple[float, float] | None = None
    """FWHM that the air makes: from, to; twice the same for one value."""
    declination_deg: float | None = None
    exposure_s: float | None = None
    tracking_rms_arcsec: float | None = None
    """On each axis."""
    drift_arcsec_per_min: float | None = None
    polar_error_arcmin: float | None = None
    periodic_error_arcsec: float | None = None
    """Peak to peak."""
    sky_mag: float | None = None
    """Of a square arcsecond, in the visual band."""
    passband_nm: float | None = None
    sensor_diagonal_mm: float | None = None

    def missing(self, *names: str) -> tuple[str, ...]:
        """Which of the fields of setup or rig are unknown; "scale" stands for those that make the pixel scale."""
        fields: list[str] = []
        for name in names:
            if name != "scale":
                fields.append(name)
            elif self.scale_arcsec is None:
                fields += ["focal_length_mm", "pixel_um"]
        return tuple(dict.fromkeys(field for field in fields if self.value(field) is None))

    def value(self, name: str) -> float | None:
        """A field of setup or rig, or the scale."""
        if name == "scale":
            return self.scale_arcsec
        value: float | None = getattr(self.rig if hasattr(self.rig, name) else self, name)
        return value

    @property
    def scale_arcsec(self) -> float | None:
        """Angle that a pixel spans."""
        return self.rig.pixel_scale_arcsec

    @property
    def airs_arcsec(self) -> tuple[float, ...]:
        """The seeing to reckon with: low, middle and high, or the one value."""
        if self.seeing_arcsec is None:
            return ()
        low, high = self.seeing_arcsec
        return (low,) if low == high else (low, (low + high) / 2, high)

    def blurs(self, seeing_arcsec: float, *, recorded: bool) -> Blurs:
        """Air and aperture, and the pixel if the star is meant as it is recorded."""
        pixel = self.scale_arcsec or 0.0
        return Blurs(
            seeing_arcsec=seeing_arcsec,
            aperture_mm=self.rig.aperture_mm,
            pixel_arcsec=pixel if recorded else 0.0,
        )

    def stars_arcsec(self, *, recorded: bool) -> tuple[float, ...]:
        """FWHM of the stars of a perfect mount in perfect focus, for each of `airs_arcsec`."""
        return tuple(star_fwhm_arcsec(self.blurs(seeing, recorded=recorded)) for seeing in self.airs_arcsec)


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanLine:
    """One number of a plan."""

    key: str
    """Lasting name, for programs."""
    name: str
    unit: str
    value: float | None = None
    """None if something is missing (`needs`) or if there is no such limit (`note`)."""
    low: float | None = None
    high: float | None = None
    good: str | None = None
    """What would be good."""
    verdict: str | None = None
    """How what is given or wished compares with it."""
    note: str | None = None
    needs: tuple[str, ...] = ()
    """Fields of `Setup` or `Rig` without which there is no number."""

    def told(
        self, span: Span | float, good: str | None = None, note: str | None = None, verdict: str | None = None
    ) -> "PlanLine":
        """The line with its number; bounds that are infinite are left out."""
        span = span if isinstance(span, Span) else Span(value=span)
        low, high = (b if b is not None and isfinite(b) else None for b in (span.low, span.high))
        return replace(self, value=span.value, low=low, high=high, good=good, verdict=verdict, note=note)


class Known:
    """A setup of which all is known that a line needs: each a number, by its name in `Setup` or `Rig`."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup

    def __getattr__(self, name: str) -> float:
        value = self.setup.value(name)
        if value is None:
            raise AttributeError(f"{name} is not known, and no line may use what it does not need")
        return value


def plan_line(
    key: str, name: str, unit: str, needs: str
) -> Callable[[Callable[[Known, PlanLine], PlanLine]], Callable[[Setup], PlanLine]]:
    """Make a row of the plan: what it decorates tells the number, and is asked only where all that it needs is known.

    Parameters
    ----------
    key, name, unit : str
        Of the line.
    needs : str
        Names as `Setup.missing` takes them, with spaces between them.
    """

    def row(tell: Callable[[Known, PlanLine], PlanLine]) -> Callable[[Setup], PlanLine]:
        def told(setup: Setup) -> PlanLine:
            blank = PlanLine(key=key, name=name, unit=unit, needs=setup.missing(*needs.split()))
            return blank if blank.needs else tell(Known(setup), blank)

        return told

    return row


@dataclass(frozen=True, kw_only=True, slots=True)
class PlanSection:
    """Lines about one question."""

    key: str
    title: str
    lines: tuple[PlanLine, ...]
    caution: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """All sections, in the order in which one asks."""

    setup: Setup
    sections: tuple[PlanSection, ...]


def short(value: float) -> str:
    """A number in a sentence: two or three digits that matter, no powers of ten.

    >>> short(0.1234), short(1.234), short(123.4), short(12345)
    ('0.12', '1.2', '123', '12345')

    Parameters
    ----------
    value : float
        Of any unit.
    """
    for limit, decimals in ((0.095, 3), (0.95, 2), (9.95, 1)):
        if abs(value) < limit:
            return f"{value:.{decimals}f}".removesuffix(".0")
    return f"{value:.0f}"


def short_time(seconds: float) -> str:
    """A length of time in a sentence.

    Parameters
    ----------
    seconds : float
        [s]
    """
    if seconds < 99.5:
        return f"{short(seconds)} s"
    return f"{short(seconds / 60)} min" if seconds < 5970 else f"{short(seconds / 3600)} h"
