"""Facts of the rig that cannot be: a scale at which stars are sharper than air and aperture allow."""

from collections.abc import Sequence
from dataclasses import replace
from math import hypot
from statistics import median
from typing import Any, Final

from framecheck.field.result import FrameResult
from framecheck.field.sampling import diffraction_fwhm_arcsec
from framecheck.read.exposure import Exposure
from framecheck.read.rig import Rig, merge_rig, with_origin_of_scale

BEST_AIR_ARCSEC: Final = 0.4
"""FWHM that the air leaves in long exposures, at the best sites in the best nights. [arcsec] Common practice, no
source."""
LONG_S: Final = 1.0
"""[s] Chosen: shorter exposures may freeze the air."""
LEAST_PX: Final = 1.3
"""[px] Chosen: narrower stars are not known well enough, and may be particle tracks."""
LEAST_STARS: Final = 10
"""Stars of a frame that tell. Chosen."""
SURE_OF_SOLUTION: Final = 0.5
"""Width over the least possible below which even a world coordinate system is doubted. Chosen: those that capture
programs write from a wrong focal length miss by much more than a star's width is in doubt."""
FOCAL_RATIOS: Final = (0.8, 50.0)
"""Focal lengths over apertures that telescopes and lenses have. Chosen: the fastest lenses are f/0.95 (from memory),
and the slowest images are those of planets through a Barlow lens."""


PLAUSIBLE_ARCSEC: Final = (0.8, 8.0)
"""Widths of stars through which a scale is believed where only the aperture speaks against it. [arcsec] Chosen."""


def with_facts_that_can_be(rig: Rig, results: Sequence[FrameResult]) -> tuple[Rig, tuple[FrameResult, ...]]:
    """The rig as rig file and headers tell it together, less what cannot be, and the frames with what they tell of it.

    Parameters
    ----------
    rig : Rig
        The rig file.
    results : sequence of FrameResult
        Of any number of telescopes and cameras: each set is doubted by itself.
    """
    settled = list(results)
    alike: dict[tuple[object, ...], list[int]] = {}
    for place, result in enumerate(results):
        alike.setdefault(_optics(result.exposure), []).append(place)
    for places in alike.values():
        own = [results[place] for place in places]
        for place, result in zip(places, doubted(_together(rig, own), own)[1], strict=True):
            settled[place] = result
    return doubted(_together(rig, settled), settled)


def _together(rig: Rig, results: Sequence[FrameResult]) -> Rig:
    return merge_rig(rig, [result.exposure for result in results])


def _optics(exposure: Exposure) -> tuple[object, ...]:
    """What a header says of telescope and camera; lengths to a per cent or so, which is what they are known to."""
    lengths = (exposure.focal_length_mm, exposure.aperture_mm, exposure.pixel_um, exposure.stated_scale_arcsec)
    rounded = (None if length is None else f"{length:.2g}" for length in lengths)
    return exposure.camera, exposure.telescope, exposure.binning, *rounded


def doubted(rig: Rig, results: Sequence[FrameResult]) -> tuple[Rig, tuple[FrameResult, ...]]:
    """The rig and the frames without what cannot be; each frame tells what was left out, and why.

    Parameters
    ----------
    rig : Rig
        As rig file and headers tell it together.
    results : sequence of FrameResult

    Returns
    -------
    rig : Rig
        Where the scale is impossible, the next source that knows it counts; None without any.
    results : tuple of FrameResult
        With sentences among the conflicts, and without the facts of their headers that cannot be.

    Notes
    -----
    Stars in long exposures are at least as wide as the best air and the aperture's diffraction make them, in
    quadrature: no fault makes them narrower. The other way nothing is impossible, for any fault makes them wider.
    """
    width_px = _typical_width_px(results)
    told: list[str] = []
    while (doubt := _doubt(rig, width_px)) is not None:
        field, why = doubt
        if rig.provenance.get(field) != "rig file":
            unknown: dict[str, Any] = {"orientation" if field == "solved_scale_arcsec" else field: None}
            results = [replace(one, exposure=replace(one.exposure, **unknown)) for one in results]
        rig = _without(rig, field)
        known = rig.pixel_scale_arcsec
        left = (
            "Sizes stay in pixels: give focal_length_mm, pixel_um and aperture_mm in the rig file."
            if known is None
            else (f"We used a scale of {known:.3g} arcsec a pixel.")
        )
        told.append(f"{why}: {_NAMES[field]} was ignored. {left}")
    return rig, tuple(_with_conflicts(result, told) for result in results) if told else tuple(results)


def with_measured_scale(
    rig: Rig, scale_arcsec: float, results: Sequence[FrameResult]
) -> tuple[Rig, tuple[FrameResult, ...]]:
    """The rig with a pixel scale that the frames show, and the frames with a sentence about it.

    Parameters
    ----------
    rig : Rig
        Whose scale headers tell.
    scale_arcsec : float
        [arcsec/px]
    results : sequence of FrameResult

    Returns
    -------
    rig : Rig
    results : tuple of FrameResult
    """
    stated = rig.pixel_scale_arcsec
    focal_mm = None if stated is None or rig.focal_length_mm is None else rig.focal_length_mm * stated / scale_arcsec
    lens = "" if focal_mm is None else f" (it makes the focal length {focal_mm:.3g} mm)"
    provenance = {**rig.provenance, "solved_scale_arcsec": "measured"}
    known = with_origin_of_scale(replace(rig, solved_scale_arcsec=scale_arcsec, provenance=provenance))
    told = (
        f"By the turning of the sky a pixel spans {scale_arcsec:.4g} arcsec, by the header {stated:.4g}; "
        f"we used the sky{lens}."
    )
    return known, tuple(_with_conflicts(result, [told]) for result in results)


_NAMES: Final = {
    "solved_scale_arcsec": "the scale of the plate solution",
    "focal_length_mm": "the focal length",
    "aperture_mm": "the aperture",
    "stated_scale_arcsec": "the stated scale",
}


def _typical_width_px(results: Sequence[FrameResult]) -> float | None:
    """Median width of the stars of long exposures; None where it tells nothing."""
    widths = [
        result.shape.fwhm_px
        for result in results
        if result.shape is not None
        and result.shape.n_measured >= LEAST_STARS
        and (result.exposure.exposure_s or 0.0) >= LONG_S
    ]
    typical = median(widths) if widths else 0.0
    return typical if typical >= LEAST_PX else None


def _doubt(rig: Rig, width_px: float | None) -> tuple[str, str] | None:
    """The field that cannot be true, and why; None where all can."""
    scale = rig.pixel_scale_arcsec
    width = None if scale is None or width_px is None else scale * width_px
    if rig.focal_length_mm is not None and rig.aperture_mm is not None:
        ratio = rig.focal_length_mm / rig.aperture_mm
        if not FOCAL_RATIOS[0] <= ratio <= FOCAL_RATIOS[1]:
            solved = rig.solved_scale_arcsec is not None
            believed = solved or (width is not None and PLAUSIBLE_ARCSEC[0] <= width <= PLAUSIBLE_ARCSEC[1])
            return "aperture_mm" if believed else "focal_length_mm", (
                f"No telescope is f/{ratio:.2g}, as a focal length of {rig.focal_length_mm:.4g} mm and an aperture of "
                f"{rig.aperture_mm:.4g} mm make it"
            )
    if width is None:
        return None
    aperture = rig.aperture_mm
    least = BEST_AIR_ARCSEC if aperture is None else hypot(BEST_AIR_ARCSEC, diffraction_fwhm_arcsec(aperture))
    sure = rig.provenance.get("solved_scale_arcsec") == "plate solution"
    if width >= least * (SURE_OF_SOLUTION if sure else 1.0):
        return None
    through = "" if aperture is None else f" through an aperture of {aperture:.4g} mm"
    return _field_of_scale(rig), (
        f"At {scale:.3g} arcsec a pixel the stars would be {width:.2f} arcsec wide, where the best air{through} allows "
        f"{least:.2f}"
    )


def _field_of_scale(rig: Rig) -> str:
    """Which of the rig's fields its pixel scale comes from; of a focal length and a pixel size, the former."""
    if rig.solved_scale_arcsec is not None:
        return "solved_scale_arcsec"
    computed = rig.pixel_um is not None and rig.focal_length_mm is not None
    return "focal_length_mm" if computed else "stated_scale_arcsec"


def _without(rig: Rig, field: str) -> Rig:
    provenance = {name: origin for name, origin in rig.provenance.items() if name != field}
    return with_origin_of_scale(replace(rig, **{field: None}, provenance=provenance))


def _with_conflicts(result: FrameResult, told: Sequence[str]) -> FrameResult:
    exposure = result.exposure
    return replace(result, exposure=replace(exposure, conflicts=tuple(dict.fromkeys((*exposure.conflicts, *told)))))
