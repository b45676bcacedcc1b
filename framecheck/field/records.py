"""Records of the field model: what frames have in common, and what stays with the sensor."""

from dataclasses import dataclass
from math import sqrt

from framecheck import shear


@dataclass(frozen=True, kw_only=True, slots=True)
class WithError:
    """A value and its standard error."""

    value: float
    error: float


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameField:
    """What one frame's stars have in common, the optics' part taken off."""

    index: int
    """Of the frame, in the results given."""
    size_px2: WithError
    """(a² + b²) / 2 at the sensor's centre, a and b the full axes at half maximum."""
    motion1_px2: float
    """(a² - b²) / 2 times cos 2 pa, common to all stars: the mount's motion, and astigmatism that keeps its sign."""
    motion2_px2: float
    """The same with sin 2 pa."""
    motion_error_px2: float
    """Of each of the two."""
    rotation_px2: WithError
    """(a² - b²) / 2 along the circle about the rotation's centre, at a distance as that of the corner from the centre,
    beyond what the least turning frames show."""
    lopsided1_px3: float
    """x part of the third moment <z |z|²> that this frame's stars have in common beyond those of the other frames: the
    light of a star that stayed longer at one end of its path, or turned a corner."""
    lopsided2_px3: float
    lopsided_error_px3: float
    """Of each of the two."""
    n_stars: int

    @property
    def motion_px2(self) -> complex:
        """spin2 of the motion."""
        return complex(self.motion1_px2, self.motion2_px2)

    @property
    def smear_px2(self) -> float:
        """a² - b² of the motion, noise taken off: squared width that a motion along one line adds along it."""
        return 2 * float(shear.calm(abs(self.motion_px2), self.motion_error_px2))

    @property
    def pa_deg(self) -> float:
        """Direction of the motion, counter-clockwise from +x, 0 <= pa < 180."""
        return float(shear.pa_deg(self.motion_px2))


@dataclass(frozen=True, kw_only=True, slots=True)
class FieldModel:
    """The pattern of a group of frames. "Corner" is the distance of the corners from the sensor's centre."""

    tilt_x_percent: WithError
    """Change of the FWHM from the left edge to the right, over that of the centre."""
    tilt_y_percent: WithError
    curvature_percent: WithError
    """FWHM at the corners over that of the centre. Of trailed stars, this and tilt are those of the width across."""
    centre_size_px2: float
    """(a² + b²) / 2 at the sensor's centre in a typical frame."""
    coma_px: WithError
    """Cube root of the third moment |<z |z|²>| [px³] that grows in proportion to the distance from the centre, at the
    corner; noise taken off, so 0 where there is none. A tail that holds the share f of the light at a distance d has
    f (1 - f) (1 - 2 f) d³; the weight of the measurement is undone as for Gaussian stars with weak tails, so that a
    tail 1.3 standard deviations away counts 22 % less, one 2 away half."""
    coma_px3: WithError
    """The third moment itself; positive if the tails point outward."""
    constant_coma_px: WithError
    """Cube root of the third moment that all stars share."""
    constant_coma_px3: WithError
    constant_coma_pa_deg: float
    """Direction of the tails, counter-clockwise from +x, 0 <= pa < 360; without meaning where there is no coma."""
    astigmatism_px: WithError
    """Difference of the axes a - b at the corner, from what grows with the square of the distance in every frame:
    positive along the radius, negative along the circle. Rotation that is the same in all frames is in it: only a rate
    of rotation, known from elsewhere, tells the two apart."""
    constant_astigmatism_px: WithError | None
    """Difference of the axes, the same over the field, that changes sign through focus, at the night's typical distance
    from focus; None if the frames do not pass through focus: it then looks like motion."""
    trefoil_px: WithError
    """Cube root of the third moment |<z³>| that all stars share, noise taken off."""
    frames: tuple[FrameField, ...]
    """Frames with enough stars, in the order given."""
    explained_spin0: float | None
    """Share of the variance of size, within frames, that the model explains on the stars held back, noise taken off;
    None where there is no pattern to explain."""
    explained_spin2: float | None
    """The same of shape, against round stars."""
    n_stars: int


@dataclass(frozen=True, kw_only=True, slots=True)
class NoFieldModel:
    """Why no pattern could be fitted."""

    because: str


def calm_root(value: float, error: float, power: int, n_components: int) -> WithError:
    """Root of a size, what noise adds to its square taken off; the error from one error up and down.

    The error is that of each of the components that the size is made of.
    """
    calm = sqrt(max(value**2 - n_components * error**2, 0.0))
    low, high = max(calm - error, 0.0), calm + error
    spread = (high ** (1 / power) - low ** (1 / power)) / (2 if low > 0 else 1)
    return WithError(value=calm ** (1 / power), error=spread)
