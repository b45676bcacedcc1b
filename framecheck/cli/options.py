"""Options that several commands have, and the exit code that tells of a part."""

from pathlib import Path
from typing import Annotated, Final, Literal

import typer

SOME_FAILED: Final = 1
"""Exit code of the contract: done, but not for every file."""

Mount = Literal["fixed", "tracker", "equatorial", "alt-azimuth"]
"""As `read.rig.MountType`, which takes longer to import than to run."""
Aim = Literal["depth", "balanced", "detail"]
AimOption = Annotated[Aim, typer.Option("--aim", help="What the stack is for.")]
RigOption = Annotated[
    Path | None,
    typer.Option("--rig", metavar="FILE", help="What headers leave out: focal length, pixel size, gain (rig.toml)."),
]
GuidingOption = Annotated[
    Path | None,
    typer.Option("--guiding", metavar="FILE", help="Table of time_utc, ra_error_arcsec, dec_error_arcsec."),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress and no summary; problems are still shown.")]
NoProgress = Annotated[bool, typer.Option("--quiet", help="No progress; problems are still shown.")]
