"""The night as night.json holds it: one record for writing it and for reading it again."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from framecheck._version import __version__
from framecheck.causes.result import Finding, Undecided
from framecheck.decision.apertures import ApertureFigures
from framecheck.decision.frame_row import FrameRow
from framecheck.decision.morning import Morning
from framecheck.decision.records import (
    BudgetTerm,
    FieldPattern,
    FieldStretches,
    GroupSummary,
    MountDecision,
    Sampling,
    TrackingFigures,
    WhatIf,
)
from framecheck.model.explain import ShareExplained

SCHEMA = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Generator:
    """What judged the night."""

    name: str = "framecheck"
    version: str | None = __version__


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """The files of the night."""

    folder: str = ""
    n_files: int = 0
    n_measured: int = 0
    n_failed: int = 0


@dataclass(frozen=True, kw_only=True, slots=True)
class RigFacts:
    """What is known of the rig, and where from."""

    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    pixel_um: float | None = None
    binning: float | None = None
    pixel_scale_arcsec: float | None = None
    gain_e_per_adu: float | None = None
    read_noise_e: float | None = None
    saturation_adu: float | None = None
    mount_type: str | None = None
    worm_period_s: float | None = None
    camera_angle_deg: float | None = None
    lens_f_number: float | None = None
    provenance: Mapping[str, str] = dataclasses.field(default_factory=dict)
    """A saved rig counts as a rig file."""
    from_saved_rig: tuple[str, ...] = ()
    """Facts that a saved rig told, not a rig file given with the night; also those that are not listed here."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SkippedFile:
    """A file that is no light."""

    file: str
    kind: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FailedAlike:
    """Files that could not be measured for one reason."""

    failure: str
    n_files: int
    first: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class NightDocument:
    """All of a judged night; the names of the fields and their order are part of the contract."""

    schema: int = SCHEMA
    generator: Generator = Generator()
    source: Source = Source()
    rig: RigFacts = RigFacts()
    groups: tuple[GroupSummary, ...] = ()
    frames: tuple[FrameRow, ...]
    skipped: tuple[SkippedFile, ...] = ()
    tracking: TrackingFigures = dataclasses.field(default_factory=TrackingFigures)
    sampling: Sampling = dataclasses.field(default_factory=Sampling)
    field: FieldPattern = dataclasses.field(default_factory=FieldPattern)
    budget: tuple[BudgetTerm, ...] = ()
    findings: tuple[Finding, ...] = ()
    """Strongest first."""
    undecided: tuple[Undecided, ...] = ()
    explained: ShareExplained = dataclasses.field(default_factory=ShareExplained)
    mount_decision: MountDecision = dataclasses.field(default_factory=MountDecision)
    what_if: tuple[WhatIf, ...] = ()
    charts: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    field_stretches: FieldStretches | None = None
    failures: tuple[FailedAlike, ...] = ()
    ground: Mapping[str, Any] | None = None
    standing: Any = None
    """How stars run over a camera that does not follow them."""
    alignment: tuple[Any, ...] | None = None
    """How long the polar axis of a tracker stands, by focal length."""
    apertures: tuple[ApertureFigures, ...] | None = None
    """What a lens makes of the corners at each of its f-numbers, widest open first."""
    morning: Morning | None = None
    """The answer in one look, as all faces tell it."""
