"""Options that several commands have."""

from pathlib import Path
from typing import Annotated, Literal

import typer

Aim = Literal["depth", "balanced", "detail"]
AimOption = Annotated[Aim, typer.Option("--aim", help="What the stack is for.")]
GuidingOption = Annotated[
    Path | None,
    typer.Option("--guiding", metavar="FILE", help="Table of time_utc, ra_error_arcsec, dec_error_arcsec."),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress and no summary; problems are still shown.")]
NoProgress = Annotated[bool, typer.Option("--quiet", help="No progress; problems are still shown.")]
