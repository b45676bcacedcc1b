"""Scale, orientation, parity, binning and pixel size."""

import warnings
from collections.abc import Callable
from math import cos, radians, sin

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS, FITSFixedWarning
from astropy.wcs.utils import proj_plane_pixel_scales
from hypothesis import given
from hypothesis import strategies as st

from framecheck.constants import ARCSEC_PER_RADIAN
from framecheck.read.cards import Card, Header
from framecheck.read.exposure import Orientation
from framecheck.read.grid import read_grid, read_orientation
from framecheck.read.rig import Rig

SCALE = 1.4633 / 3600


def grid(header: Header, focal_length_mm: float | None = None):
    return read_grid(header, width_px=1000, height_px=800, focal_length_mm=focal_length_mm)


def solved(**values: float | str) -> Header:
    """A plate solution about the middle of a 1000 by 800 image."""
    cards: dict[str, float | str] = {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 80.0, "CRVAL2": 20.0, "CRPIX1": 500.5, "CRPIX2": 400.5,
    }  # fmt: skip
    return Header({keyword: Card(value) for keyword, value in (cards | values).items()})


def cd(matrix: np.ndarray, **more: float | str) -> Header:
    (a, b), (c, d) = matrix.tolist()
    return solved(CD1_1=a, CD1_2=b, CD2_1=c, CD2_2=d, **more)


TURNED_30 = SCALE * np.array([[-cos(radians(30)), sin(radians(30))], [sin(radians(30)), cos(radians(30))]])


def test_orientation() -> None:
    # astropy 8.0.2: SkyCoord.position_angle 30 deg, proj_plane_pixel_scales 1.4633", sign of det CD negative
    lies = grid(cd(TURNED_30)).orientation.value
    assert lies is not None
    assert lies.north_up_deg == pytest.approx(30, abs=0.001)
    assert lies.pixel_scale_arcsec == pytest.approx(1.4633, rel=1e-9)
    assert lies.mirrored is False
    assert (lies.ra_deg, lies.dec_deg) == pytest.approx((80, 20))


def test_a_mirrored_image() -> None:
    lies = grid(cd(TURNED_30 * [[-1], [1]])).orientation.value
    assert lies is not None
    assert lies.mirrored is True


def test_a_pier_flip_turns_the_camera_by_180_degrees() -> None:
    # geometry of a German mount, from memory
    before, after = grid(cd(TURNED_30)).orientation.value, grid(cd(-TURNED_30)).orientation.value
    assert before is not None
    assert after is not None
    assert (after.north_up_deg - before.north_up_deg) % 360 == pytest.approx(180)
    assert after.mirrored is before.mirrored


def against_astropy(header: Header) -> tuple[Orientation, dict[str, float]]:
    """Our reading, and astropy.wcs at the centre of the image."""
    theirs = fits.Header([(keyword, card.value) for keyword, card in header.cards.items()])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", FITSFixedWarning)
        wcs = WCS(theirs)
    centre, above = wcs.pixel_to_world([499.5, 499.5], [399.5, 400.5])
    angle = centre.position_angle(above).deg
    ours = read_orientation(header, width_px=1000, height_px=800).value
    assert ours is not None
    scale = float(np.sqrt(np.prod(proj_plane_pixel_scales(wcs)))) * 3600
    return ours, {"angle": angle, "scale": scale, "ra": centre.ra.deg, "dec": centre.dec.deg}


@pytest.mark.parametrize(
    "header",
    [
        cd(TURNED_30),
        solved(CDELT1=-SCALE, CDELT2=SCALE, CROTA2=35.0),
        solved(CDELT1=-SCALE, CDELT2=SCALE, PC1_1=0.8, PC1_2=-0.6, PC2_1=0.6, PC2_2=0.8),
        solved(CDELT1=-SCALE, CDELT2=SCALE),
        solved(PC1_1=-SCALE, PC1_2=0.0, PC2_1=0.0, PC2_2=SCALE, CDELT1=1.0, CDELT2=1.0),
        solved(CDELT1=-SCALE * 3600, CDELT2=SCALE * 3600, CUNIT1="arcsec", CUNIT2="arcsec",
               CRVAL1=80.0 * 3600, CRVAL2=20.0 * 3600),
        # the reference pixel far outside the image, and a field at the pole
        cd(TURNED_30 * 7, CRPIX1=2604.5, CRPIX2=1738.5),
        cd(TURNED_30 * 7, CRVAL1=38.5, CRVAL2=89.07, CRPIX1=2604.5, CRPIX2=1738.5),
        cd(TURNED_30, CRVAL2=-89.99),
    ],
)  # fmt: skip
def test_orientation_against_astropy(header: Header) -> None:
    ours, theirs = against_astropy(header)
    assert abs((ours.north_up_deg - theirs["angle"] + 180) % 360 - 180) < 0.001
    assert ours.pixel_scale_arcsec == pytest.approx(theirs["scale"], rel=1e-9)
    assert (ours.ra_deg, ours.dec_deg) == pytest.approx((theirs["ra"], theirs["dec"]), abs=1e-7)


@given(
    angle=st.floats(0, 360),
    mirrored=st.booleans(),
    ra=st.floats(0, 359.9),
    dec=st.floats(-88, 88),
    x=st.floats(-500, 1500),
)
def test_any_orientation_against_astropy(angle: float, mirrored: bool, ra: float, dec: float, x: float) -> None:
    turn = radians(angle)
    matrix = SCALE * np.array([[-cos(turn), sin(turn)], [sin(turn), cos(turn)]])
    if mirrored:
        matrix = matrix * [[-1], [1]]
    ours, theirs = against_astropy(cd(matrix, CRVAL1=ra, CRVAL2=dec, CRPIX1=x))
    assert abs((ours.north_up_deg - theirs["angle"] + 180) % 360 - 180) < 0.01
    assert ours.mirrored is mirrored


def test_declination_on_the_first_axis() -> None:
    (a, b), (c, d) = TURNED_30.tolist()
    swapped = solved(CTYPE1="DEC--TAN", CTYPE2="RA---TAN", CRVAL1=20.0, CRVAL2=80.0,
                     CD1_1=c, CD1_2=d, CD2_1=a, CD2_2=b)  # fmt: skip
    assert grid(swapped).orientation.value == grid(cd(TURNED_30)).orientation.value


@pytest.mark.parametrize(
    "header",
    [
        solved(),
        solved(CDELT1=1.0, CDELT2=1.0),
        solved(CTYPE1="LINEAR", CDELT1=-SCALE, CDELT2=SCALE),
        solved(CTYPE1="GLON-TAN", CTYPE2="GLAT-TAN", CDELT1=-SCALE, CDELT2=SCALE),
        cd(np.zeros((2, 2))),
        cd(np.full((2, 2), 1e300)),
        cd(TURNED_30, CRVAL2=120.0),
        cd(TURNED_30, CRVAL1="unknown"),
    ],
)
def test_no_orientation(header: Header) -> None:
    assert grid(header).orientation.value is None


def test_a_solution_that_its_own_header_calls_failed_is_none() -> None:
    # met in public frames of an observatory: frames with too few stars keep the nominal system of the pointing
    for value, comment, kept in ((4, "Error status of WCS fit. 0 for no error", False),
                                 (0, "Error status of WCS fit. 0 for no error", True),
                                 (0.3, "rms of the fit, arcsec", True)):  # fmt: skip
        header = Header({**cd(TURNED_30).cards, "WCSERR": Card(value, comment)})
        said = grid(header).orientation
        assert (said.value is not None) == kept
        assert bool(said.conflicts) == (not kept)


def test_numbers_written_as_strings() -> None:
    # met in public frames of an observatory
    (a, b), (c, d) = ([str(number) for number in row] for row in TURNED_30.tolist())
    assert grid(solved(CD1_1=a, CD1_2=b, CD2_1=c, CD2_2=d)).orientation.value is not None


@pytest.mark.parametrize(
    ("lines", "focal_mm", "pixel_um", "source"),
    [
        (["XPIXSZ = 3.76"], None, 3.76, "XPIXSZ"),
        (["XPIXSZ = 3.76", "XBINNING= 1"], None, 3.76, "XPIXSZ"),
        # XPIXSZ that includes binning, PIXSIZE1 that does not (common practice of capture programs): 3.76 x 2 = 7.52
        (["XPIXSZ = 7.52", "PIXSIZE1= 3.76", "XBINNING= 2"], None, 7.52, "XPIXSZ"),
        # another writer's bare XPIXSZ, shown by PIXSIZE1, by its comment, by the plate solution's scale
        (["XPIXSZ = 3.76", "PIXSIZE1= 3.76", "XBINNING= 2"], None, 7.52, "XPIXSZ"),
        (["XPIXSZ = 3.76 / unbinned pixel size", "XBINNING= 2"], None, 7.52, "XPIXSZ and binning"),
        (["XPIXSZ = 3.76", "XBINNING= 2", "SECPIX = 2.93"], 530.0, 7.52, "XPIXSZ and binning"),
        (["XPIXSZ = 7.52", "XBINNING= 2", "SECPIX = 2.93"], 530.0, 7.52, "XPIXSZ"),
        (["XPIXSZ = 7.52 / microns after binning", "XBINNING= 2"], None, 7.52, "XPIXSZ"),
        # nothing decides: XPIXSZ is the binned pixel (common practice)
        (["XPIXSZ = 7.52", "XBINNING= 2"], None, 7.52, "XPIXSZ"),
        (["PIXSIZE1= 3.76", "XBINNING= 2"], None, 7.52, "PIXSIZE1 and binning"),
        # met in observatories' files: metres, and binning in one card
        (["CCDXPIXE= 0.0000090 / [m] Size of pixels, in X", "CCDSUM = '2 2'"], None, 18.0, "CCDXPIXE and binning"),
        (["XPIXSZ = 0.0"], None, None, ""),
        (["XPIXSZ = 1e9"], None, None, ""),
    ],
)
def test_pixel_size(
    cards: Callable[..., Header], lines: list[str], focal_mm: float | None, pixel_um: float | None, source: str
) -> None:
    said = grid(cards(*lines), focal_mm).pixel_um
    assert said.value == (None if pixel_um is None else pytest.approx(pixel_um))
    assert said.source == source


@pytest.mark.parametrize(
    ("lines", "binning"),
    [
        (["XBINNING= 2", "YBINNING= 2"], 2),
        (["XBINNING= '2'"], 2),
        (["XBINNING= 2.0"], 2),
        (["BINNING = '2x2'"], 2),
        (["CCDSUM = '3 3'"], 3),
        (["XBINNING= 1", "YBINNING= 2"], None),
        (["XBINNING= 2.5"], None),
        (["XBINNING= -1"], None),
        (["XBINNING= 0"], None),
        (["BINNING = 'yes'"], None),
    ],
)
def test_binning(cards: Callable[..., Header], lines: list[str], binning: int | None) -> None:
    assert grid(cards(*lines)).binning.value == binning


def test_pixel_scale() -> None:
    # closed form, 206264.806" a radian: 3.76 um at 530 mm; binned 7.52 um, not binned again
    assert Rig(pixel_um=3.76, focal_length_mm=530).pixel_scale_arcsec == pytest.approx(1.46331, rel=1e-5)
    assert Rig(pixel_um=7.52, focal_length_mm=530, binning=2).pixel_scale_arcsec == pytest.approx(2.92663, rel=1e-5)
    # the rounded 206.3 of some writers is far inside what counts as agreement
    assert pytest.approx(0.000170624, rel=1e-3) == 206300 / ARCSEC_PER_RADIAN - 1


def test_scales_that_contradict_each_other() -> None:
    header = Header({**cd(TURNED_30).cards, "XPIXSZ": Card(3.76)})
    assert grid(header, 530.0).pixel_um.conflicts == ()
    conflict = grid(header, 600.0).pixel_um.conflicts[0]
    assert "1.463" in conflict
    assert "1.293" in conflict
    assert "530 mm" in conflict


def test_a_stated_scale(cards: Callable[..., Header]) -> None:
    assert grid(cards("IM_SCALE= 5.21")).stated_scale_arcsec.value == 5.21
    assert grid(cards("SCALE = 1.0E9")).stated_scale_arcsec.value is None
