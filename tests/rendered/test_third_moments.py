"""Third moments tell coma and pinching from what a mount does: GalSim's optical stars, rows ORA-40 and ORA-41."""

import galsim
import numpy as np
import pytest
from reference import reference

from framecheck.stars.moments import Moments, measure_moments


def moments(**waves: float) -> Moments:
    """Of a telescope of 100 mm in 2 arcsec of seeing, with errors of the wave front by Noll's numbering. [waves rms]"""
    optics = galsim.OpticalPSF(lam=550, diam=0.1, obscuration=0, pad_factor=2, oversampling=2, **waves)
    image = galsim.Convolve(optics, galsim.Kolmogorov(fwhm=2.0)).drawImage(nx=101, ny=101, scale=0.25)
    sigma = image.FindAdaptiveMom().moments_sigma
    zero = np.zeros(1)
    return measure_moments(image.array[None].astype(np.float32), np.ones(1), zero, zero, sigma, rounds=6)


@pytest.mark.parametrize(("waves", "row"), [({"coma1": 0.2}, "ORA-40a"), ({"coma2": 0.2}, "ORA-40b")])
def test_coma(waves: dict[str, float], row: str) -> None:
    star = moments(**waves)
    assert np.hypot(star.coma1, star.coma2)[0] == reference(row).within(abs=0.02)
    # the flare lies along the axis of the aberration
    along, across = (star.coma1, star.coma2) if "coma2" in waves else (star.coma2, star.coma1)
    assert abs(across[0]) < 0.02 * abs(along[0])


@pytest.mark.parametrize("waves", [{}, {"defocus": 0.2}, {"astig2": 0.2}, {"spher": 0.15}])
def test_symmetric_stars_have_none(waves: dict[str, float]) -> None:
    star = moments(**waves)
    assert np.hypot(star.coma1, star.coma2)[0] == reference("ORA-40e").within(abs=0.01)
    assert np.hypot(star.trefoil1, star.trefoil2)[0] == reference("ORA-41e").within(abs=0.01)


def test_pinched_optics_show_off_focus_and_hide_in_it() -> None:
    in_focus, off_focus = moments(trefoil1=0.2), moments(trefoil1=0.2, defocus=0.2)
    assert np.hypot(in_focus.trefoil1, in_focus.trefoil2)[0] == reference("ORA-41c").within(abs=0.01)
    assert np.hypot(off_focus.trefoil1, off_focus.trefoil2)[0] == reference("ORA-41f").within(abs=0.05)
