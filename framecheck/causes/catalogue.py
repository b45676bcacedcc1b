"""The causes that framecheck can name, and what can be done about them: the rows of four tables by name."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from framecheck.causes.camera_table import CAMERA
from framecheck.causes.cause import Cause, Fix, Trait
from framecheck.causes.mount_table import MOUNT
from framecheck.causes.optics_table import OPTICS
from framecheck.causes.sky_table import SKY

CAUSES: Final[Mapping[str, Cause]] = MappingProxyType({cause.name: cause for cause in (*MOUNT, *OPTICS, *CAMERA, *SKY)})
"""All causes by name, in the order of the families."""

FIXES: Final[Mapping[str, Fix]] = MappingProxyType({fix.step: fix for one in CAUSES.values() for fix in one.fixes})
"""All fixes by what they say."""


def caution_of(step: str) -> str | None:
    """What to mind with a fix alone; None of one that needs no care, or is none of the table's."""
    return FIXES[step].caution if step in FIXES else None


def causes_with(trait: Trait) -> tuple[str, ...]:
    """Names of the causes that have a trait."""
    return tuple(cause.name for cause in CAUSES.values() if trait in cause.traits)
