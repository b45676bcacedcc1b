"""Why a star is not used: each flag once, with its name and its meaning."""

from enum import IntFlag


class StarFlag(IntFlag):
    """Reasons to keep a star out of the frame's averages; 0 is a good star, `MEANINGS` explain the others."""

    SATURATED = 1
    BLENDED = 2
    HOT_PIXEL = 4
    COSMIC_RAY = 8
    EDGE = 16
    BAD_FIT = 32
    STILL = 64


MEANINGS = {
    StarFlag.SATURATED: "a pixel of the core is at or above the saturation level",
    StarFlag.BLENDED: "another star inside the stamp is bright enough to bend the fit",
    StarFlag.HOT_PIXEL: "the light sits in fewer pixels than the optics can make",
    StarFlag.COSMIC_RAY: "sharper than a star on one side, as the track of a particle",
    StarFlag.EDGE: "the stamp runs over the edge of the image or over undefined pixels",
    StarFlag.BAD_FIT: "the fit did not converge, or left more than noise explains",
    StarFlag.STILL: "it stays on the sensor while the sky moves on: a lamp, or a hot pixel",
}
