"""Plan: what the pixels see, how exactly to focus, how long a single exposure must be."""

from typing import Final

from framecheck.causes.camera import BURIED_EXTRA_NOISE
from framecheck.constants import ARCSEC_PER_RADIAN
from framecheck.decision.star_width import disc_for_growth
from framecheck.field.sampling import diffraction_fwhm_arcsec, judge_sampling
from framecheck.plan.records import PlanLine, PlanSection, Setup, Span, short, short_time
from framecheck.plan.tolerances import (
    burying_sky_e,
    extra_noise,
    field_of_view_deg,
    quarter_wave_focus_um,
    sky_e_per_s,
)

FINEST_PX, COARSEST_PX = 3.0, 2.0
"""Pixels per FWHM that are good. Common practice, no source."""

GROWTH: Final = 1.1
"""Star size that is accepted for focus or tracking: a tenth wider costs 21 % of the exposure on faint stars (closed
form: 1.1² - 1, sky-limited). Chosen."""

PASSBANDS_NM: Final = {"clear or luminance filter": 300.0, "one colour": 100.0, "narrow band": 7.0}
"""Widths of filters where none is given. [nm] Chosen: round figures of the trade."""

THROUGHPUT: Final = (0.3, 0.5, 0.7)
"""Part of the light that becomes electrons, from dull to very good optics and sensors. Chosen."""


def pixels(setup: Setup) -> PlanSection:
    """What the pixels see.

    Parameters
    ----------
    setup : Setup
    """
    lines = [_scale(setup), _field(setup), _diffraction(setup), _star(setup), _sampling(setup), _suiting(setup)]
    return PlanSection(
        key="pixels",
        title="What the pixels see",
        lines=tuple(line for line in lines if line.key != "field_of_view" or not line.needs),
    )


def _scale(setup: Setup) -> PlanLine:
    blank = PlanLine(key="pixel_scale", name="Pixel scale", unit="arcsec/px", needs=setup.missing("scale"))
    if setup.scale_arcsec is None:
        return blank
    stars = setup.stars_arcsec(recorded=False)
    good = (
        f"{short(min(stars) / FINEST_PX)} to {short(max(stars) / COARSEST_PX)}″ where detail is the aim"
        if stars
        else None
    )
    return blank.told(setup.scale_arcsec, good, "the piece of sky that one pixel covers")


def _field(setup: Setup) -> PlanLine:
    needs = setup.missing("sensor_diagonal_mm", "focal_length_mm")
    blank = PlanLine(key="field_of_view", name="Field, corner to corner", unit="deg", needs=needs)
    diagonal, focal = setup.sensor_diagonal_mm, setup.rig.focal_length_mm
    if diagonal is None or focal is None:
        return blank
    return blank.told(field_of_view_deg(diagonal, focal), None, "the full Moon is half a degree wide")


def _diffraction(setup: Setup) -> PlanLine:
    blank = PlanLine(
        key="diffraction_fwhm", name="Limit of the aperture", unit="arcsec", needs=setup.missing("aperture_mm")
    )
    if setup.rig.aperture_mm is None:
        return blank
    note = "the narrowest star that this aperture can draw, in green light"
    return blank.told(diffraction_fwhm_arcsec(setup.rig.aperture_mm), None, note)


def _star(setup: Setup) -> PlanLine:
    blank = PlanLine(key="star_fwhm", name="Star width", unit="arcsec", needs=setup.missing("seeing_arcsec"))
    if blank.needs:
        return blank
    made_by = "the air alone makes" if setup.rig.aperture_mm is None else "air and aperture make"
    adds = "lens, mount and focus" if setup.rig.mount_type in ("fixed", "tracker") else "mount and focus"
    note = f"width at half brightness (FWHM) as {made_by} it; {adds} can only add to it"
    return blank.told(Span.of(*setup.stars_arcsec(recorded=False)), None, note)


def _sampling(setup: Setup) -> PlanLine:
    needs = setup.missing("scale", "seeing_arcsec")
    blank = PlanLine(key="sampling", name="Pixels per star width", unit="px", needs=needs)
    if setup.scale_arcsec is None or blank.needs:
        return blank
    span = Span.of(*(star / setup.scale_arcsec for star in setup.stars_arcsec(recorded=False)))
    best, worst = (judge_sampling(px).verdict for px in (span.low or span.value, span.high or span.value))
    advice = {
        "undersampled": "undersampled: detail falls between the pixels; shift the field between frames (dither)",
        "well sampled": "well sampled",
        "oversampled": "oversampled: finer than the stars need; bin, or use a shorter focal length",
    }
    verdict = advice[best] if best == worst else f"{best} in the best air, {worst} in the worst"
    return blank.told(span, "2 to 3", verdict=verdict)


def _suiting(setup: Setup) -> PlanLine:
    needs = setup.missing("pixel_um", "seeing_arcsec")
    blank = PlanLine(key="suiting_focal_length", name="Focal length that suits", unit="mm", needs=needs)
    pixel = setup.rig.pixel_um
    if pixel is None or blank.needs:
        return blank
    stars = setup.stars_arcsec(recorded=False)
    low, high = (
        ARCSEC_PER_RADIAN * pixel * 1e-3 * px / star
        for px, star in ((COARSEST_PX, max(stars)), (FINEST_PX, min(stars)))
    )
    return blank.told(Span(value=(low + high) / 2, low=low, high=high), None, "for these pixels and this air")


def focus(setup: Setup) -> PlanSection:
    """How exactly to focus.

    Parameters
    ----------
    setup : Setup
    """
    return PlanSection(key="focus", title="How exactly to focus", lines=(_ratio(setup), _zone(setup)))


def _ratio(setup: Setup) -> PlanLine:
    needs = setup.missing("focal_length_mm", "aperture_mm")
    blank = PlanLine(key="focal_ratio", name="Focal ratio", unit="", needs=needs)
    focal, aperture = setup.rig.focal_length_mm, setup.rig.aperture_mm
    if focal is None or aperture is None:
        return blank
    return blank.told(focal / aperture, None, "focal length over aperture; a small one forgives less")


def _zone(setup: Setup) -> PlanLine:
    needs = setup.missing("focal_length_mm", "aperture_mm", "seeing_arcsec")
    blank = PlanLine(key="focus_tolerance", name="Focus zone, each side", unit="micrometre", needs=needs)
    focal, aperture = setup.rig.focal_length_mm, setup.rig.aperture_mm
    if focal is None or aperture is None or blank.needs:
        return blank
    ratio = focal / aperture
    wave = quarter_wave_focus_um(ratio)
    discs = [disc_for_growth(setup.blurs(air, recorded=True), GROWTH) for air in setup.airs_arcsec]
    geometric = [disc / ARCSEC_PER_RADIAN * focal * 1e3 * ratio for disc in discs]
    note = "so far out, the stars are a tenth wider"
    if max(geometric) < wave:
        note = "so far out, the wave is bent by a quarter of its length, which hardly shows"
    return blank.told(Span.of(*(max(wave, one) for one in geometric)), None, f"{note}; refocus as it cools")


def sub_length(setup: Setup) -> PlanSection:
    """How long a single exposure must be for the sky to bury the read noise.

    Parameters
    ----------
    setup : Setup
    """
    lines = []
    filters = {"": setup.passband_nm} if setup.passband_nm is not None else PASSBANDS_NM
    for name, passband_nm in filters.items():
        lines.append(_buried(setup, name, passband_nm))
    if lines[0].needs:
        lines = [_buried(setup, "", 0.0)]
    if setup.rig.gain_e_per_adu is not None:
        lines.append(_level(setup))
    return PlanSection(key="sub_length", title="How long each exposure should be at least", lines=tuple(lines))


def _buried(setup: Setup, filter_name: str, passband_nm: float) -> PlanLine:
    needs = setup.missing("scale", "aperture_mm", "sky_mag", "read_noise_e")
    key = "_".join(["sub_length", *filter_name.split()])
    name = filter_name[:1].upper() + filter_name[1:] if filter_name else "Exposure"
    blank = PlanLine(key=key, name=name, unit="s", needs=needs)
    aperture, scale, read = setup.rig.aperture_mm, setup.scale_arcsec, setup.rig.read_noise_e
    if aperture is None or scale is None or read is None or setup.sky_mag is None:
        return blank
    obstruction = setup.rig.central_obstruction or 0.0
    rates = [sky_e_per_s(setup.sky_mag, aperture, scale, passband_nm, part, obstruction) for part in THROUGHPUT]
    seconds = burying_sky_e(read, BURIED_EXTRA_NOISE)
    note = (
        f"{passband_nm:g} nm wide: the sky gives {short(rates[0])} to {short(rates[-1])} electrons a second in a pixel"
    )
    if setup.exposure_s is not None:
        extra = [100 * extra_noise(read, rate * setup.exposure_s) for rate in rates]
        note += (
            f"; in {short_time(setup.exposure_s)} read noise adds {short(extra[-1])} to {short(extra[0])} % "
            f"(good: below {100 * BURIED_EXTRA_NOISE:.0f})"
        )
    return blank.told(Span.of(*(seconds / rate for rate in rates)), None, note)


def _level(setup: Setup) -> PlanLine:
    blank = PlanLine(key="sky_level", name="Sky above bias", unit="ADU", needs=setup.missing("read_noise_e"))
    read, gain = setup.rig.read_noise_e, setup.rig.gain_e_per_adu
    if read is None or gain is None:
        return blank
    note = "test it on a real frame: median of the frame less that of a bias frame, before any calibration"
    return blank.told(burying_sky_e(read, BURIED_EXTRA_NOISE) / gain, "this or more", note)
