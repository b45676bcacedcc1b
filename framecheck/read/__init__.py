"""Read: a file becomes a Frame; the only room that knows FITS keywords."""

from framecheck.read.exposure import Exposure, Frame, Kind, Orientation
from framecheck.read.fits import read_exposure, read_frame
from framecheck.read.folder import find_frames, find_others
from framecheck.read.kind import kind_from_pixels
from framecheck.read.rig import Rig, merge_rig
from framecheck.read.rig_file import load_rig, rig_template

__all__ = [
    "Exposure",
    "Frame",
    "Kind",
    "Orientation",
    "Rig",
    "find_frames",
    "find_others",
    "kind_from_pixels",
    "load_rig",
    "merge_rig",
    "read_exposure",
    "read_frame",
    "rig_template",
]
