"""Plan: how long without tracking, how long with this mount, how well it must be aligned and guided."""

from dataclasses import replace
from math import hypot, inf, radians, sqrt
from statistics import median
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.constants import ARCSEC_PER_RADIAN
from framecheck.decision.star_width import jitter_for_growth, star_fwhm_arcsec
from framecheck.motion.polar import NEAREST_POLE_DEG, refraction_drift
from framecheck.plan.light import GROWTH
from framecheck.plan.records import PlanLine, PlanSection, Setup, Span, short, short_time
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
from framecheck.read.place import altitude_azimuth_deg

STILL_ROUND: Final = 1.2
"""Elongation up to which the eye hardly sees it. Common practice, no source."""

SCREEN_PX: Final = 3.0
"""Trail that is lost when the whole picture is looked at. [px] Chosen: a frame 6000 pixels wide on a screen of 2000."""

UNLIMITED_S: Final = 6 * 3600.0
"""Exposures above this are not limited at all. [s] Chosen: a night's length."""

LOWEST_ALTITUDE_DEG: Final = 30.0
"""Targets are reckoned with above it. Common practice, no source."""

HIGHEST_ALTITUDE_DEG: Final = 88.0
"""Nearer to the zenith an alt-azimuth mount cannot follow. Chosen."""

CORNER_FASTER: Final = 1.05
"""Speed in a corner over that in the middle from which it is told. [dimensionless] Chosen: two digits show less."""

OTHER_LENSES_MM: Final = (50.0, 85.0, 135.0, 200.0)
"""Focal lengths at which a tracker's alignment is told as well. Chosen: lenses that such mounts carry."""

_ASKED_OF_PIXELS: Final = PlanLine(key="untracked_sharp", name="Sharp at full size", unit="s")
_PRINT: Final = "until the eye sees it on a print of any size, from as far as the print's diagonal"
_NO_LIMIT: Final = "sets no limit"
_TOO_LOW: Final = f"the target never stands {LOWEST_ALTITUDE_DEG:.0f}° high here"


def untracked(setup: Setup) -> PlanSection:
    """How long a camera may stand still.

    Parameters
    ----------
    setup : Setup
    """
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


def _speed(setup: Setup) -> PlanLine:
    blank = PlanLine(key="star_speed", name="Stars run", unit="arcsec/s", needs=setup.missing("declination_deg"))
    if setup.declination_deg is None:
        return blank
    rate, corner = untracked_rate_arcsec_per_s(setup.declination_deg), _corner_rate(setup)
    scale = setup.scale_arcsec
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


def _rule_of_500(setup: Setup) -> PlanLine:
    needs = setup.missing("focal_length_mm", "scale", "declination_deg")
    blank = PlanLine(key="rule_of_500_trail", name="“500 / focal length”", unit="px", needs=needs)
    focal, scale = setup.rig.focal_length_mm, setup.scale_arcsec
    if focal is None or scale is None or setup.declination_deg is None:
        return blank
    trail = 500 / focal * untracked_rate_arcsec_per_s(setup.declination_deg) / scale
    note = f"common practice: the trail that this rule draws here, in {short_time(500 / focal)}; it knows no pixels"
    return blank.told(trail, f"1, or {SCREEN_PX:g} for a screen", note)


def _standing_trail(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "declination_deg")
    blank = PlanLine(key="untracked_trail", name="Trail in your exposure", unit="px", needs=needs)
    if setup.scale_arcsec is None or setup.declination_deg is None or setup.exposure_s is None:
        return blank
    corner = _corner_rate(setup)
    trail = untracked_rate_arcsec_per_s(setup.declination_deg) * setup.exposure_s / setup.scale_arcsec
    worst = None if corner is None else corner * setup.exposure_s / setup.scale_arcsec
    return blank.told(
        Span(value=trail, high=worst), f"1, or {SCREEN_PX:g} for a screen", f"in {short_time(setup.exposure_s)}"
    )


def with_mount(setup: Setup) -> PlanSection:
    """How long the mount can expose by itself.

    Parameters
    ----------
    setup : Setup
    """
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
    return tuple(max(scale, trail_for_elongation(star, STILL_ROUND)) for star in setup.stars_arcsec(recorded=True))


def _round_trail(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec")
    blank = PlanLine(key="tolerable_trail", name="Trail that hardly shows", unit="arcsec", needs=needs)
    scale = setup.scale_arcsec
    if scale is None or blank.needs:
        return blank
    allowed = _allowed_arcsec(setup)
    pixels = " to ".join(dict.fromkeys(short(one / scale) for one in (min(allowed), max(allowed))))
    note = f"{pixels} pixels: stars stay within {STILL_ROUND:g} times as long as wide, or within a pixel"
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


def _drift_exposure(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec", "drift_arcsec_per_min")
    blank = PlanLine(key="drift_exposure", name="Longest, by drift", unit="s", needs=needs)
    drift = setup.drift_arcsec_per_min
    if drift is None or blank.needs:
        return blank
    span = Span.of(*(_ratio(60 * one, drift) for one in _allowed_arcsec(setup)))
    return _limit(blank, span, setup.exposure_s, f"at {short(drift)}″ a minute")


def _polar_exposure(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec", "polar_error_arcmin")
    blank = PlanLine(key="polar_exposure", name="Longest, by polar error", unit="s", needs=needs)
    error = setup.polar_error_arcmin
    if error is None or blank.needs:
        return blank
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


def _periodic_exposure(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec", "periodic_error_arcsec", "worm_period_s")
    blank = PlanLine(key="periodic_exposure", name="Longest, by periodic error", unit="s", needs=needs)
    swing, period = setup.periodic_error_arcsec, setup.rig.worm_period_s
    if swing is None or period is None or blank.needs:
        return blank
    span = Span.of(*(periodic_exposure_s(one, swing, period) for one in _allowed_arcsec(setup)))
    note = f"where a swing of {short(swing)}″ in {short(period)} s is fastest; frames at its turning points do better"
    return _limit(blank, span, setup.exposure_s, note)


def _air_drift(setup: Setup) -> PlanLine:
    needs = setup.missing("declination_deg", "site_latitude_deg")
    blank = PlanLine(key="air_drift", name="Drift by the air itself", unit="arcsec/min", needs=needs)
    dec, latitude = setup.declination_deg, setup.rig.site_latitude_deg
    if dec is None or latitude is None:
        return blank
    hours = [h for h in range(-6, 7) if _altitude(setup, 15.0 * h) >= LOWEST_ALTITUDE_DEG]
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


def _rotation(setup: Setup) -> PlanLine:
    needs = setup.missing("declination_deg", "site_latitude_deg")
    blank = PlanLine(key="field_rotation", name="The field turns", unit="deg/h", needs=needs)
    if blank.needs:
        return blank
    rates = _rotation_rates(setup)  # arcsec in a second are degrees in an hour
    if not rates:
        return replace(blank, note=_TOO_LOW)
    note = "on the target's way above 30°: fastest near the meridian, slowest due east and west"
    return blank.told(Span(value=median(rates), low=min(rates), high=max(rates)), None, note)


def _rotation_exposure(setup: Setup) -> PlanLine:
    needs = setup.missing(
        "scale", "seeing_arcsec", "declination_deg", "site_latitude_deg", "sensor_diagonal_mm", "focal_length_mm"
    )
    blank = PlanLine(key="rotation_exposure", name="Longest, by rotation", unit="s", needs=needs)
    corner = _corner_deg(setup)
    if blank.needs or corner is None:
        return blank
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


def _trail(setup: Setup) -> PlanLine:
    blank = PlanLine(
        key="drift_trail", name="Trail in your exposure", unit="px", needs=setup.missing("scale", "seeing_arcsec")
    )
    scale, drift, seconds = setup.scale_arcsec, setup.drift_arcsec_per_min, setup.exposure_s
    if scale is None or seconds is None or blank.needs:
        return blank
    if drift is None:
        drift = polar_drift_arcsec_per_min(setup.polar_error_arcmin or 0.0, 0.0)[1]
    trail = drift * seconds / 60
    long = [trailed_fwhm(star, trail) / star for star in setup.stars_arcsec(recorded=True)]
    shown = " to ".join(dict.fromkeys(f"{one:.2f}" for one in (min(long), max(long))))
    by = "by polar error, at its worst" if setup.drift_arcsec_per_min is None else "by drift"
    note = f"{by}, in {short_time(seconds)}: stars come out {shown} times as long as wide"
    return blank.told(trail / scale, f"up to {short(Span.of(*_allowed_arcsec(setup)).value / scale)}", note)


def alignment(setup: Setup) -> PlanSection:
    """How well the mount must be aligned and guided.

    Parameters
    ----------
    setup : Setup
    """
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


def _needed_polar(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec", "exposure_s")
    blank = PlanLine(key="needed_polar_error", name="Polar axis, unguided", unit="arcmin", needs=needs)
    seconds = setup.exposure_s
    if seconds is None or blank.needs:
        return blank
    span = Span.of(*(polar_error_for_drift_arcmin(60 * one / seconds) for one in _allowed_arcsec(setup)))
    note = f"so near to the pole, {short_time(seconds)} stay round everywhere in the sky"
    return blank.told(span, "this or less", note, _yours(setup.polar_error_arcmin, "′", span))


def _needed_polar_guided(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec", "exposure_s", "declination_deg", "sensor_diagonal_mm")
    blank = PlanLine(key="needed_polar_error_guided", name="Polar axis, guided", unit="arcmin", needs=needs)
    seconds, dec, corner = setup.exposure_s, setup.declination_deg, _corner_deg(setup)
    if seconds is None or dec is None or blank.needs:
        return blank
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


def _needed_rms(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec")
    blank = PlanLine(key="needed_rms", name="Tracking error, each axis", unit="arcsec", needs=needs)
    if blank.needs:
        return blank
    span = Span.of(*(jitter_for_growth(setup.blurs(air, recorded=True), GROWTH) for air in setup.airs_arcsec))
    note = f"rms that widens the stars by a tenth; as a total of both axes {short(sqrt(2) * span.value)}″"
    return blank.told(span, "this or less", note, _yours(setup.tracking_rms_arcsec, "″", span))


def _guided_star(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec")
    blank = PlanLine(key="star_fwhm_tracked", name="Star width on this mount", unit="arcsec", needs=needs)
    rms = setup.tracking_rms_arcsec
    if rms is None or blank.needs:
        return blank
    still = setup.stars_arcsec(recorded=True)
    moved = [
        star_fwhm_arcsec(replace(setup.blurs(air, recorded=True), jitter_rms_arcsec=rms)) for air in setup.airs_arcsec
    ]
    growths = [100 * (one / other - 1) for one, other in zip(moved, still, strict=True)]
    shown = " to ".join(dict.fromkeys(short(one) for one in (min(growths), max(growths))))
    note = f"as the pixels record it; tracking widens it by {shown} %"
    return blank.told(Span.of(*moved), f"{short(GROWTH * sorted(still)[len(still) // 2])} or less", note)
