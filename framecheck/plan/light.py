"""Plan: what the pixels see, how exactly to focus, how long a single exposure must be."""

from typing import Final

from framecheck.causes.camera import BURIED_EXTRA_NOISE
from framecheck.constants import ARCSEC_PER_RADIAN
from framecheck.decision.star_width import WIDENED, disc_for_growth
from framecheck.field.sampling import diffraction_fwhm_arcsec, judge_sampling
from framecheck.plan.records import Known, PlanLine, PlanSection, Setup, Span, plan_line, short, short_time
from framecheck.plan.tolerances import (
    burying_sky_e,
    extra_noise,
    field_of_view_deg,
    quarter_wave_focus_um,
    sky_e_per_s,
)

FINEST_PX, COARSEST_PX = 3.0, 2.0
"""Pixels per FWHM that are good. Common practice, no source."""

PASSBANDS_NM: Final = {"clear or luminance filter": 300.0, "one colour": 100.0, "narrow band": 7.0}
"""Widths of filters where none is given. [nm] Chosen: round figures of the trade."""

THROUGHPUT: Final = (0.3, 0.5, 0.7)
"""Part of the light that becomes electrons, from dull to very good optics and sensors. Chosen."""


def pixels(setup: Setup) -> PlanSection:
    """What the pixels see."""
    lines = [_scale(setup), _field(setup), _diffraction(setup), _star(setup), _sampling(setup), _suiting(setup)]
    return PlanSection(
        key="pixels",
        title="What the pixels see",
        lines=tuple(line for line in lines if line.key != "field_of_view" or not line.needs),
    )


@plan_line("pixel_scale", "Pixel scale", "arcsec/px", "scale")
def _scale(known: Known, blank: PlanLine) -> PlanLine:
    stars = known.setup.stars_arcsec(recorded=False)
    good = (
        f"{short(min(stars) / FINEST_PX)} to {short(max(stars) / COARSEST_PX)}″ where detail is the aim"
        if stars
        else None
    )
    return blank.told(known.scale, good, "the piece of sky that one pixel covers")


@plan_line("field_of_view", "Field, corner to corner", "deg", "sensor_diagonal_mm focal_length_mm")
def _field(known: Known, blank: PlanLine) -> PlanLine:
    diagonal, focal = known.sensor_diagonal_mm, known.focal_length_mm
    return blank.told(field_of_view_deg(diagonal, focal), None, "the full Moon is half a degree wide")


@plan_line("diffraction_fwhm", "Limit of the aperture", "arcsec", "aperture_mm")
def _diffraction(known: Known, blank: PlanLine) -> PlanLine:
    note = "the narrowest star that this aperture can draw, in green light"
    return blank.told(diffraction_fwhm_arcsec(known.aperture_mm), None, note)


@plan_line("star_fwhm", "Star width", "arcsec", "seeing_arcsec")
def _star(known: Known, blank: PlanLine) -> PlanLine:
    setup = known.setup
    made_by = "the air alone makes" if setup.rig.aperture_mm is None else "air and aperture make"
    adds = "lens, mount and focus" if setup.rig.mount_type in ("fixed", "tracker") else "mount and focus"
    note = f"width at half brightness (FWHM) as {made_by} it; {adds} can only add to it"
    return blank.told(Span.of(*setup.stars_arcsec(recorded=False)), None, note)


@plan_line("sampling", "Pixels per star width", "px", "scale seeing_arcsec")
def _sampling(known: Known, blank: PlanLine) -> PlanLine:
    span = Span.of(*(star / known.scale for star in known.setup.stars_arcsec(recorded=False)))
    best, worst = (judge_sampling(px).verdict for px in (span.low or span.value, span.high or span.value))
    advice = {
        "undersampled": "undersampled: detail falls between the pixels; shift the field between frames (dither)",
        "well sampled": "well sampled",
        "oversampled": "oversampled: finer than the stars need; bin, or use a shorter focal length",
    }
    verdict = advice[best] if best == worst else f"{best} in the best air, {worst} in the worst"
    return blank.told(span, "2 to 3", verdict=verdict)


@plan_line("suiting_focal_length", "Focal length that suits", "mm", "pixel_um seeing_arcsec")
def _suiting(known: Known, blank: PlanLine) -> PlanLine:
    stars = known.setup.stars_arcsec(recorded=False)
    low, high = (
        ARCSEC_PER_RADIAN * known.pixel_um * 1e-3 * px / star
        for px, star in ((COARSEST_PX, max(stars)), (FINEST_PX, min(stars)))
    )
    return blank.told(Span(value=(low + high) / 2, low=low, high=high), None, "for these pixels and this air")


def focus(setup: Setup) -> PlanSection:
    """How exactly to focus."""
    return PlanSection(key="focus", title="How exactly to focus", lines=(_ratio(setup), _zone(setup)))


@plan_line("focal_ratio", "Focal ratio", "", "focal_length_mm aperture_mm")
def _ratio(known: Known, blank: PlanLine) -> PlanLine:
    focal, aperture = known.focal_length_mm, known.aperture_mm
    return blank.told(focal / aperture, None, "focal length over aperture; a small one forgives less")


@plan_line("focus_tolerance", "Focus zone, each side", "micrometre", "focal_length_mm aperture_mm seeing_arcsec")
def _zone(known: Known, blank: PlanLine) -> PlanLine:
    focal, aperture = known.focal_length_mm, known.aperture_mm
    ratio = focal / aperture
    wave = quarter_wave_focus_um(ratio)
    discs = [disc_for_growth(known.setup.blurs(air, recorded=True), WIDENED) for air in known.setup.airs_arcsec]
    geometric = [disc / ARCSEC_PER_RADIAN * focal * 1e3 * ratio for disc in discs]
    note = "so far out, the stars are a tenth wider"
    if max(geometric) < wave:
        note = "so far out, the wave is bent by a quarter of its length, which hardly shows"
    return blank.told(Span.of(*(max(wave, one) for one in geometric)), None, f"{note}; refocus as it cools")


def sub_length(setup: Setup) -> PlanSection:
    """How long a single exposure must be for the sky to bury the read noise."""
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


@plan_line("sky_level", "Sky above bias", "ADU", "read_noise_e")
def _level(known: Known, blank: PlanLine) -> PlanLine:
    note = "test it on a real frame: median of the frame less that of a bias frame, before any calibration"
    return blank.told(
        burying_sky_e(known.read_noise_e, BURIED_EXTRA_NOISE) / known.gain_e_per_adu, "this or more", note
    )
