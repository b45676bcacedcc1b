"""Read: a file becomes a Frame; the only room that knows keywords and tags."""

from framecheck.read.exposure import Exposure, Frame, Kind, Orientation
from framecheck.read.folder import find_frames, find_others, is_list
from framecheck.read.frame_file import read_exposure, read_frame
from framecheck.read.kind import kind_from_pixels
from framecheck.read.paths import NoPlainFile, lies_in, open_plain, read_plain, whole_path
from framecheck.read.remote import at_hand, is_remote, place_name
from framecheck.read.rig import Rig, merge_rig
from framecheck.read.rig_file import load_rig, rig_template
from framecheck.read.saved_rig import with_saved
from framecheck.read.unlit import Unlit, measure_unlit

__all__ = [
    "Exposure",
    "Frame",
    "Kind",
    "NoPlainFile",
    "Orientation",
    "Rig",
    "Unlit",
    "at_hand",
    "find_frames",
    "find_others",
    "is_list",
    "is_remote",
    "kind_from_pixels",
    "lies_in",
    "load_rig",
    "measure_unlit",
    "merge_rig",
    "open_plain",
    "place_name",
    "read_exposure",
    "read_frame",
    "read_plain",
    "rig_template",
    "whole_path",
    "with_saved",
]
