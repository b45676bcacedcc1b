"""Plan: how long without tracking, how long with this mount, how well it must be aligned and guided."""

from dataclasses import replace
from math import hypot, inf, radians, sqrt
from statistics import median
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.constants import ARCSEC_PER_RADIAN
from framecheck.decision.star_width import WIDENED, jitter_for_growth, star_fwhm_arcsec
from framecheck.motion.polar import NEAREST_POLE_DEG, refraction_drift
from framecheck.plan.longest import OTHER_LENSES_MM, RULE_MM_S, SCREEN_PX
from framecheck.plan.records import Known, PlanLine, PlanSection, Setup, Span, plan_line, short, short_time
from framecheck.plan.tolerances import (
    alt_azimuth_rotation_arcsec_per_s,
    corner_rate_arcsec_per_s,
    field_of_view_deg,
    periodic_exposure_s,
    polar_drift_arcsec_per_min,
    polar_error_for_drift_arcmin,
    polar_error_for_rotation_arcmin,
    trail_for_elongation,
    trail_on_print,
    trailed_fwhm,
    untracked_rate_arcsec_per_s,
)
from framecheck.quantity import LOOKS_ROUND
from framecheck.read.place import altitude_azimuth_deg

UNLIMITED_S: Final = 6 * 3600.0
"""Exposures above this are not limited at all. [s] Chosen: a night's length."""

LOWEST_ALTITUDE_DEG: Final = 30.0
"""Targets are reckoned with above it. Common practice, no source."""

HIGHEST_ALTITUDE_DEG: Final = 88.0
"""Nearer to the zenith an alt-azimuth mount cannot follow. Chosen."""

CORNER_FASTER: Final = 1.05
"""Speed in a corner over that in the middle from which it is told. [dimensionless] Chosen: two digits show less."""

_ASKED_OF_PIXELS: Final = PlanLine(key="untracked_sharp", name="Sharp at full size", unit="s")
_PRINT: Final = "until the eye sees it on a print of any size, from as far as the print's diagonal"
_NO_LIMIT: Final = "sets no limit"
_TOO_LOW: Final = f"the target never stands {LOWEST_ALTITUDE_DEG:.0f}° high here"


def untracked(setup: Setup) -> PlanSection:
    """How long a camera may stand still."""
    scale, diagonal, focal = setup.scale_arcsec, setup.sensor_diagonal_mm, setup.rig.focal_length_mm
    pixel = replace(_ASKED_OF_PIXELS, needs=setup.missing("scale", "declination_deg"))
    lines = [_speed(setup), _standing(setup, pixel, scale, "until the stars have run 1 pixel")]
    if setup.rig.mount_type in ("fixed", None):
        screen = replace(pixel, key="untracked_screen", name="Sharp on a screen")
        run = None if scale is None else SCREEN_PX * scale
        lines.append(_standing(setup, screen, run, f"until the stars have run {SCREEN_PX:g} pixels"))
        needs = setup.missing("focal_length_mm", "sensor_diagonal_mm", "declination_deg")
        on_print = replace(pixel, key="untracked_print", name="Sharp on a print", needs=needs)
        seen = diagonal and focal and ARCSEC_PER_RADIAN * trail_on_print(diagonal) / focal
        lines += [_standing(setup, on_print, seen, _PRINT), _rule_of_500(setup)]
    if setup.rig.mount_type == "fixed" and setup.exposure_s is not None:
        lines.append(_standing_trail(setup))
    return PlanSection(key="untracked", title="How long without tracking", lines=tuple(lines))


@plan_line("star_speed", "Stars run", "arcsec/s", "declination_deg")
def _speed(known: Known, blank: PlanLine) -> PlanLine:
    rate, corner = untracked_rate_arcsec_per_s(known.declination_deg), _corner_rate(known.setup)
    scale = known.setup.scale_arcsec
    pixels = "" if scale is None else f"{short(rate / scale)} pixels a second; "
    if scale is not None and corner is not None:
        pixels = (
            f"{short(rate / scale)} pixels a second in the middle, up to {short(corner / scale)} in a corner, which a "
            "wide lens stretches; "
        )
    return blank.told(rate, None, f"{pixels}fastest at declination 0, standing still at the pole")


def _corner_rate(setup: Setup) -> float | None:
    """Greatest speed in a corner, by the scale of the middle; None where it is unknown or hardly greater. [arcsec/s]"""
    corner, dec = _corner_deg(setup), setup.declination_deg
    if corner is None or dec is None:
        return None
    rate = corner_rate_arcsec_per_s(dec, corner)
    return rate if rate > CORNER_FASTER * untracked_rate_arcsec_per_s(dec) else None


def _standing(setup: Setup, blank: PlanLine, trail_arcsec: float | None, note: str) -> PlanLine:
    """Longest exposure for a trail; the lower bound is that of a star in the worst corner."""
    if trail_arcsec is None or setup.declination_deg is None:
        return blank
    middle = _ratio(trail_arcsec, untracked_rate_arcsec_per_s(setup.declination_deg))
    corner = _corner_rate(setup)
    span = Span(value=middle, low=None if corner is None else trail_arcsec / corner)
    return _limit(blank, span, note=note, only="in a corner of the frame")


@plan_line("rule_of_500_trail", "“500 / focal length”", "px", "focal_length_mm scale declination_deg")
def _rule_of_500(known: Known, blank: PlanLine) -> PlanLine:
    focal, scale = known.focal_length_mm, known.scale
    seconds = RULE_MM_S / focal
    trail = seconds * untracked_rate_arcsec_per_s(known.declination_deg) / scale
    note = f"common practice: the trail that this rule draws here, in {short_time(seconds)}; it knows no pixels"
    return blank.told(trail, f"1, or {SCREEN_PX:g} for a screen", note)


@plan_line("untracked_trail", "Trail in your exposure", "px", "scale declination_deg")
def _standing_trail(known: Known, blank: PlanLine) -> PlanLine:
    corner, seconds = _corner_rate(known.setup), known.exposure_s
    trail = untracked_rate_arcsec_per_s(known.declination_deg) * seconds / known.scale
    worst = None if corner is None else corner * seconds / known.scale
    return blank.told(Span(value=trail, high=worst), f"1, or {SCREEN_PX:g} for a screen", f"in {short_time(seconds)}")


def with_mount(setup: Setup) -> PlanSection:
    """How long the mount can expose by itself."""
    lines = [_round_trail(setup)]
    if setup.rig.mount_type == "alt-azimuth":
        lines += [_rotation(setup), _rotation_exposure(setup)]
    else:
        lines += [_polar_exposure(setup), _periodic_exposure(setup), _air_drift(setup)]
    if setup.rig.mount_type == "tracker" and setup.polar_error_arcmin is not None:
        place = next(i for i, line in enumerate(lines) if line.key == "polar_exposure")
        lines[place + 1 : place + 1] = _other_lenses(setup)
    lines.insert(1, _drift_exposure(setup))
    if setup.exposure_s is not None and len(setup.missing("drift_arcsec_per_min", "polar_error_arcmin")) < 2:
        lines.append(_trail(setup))
    return PlanSection(key="mount", title="How long with this mount, without guiding", lines=tuple(lines))


def _allowed_arcsec(setup: Setup) -> tuple[float, ...]:
    """Trails that leave the stars round to the eye, for each seeing; shorter than a pixel no pixel can tell."""
    scale = setup.scale_arcsec or 0.0
    return tuple(max(scale, trail_for_elongation(star, LOOKS_ROUND)) for star in setup.stars_arcsec(recorded=True))


@plan_line("tolerable_trail", "Trail that hardly shows", "arcsec", "scale seeing_arcsec")
def _round_trail(known: Known, blank: PlanLine) -> PlanLine:
    scale = known.scale
    allowed = _allowed_arcsec(known.setup)
    pixels = " to ".join(dict.fromkeys(short(one / scale) for one in (min(allowed), max(allowed))))
    unit = "pixel" if pixels == "1" else "pixels"
    note = f"{pixels} {unit}: stars stay within {LOOKS_ROUND:g} times as long as wide, or within a pixel"
    return blank.told(Span.of(*allowed), None, note)


def _limit(
    blank: PlanLine,
    span: Span,
    wish_s: float | None = None,
    note: str | None = None,
    only: str = "in the best air",
) -> PlanLine:
    """A longest exposure, against the one wished for; none if it is longer than a night."""
    if span.value > UNLIMITED_S:
        low = span.low if span.low is not None and span.low <= UNLIMITED_S else None
        told = _NO_LIMIT if low is None else f"{_NO_LIMIT} but {only}, where it is {short_time(low)}"
        return replace(blank, low=low, note=told)
    high = span.high if span.high is not None and span.high <= UNLIMITED_S else None
    verdict = None
    if wish_s is not None:
        enough = "enough" if wish_s <= (span.low or span.value) else "too short"
        if enough == "too short" and wish_s <= (span.high or span.value):
            enough = "just enough"
        verdict = f"{enough} for your {short_time(wish_s)}"
    return blank.told(Span(value=span.value, low=span.low, high=high), note=note, verdict=verdict)


def _ratio(way: float, speed: float) -> float:
    """Time for a way; infinite at rest."""
    return way / speed if speed else inf


@plan_line("drift_exposure", "Longest, by drift", "s", "scale seeing_arcsec drift_arcsec_per_min")
def _drift_exposure(known: Known, blank: PlanLine) -> PlanLine:
    drift = known.drift_arcsec_per_min
    span = Span.of(*(_ratio(60 * one, drift) for one in _allowed_arcsec(known.setup)))
    return _limit(blank, span, known.setup.exposure_s, f"at {short(drift)}″ a minute")


@plan_line("polar_exposure", "Longest, by polar error", "s", "scale seeing_arcsec polar_error_arcmin")
def _polar_exposure(known: Known, blank: PlanLine) -> PlanLine:
    setup, error = known.setup, known.polar_error_arcmin
    allowed, (least, most) = _allowed_arcsec(setup), polar_drift_arcsec_per_min(error, setup.declination_deg or 0.0)
    worst = Span.of(*(_ratio(60 * one, most) for one in allowed))
    note = (
        f"the axis {short(error)}′ off the pole lets stars drift by up to {short(most)}″ a minute, at any declination"
    )
    if setup.declination_deg is not None and most:
        gentle = f"as little as {short(least)}″" if short(least) != "0.000" else "nothing"
        note += f"; by {gentle} in the gentlest part of the sky"
    return _limit(blank, worst, setup.exposure_s, note)


def _other_lenses(setup: Setup) -> list[PlanLine]:
    """The same at other focal lengths, the aperture's ratio kept; nothing if something is missing."""
    focal, aperture = setup.rig.focal_length_mm, setup.rig.aperture_mm
    lines = []
    for other in OTHER_LENSES_MM:
        if focal is None or other == focal:
            continue
        width = None if aperture is None else aperture * other / focal
        rig = replace(setup.rig, focal_length_mm=other, aperture_mm=width, solved_scale_arcsec=None)
        line = _polar_exposure(replace(setup, rig=rig))
        if line.value is not None:
            name, note = f"Longest, at {other:g} mm", "by polar error, with the same axis and pixels"
            lines.append(replace(line, key=f"polar_exposure_{other:g}_mm", name=name, note=note))
    return lines


@plan_line(
    "periodic_exposure", "Longest, by periodic error", "s", "scale seeing_arcsec periodic_error_arcsec worm_period_s"
)
def _periodic_exposure(known: Known, blank: PlanLine) -> PlanLine:
    swing, period = known.periodic_error_arcsec, known.worm_period_s
    span = Span.of(*(periodic_exposure_s(one, swing, period) for one in _allowed_arcsec(known.setup)))
    note = f"where a swing of {short(swing)}″ in {short(period)} s is fastest; frames at its turning points do better"
    return _limit(blank, span, known.setup.exposure_s, note)


@plan_line("air_drift", "Drift by the air itself", "arcsec/min", "declination_deg site_latitude_deg")
def _air_drift(known: Known, blank: PlanLine) -> PlanLine:
    dec, latitude = known.declination_deg, known.site_latitude_deg
    hours = [h for h in range(-6, 7) if _altitude(known.setup, 15.0 * h) >= LOWEST_ALTITUDE_DEG]
    if not hours:
        return replace(blank, note=_TOO_LOW)
    drifts = [hypot(*refraction_drift(latitude, dec, 15.0 * h)) for h in hours]
    same_as = short(polar_error_for_drift_arcmin(max(drifts)))
    note = f"refraction changes with altitude; it is like a polar error of up to {same_as}′, and no alignment cures it"
    return blank.told(Span(value=median(drifts), low=min(drifts), high=max(drifts)), None, note)


def _altitude(setup: Setup, hour_angle_deg: float) -> float:
    dec, latitude = setup.declination_deg or 0.0, setup.rig.site_latitude_deg or 0.0
    return altitude_azimuth_deg(hour_angle_deg, dec_deg=dec, latitude_deg=latitude)[0]


def _rotation_rates(setup: Setup) -> list[float]:
    """Turn of an alt-azimuth field along the target's way above 30 degrees. [arcsec/s]"""
    dec, latitude = setup.declination_deg or 0.0, setup.rig.site_latitude_deg or 0.0
    ways = [altitude_azimuth_deg(h / 2, dec_deg=dec, latitude_deg=latitude) for h in range(-360, 361)]
    high = [way for way in ways if LOWEST_ALTITUDE_DEG <= way[0] <= HIGHEST_ALTITUDE_DEG]
    return [alt_azimuth_rotation_arcsec_per_s(latitude, *way) for way in high]


@plan_line("field_rotation", "The field turns", "deg/h", "declination_deg site_latitude_deg")
def _rotation(known: Known, blank: PlanLine) -> PlanLine:
    rates = _rotation_rates(known.setup)  # arcsec in a second are degrees in an hour
    if not rates:
        return replace(blank, note=_TOO_LOW)
    note = "on the target's way above 30°: fastest near the meridian, slowest due east and west"
    return blank.told(Span(value=median(rates), low=min(rates), high=max(rates)), None, note)


@plan_line(
    "rotation_exposure",
    "Longest, by rotation",
    "s",
    "scale seeing_arcsec declination_deg site_latitude_deg sensor_diagonal_mm focal_length_mm",
)
def _rotation_exposure(known: Known, blank: PlanLine) -> PlanLine:
    setup = known.setup
    corner = field_of_view_deg(known.sensor_diagonal_mm, known.focal_length_mm) / 2
    rates = _rotation_rates(setup)
    if not rates:
        return replace(blank, note=_TOO_LOW)
    allowed = sorted(_allowed_arcsec(setup))
    typical, fastest = (
        _ratio(allowed[len(allowed) // 2], radians(corner) * rate) for rate in (median(rates), max(rates))
    )
    note = "for stars in the corners; where the field turns fastest, the lower bound"
    return _limit(blank, Span(value=typical, low=fastest), setup.exposure_s, note)


def _corner_deg(setup: Setup) -> float | None:
    """Distance of the corner from the centre, where the guide star is taken to be."""
    diagonal, focal = setup.sensor_diagonal_mm, setup.rig.focal_length_mm
    return None if diagonal is None or focal is None else field_of_view_deg(diagonal, focal) / 2


@plan_line("drift_trail", "Trail in your exposure", "px", "scale seeing_arcsec")
def _trail(known: Known, blank: PlanLine) -> PlanLine:
    setup = known.setup
    scale, drift, seconds = known.scale, setup.drift_arcsec_per_min, known.exposure_s
    if drift is None:
        drift = polar_drift_arcsec_per_min(setup.polar_error_arcmin or 0.0, 0.0)[1]
    trail = drift * seconds / 60
    long = [trailed_fwhm(star, trail) / star for star in setup.stars_arcsec(recorded=True)]
    shown = " to ".join(dict.fromkeys(f"{one:.2f}" for one in (min(long), max(long))))
    by = "by polar error, at its worst" if setup.drift_arcsec_per_min is None else "by drift"
    note = f"{by}, in {short_time(seconds)}: stars come out {shown} times as long as wide"
    return blank.told(trail / scale, f"up to {short(Span.of(*_allowed_arcsec(setup)).value / scale)}", note)


def alignment(setup: Setup) -> PlanSection:
    """How well the mount must be aligned and guided."""
    lines = [_needed_rms(setup)]
    if setup.tracking_rms_arcsec is not None:
        lines.append(_guided_star(setup))
    caution = None
    if setup.rig.mount_type != "alt-azimuth":
        lines = [_needed_polar(setup), _needed_polar_guided(setup), *lines]
    if setup.rig.mount_type == "equatorial":
        caution = CAUSES["polar-misalignment"].caution
    title = "How well it must be aligned and guided"
    if setup.rig.mount_type == "alt-azimuth":
        title = "How well it must be guided"
    return PlanSection(key="alignment", title=title, lines=tuple(lines), caution=caution)


def _yours(value: float | None, unit: str, needed: Span) -> str | None:
    """How a value that is given compares with the most that is good."""
    if value is None:
        return None
    how = "is good enough" if value <= (needed.low or needed.value) else "is too much"
    if how == "is too much" and value <= (needed.high or needed.value):
        how = "will just do"
    return f"yours, {short(value)}{unit}, {how}"


@plan_line("needed_polar_error", "Polar axis, unguided", "arcmin", "scale seeing_arcsec exposure_s")
def _needed_polar(known: Known, blank: PlanLine) -> PlanLine:
    seconds = known.exposure_s
    span = Span.of(*(polar_error_for_drift_arcmin(60 * one / seconds) for one in _allowed_arcsec(known.setup)))
    note = f"so near to the pole, {short_time(seconds)} stay round everywhere in the sky"
    return blank.told(span, "this or less", note, _yours(known.setup.polar_error_arcmin, "′", span))


@plan_line(
    "needed_polar_error_guided",
    "Polar axis, guided",
    "arcmin",
    "scale seeing_arcsec exposure_s declination_deg sensor_diagonal_mm",
)
def _needed_polar_guided(known: Known, blank: PlanLine) -> PlanLine:
    setup = known.setup
    seconds, dec, corner = known.exposure_s, known.declination_deg, _corner_deg(setup)
    if corner is None:
        return replace(blank, needs=("focal_length_mm",))
    if abs(dec) > 90 - NEAREST_POLE_DEG:
        return PlanLine(
            key=blank.key, name=blank.name, unit=blank.unit, note="the target is too near the pole for this sum"
        )
    allowed = _allowed_arcsec(setup)
    span = Span.of(*(polar_error_for_rotation_arcmin(one, corner, dec, seconds) for one in allowed))
    note = "guiding takes out the drift, but the corners turn about the guide star in the centre"
    return blank.told(span, "this or less", note, _yours(setup.polar_error_arcmin, "′", span))


@plan_line("needed_rms", "Tracking error, each axis", "arcsec", "scale seeing_arcsec")
def _needed_rms(known: Known, blank: PlanLine) -> PlanLine:
    setup = known.setup
    span = Span.of(*(jitter_for_growth(setup.blurs(air, recorded=True), WIDENED) for air in setup.airs_arcsec))
    note = f"rms that widens the stars by a tenth; as a total of both axes {short(sqrt(2) * span.value)}″"
    return blank.told(span, "this or less", note, _yours(setup.tracking_rms_arcsec, "″", span))


@plan_line("star_fwhm_tracked", "Star width on this mount", "arcsec", "scale seeing_arcsec")
def _guided_star(known: Known, blank: PlanLine) -> PlanLine:
    setup, rms = known.setup, known.tracking_rms_arcsec
    still = setup.stars_arcsec(recorded=True)
    moved = [
        star_fwhm_arcsec(replace(setup.blurs(air, recorded=True), jitter_rms_arcsec=rms)) for air in setup.airs_arcsec
    ]
    growths = [100 * (one / other - 1) for one, other in zip(moved, still, strict=True)]
    shown = " to ".join(dict.fromkeys(short(one) for one in (min(growths), max(growths))))
    note = f"as the pixels record it; tracking widens it by {shown} %"
    return blank.told(Span.of(*moved), f"{short(WIDENED * sorted(still)[len(still) // 2])} or less", note)
