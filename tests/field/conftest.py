"""Star tables drawn by numpy."""

from star_tables import draw, frame_of, sky_field

__all__ = ["draw", "frame_of", "sky_field"]
