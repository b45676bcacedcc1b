"""Nights in which the cause is known: what must be claimed of each, and what must not.

    python tests/rendered/nights_of_causes.py [NAME ...] [--keep DIR] [--again] [--frames]

renders the nights named (part of a name does; all without one) below DIR, measures each once, judges it and prints what
is claimed beside what is true. `--again` measures anew what was measured before, `--frames` shows every frame's stars.
A claim is a finding with a confidence of at least 0.5.
"""

import os

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")  # small matrices: threads only stand in each other's way

import argparse
import hashlib
import inspect
import pickle
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import galsim_night
import mount_paths
import numpy as np
from galsim_night import Optics, Rig, Scene, always, render, truth
from mount_paths import (
    alt_azimuth,
    backlash,
    equatorial,
    flexure,
    jitter,
    knocks,
    periodic,
    untracked,
)

from framecheck.causes.catalogue import CAUSES
from framecheck.decision.judgement import Judgement, Range
from framecheck.pipeline import Measurements, judge_night, measure_night
from framecheck.read import Rig as ToldRig

CLAIM = 0.5
MARKS = {"period_s": 0.03, "periodic_peak_to_peak_arcsec": 0.15, "polar_error_arcmin": 0.25}
"""Largest relative error; 10 % where nothing else is said. A polar error may also lie in its interval."""


@dataclass(frozen=True, kw_only=True)
class NightOfCause:
    """One night, what it must be called, and what it must not."""

    name: str
    build: Callable[[], Scene]
    claimed: tuple[str, ...] = ()
    tolerated: tuple[str, ...] = ()  # also true, or not to be excluded from these frames
    told: dict[str, object] = field(default_factory=dict)  # what the rig file says
    figures: tuple[str, ...] = ()  # of `tracking` that are held to their marks
    also: dict[str, float] = field(default_factory=dict)  # figures that the path itself does not give

    @property
    def forbidden(self) -> tuple[str, ...]:
        """No other cause of mount or optics may be claimed."""
        apart = self.claimed + self.tolerated
        return tuple(c.name for c in CAUSES.values() if c.family in ("mount", "optics") and c.name not in apart)

    def truth(self) -> dict[str, float]:
        return {**truth(self.build()), **self.also}


GUIDED = {"mount_type": "equatorial", "guided": True}
UNGUIDED = {"mount_type": "equatorial", "guided": False}

REFRACTOR = Rig(focal_mm=530, aperture_mm=106, pixel_um=2.9)
NEWTONIAN = Rig(focal_mm=1000, aperture_mm=200, obstruction=0.3)
CASSEGRAIN = Rig(focal_mm=1480, aperture_mm=203, obstruction=0.34)
LONG = Rig(focal_mm=2000, aperture_mm=254, obstruction=0.4, pixel_um=4.63)
LENS = Rig(focal_mm=135, aperture_mm=48, lens_blur_px=1.9, full_well_e=40000)
WIDE = Rig(focal_mm=50, aperture_mm=18, pixel_um=4.3, lens_blur_px=1.9, full_well_e=40000)


def guided(rig: Rig = NEWTONIAN, *more: mount_paths.Error, **changes: object) -> Scene:
    """A good night on a guided mount, with what is wrong added."""
    usual: dict[str, object] = {
        "errors": (equatorial(1.0, 1.0, guide_arcsec=300 + 200j), jitter(0.28, 0.32), *more),
        "optics": Optics(tilt_um=(6, -4), curvature_um=8, coma=(0.012, 0.008)),
        "focus_um": lambda frame: 6 * np.sin(1.7 * frame),
        "dither_arcsec": 8 * rig.scale,
        "dither_every": 2,
    }
    return Scene(rig=rig, **{**usual, **changes})


def unguided(rig: Rig = NEWTONIAN, *more: mount_paths.Error, **changes: object) -> Scene:
    """The same without a guide star: refraction and the axis carry the target off; `more` holds the axis."""
    usual: dict[str, object] = {"errors": (jitter(0.2, 0.2), *more), "dither_arcsec": 0.0}
    return guided(rig, **{**usual, **changes})


def steps(*values: float) -> Callable[[int], float]:
    """One value a frame, the last for all that follow."""
    return lambda frame: values[min(frame, len(values) - 1)]


def ramp(first: float, last: float, n: int, start: int = 0) -> Callable[[int], float]:
    """Steady from `first`, held up to frame `start`, to `last` in frame n - 1."""
    return lambda frame: first + (last - first) * max(0.0, frame - start) / (n - 1 - start)


def starts(frame: int, exposure_s: float, share: float = 0.0, gap_s: float = 6.0) -> float:
    """Time at a share of a frame's exposure."""
    return frame * (exposure_s + gap_s) + share * exposure_s


HEALTHY = (
    NightOfCause(name="healthy-refractor", build=lambda: guided(REFRACTOR, seeing_arcsec=2.9), told=GUIDED),
    NightOfCause(
        name="healthy-newtonian-flip",
        build=lambda: guided(hour_angle_deg=-12, flip_before=6, n_frames=14, seed=2),
        told=GUIDED,
    ),
    NightOfCause(
        name="healthy-cassegrain",
        build=lambda: guided(CASSEGRAIN, seeing_arcsec=2.2, exposure_s=180, declination_deg=55, seed=3),
        told=GUIDED,
    ),
    NightOfCause(
        name="healthy-long",
        build=lambda: guided(LONG, seeing_arcsec=2.6, beta=3.5, restless=0.07, n_frames=14, seed=4),
        told=GUIDED,
    ),
    NightOfCause(
        name="healthy-lens-tracker",
        build=lambda: unguided(
            LENS, equatorial(0.7, 0.7), periodic(2.0, 480), exposure_s=30, sky_e_per_s=15, n_frames=14, seed=5,
            optics=Optics(), focus_um=always(0.0),
        ),
        told={"mount_type": "tracker", "guided": False},
    ),
    NightOfCause(
        name="healthy-unguided-short",
        build=lambda: unguided(
            NEWTONIAN, equatorial(0.3, 0.3), periodic(0.5, 480), exposure_s=30, n_frames=14, seed=6,
        ),
        told=UNGUIDED,
    ),
    NightOfCause(
        name="healthy-told-nothing",
        build=lambda: guided(seeing_arcsec=2.0, exposure_s=240, n_frames=10, solved=False, seed=7),
    ),
)  # fmt: skip

PERIODIC = ("period_s", "periodic_peak_to_peak_arcsec")
MOUNT = (
    NightOfCause(
        name="periodic-error",
        build=lambda: unguided(
            NEWTONIAN, equatorial(1.0, 0.5), periodic(6.0, 480, 40), exposure_s=90, n_frames=18,
            declination_deg=12, seed=11,
        ),
        claimed=("periodic-error",),
        told=UNGUIDED,
        figures=(*PERIODIC, "rms_ra_arcsec"),
        also={"period_s": 480, "periodic_peak_to_peak_arcsec": 6.0},
    ),
    NightOfCause(
        name="periodic-error-cassegrain",
        build=lambda: unguided(
            CASSEGRAIN, equatorial(0.5, -1.0), periodic(7.0, 431, 150), exposure_s=60, n_frames=18,
            declination_deg=5, hour_angle_deg=10, camera_angle_deg=75, seed=12,
        ),
        claimed=("periodic-error",),
        told=UNGUIDED,
        figures=PERIODIC,
        also={"period_s": 431, "periodic_peak_to_peak_arcsec": 7.0},
    ),
    NightOfCause(
        name="polar-misalignment",
        build=lambda: unguided(
            NEWTONIAN, equatorial(8.0, -2.0), periodic(1.0, 480), declination_deg=20, n_frames=14, seed=13,
        ),
        claimed=("polar-misalignment",),
        told=UNGUIDED,
        figures=("drift_dec_arcsec_per_min", "rms_dec_arcsec", "polar_error_arcmin"),
        also={"polar_error_arcmin": float(np.hypot(8.0 * np.cos(np.radians(48)), 2.0))},
    ),
    NightOfCause(
        name="polar-misalignment-guided",
        build=lambda: guided(
            errors=(equatorial(-14.0, 11.0, guide_arcsec=2600 + 2400j), jitter(0.28, 0.32)), declination_deg=74,
            exposure_s=600, n_frames=10, dither_arcsec=0.0, sky_e_per_s=1.0, seed=14,
        ),
        claimed=("polar-misalignment",),
        tolerated=("field-rotation",),
        told=GUIDED,
        figures=("rotation_deg_per_hour", "polar_error_arcmin"),
        also={"polar_error_arcmin": float(np.hypot(14.0 * np.cos(np.radians(48)), 11.0))},
    ),
    NightOfCause(
        name="polar-misalignment-gross",
        build=lambda: guided(
            LENS, errors=(equatorial(140.0, 70.0, guide_arcsec=0j), jitter(0.3, 0.3)), declination_deg=68,
            exposure_s=600, n_frames=10, dither_arcsec=0.0, sky_e_per_s=4.0, optics=Optics(), focus_um=always(0.0),
            seed=15,
        ),
        claimed=("polar-misalignment", "field-rotation"),
        told={"mount_type": "tracker", "guided": True},
        figures=("rotation_deg_per_hour", "polar_error_arcmin"),
        also={"polar_error_arcmin": float(np.hypot(140.0 * np.cos(np.radians(48)), 70.0))},
    ),
    NightOfCause(
        name="field-rotation",
        build=lambda: guided(
            CASSEGRAIN, errors=(alt_azimuth(), jitter(0.25, 0.25)), exposure_s=60, n_frames=14, declination_deg=33,
            hour_angle_deg=-14, seed=16,
        ),
        claimed=("field-rotation",),
        told={"mount_type": "alt-azimuth"},
        figures=("rotation_deg_per_hour",),
    ),
    NightOfCause(
        name="field-rotation-untold",
        build=lambda: guided(
            NEWTONIAN, errors=(alt_azimuth(), jitter(0.3, 0.3)), exposure_s=60, n_frames=14, declination_deg=38,
            hour_angle_deg=-8, seed=17,
        ),
        claimed=("field-rotation",),
        tolerated=("polar-misalignment",),
        figures=("rotation_deg_per_hour",),
    ),
    NightOfCause(
        name="declination-backlash",
        build=lambda: guided(
            NEWTONIAN, backlash(3.4, starts(7, 120), starts(12, 120)), n_frames=15, seed=18,
        ),
        claimed=("declination-backlash",),
        told=GUIDED,
    ),
    NightOfCause(
        name="guiding-noise",
        build=lambda: guided(NEWTONIAN, jitter(0.5, 1.15, 3, (5.0, 70.0)), n_frames=14, seed=19),
        claimed=("guiding-noise",),
        told=GUIDED,
        figures=("rms_ra_arcsec",),
    ),
    NightOfCause(
        name="guiding-noise-long",
        build=lambda: guided(
            LONG, jitter(0.95, 0.5, 5, (5.0, 60.0)), n_frames=14, exposure_s=180, seeing_arcsec=2.0, seed=20,
        ),
        claimed=("guiding-noise",),
        told=GUIDED,
        figures=("rms_dec_arcsec",),
    ),
    NightOfCause(
        name="differential-flexure",
        build=lambda: guided(
            NEWTONIAN, flexure(0.58, 60, 25), exposure_s=300, n_frames=12, dither_every=3, seed=21,
        ),
        claimed=("differential-flexure",),
        told=GUIDED,
        figures=("drift_ra_arcsec_per_min", "drift_dec_arcsec_per_min"),
    ),
    NightOfCause(
        name="shock",
        build=lambda: guided(
            CASSEGRAIN, knocks((starts(4, 120, 0.3), 45, 2.2 + 2.6j), (starts(10, 120, 0.6), 35, -3.1 + 0.9j)),
            n_frames=14, seed=22,
        ),
        claimed=("shock",),
        told=GUIDED,
    ),
    NightOfCause(
        name="untracked",
        build=lambda: unguided(
            WIDE, untracked(), exposure_s=15, gap_s=2, declination_deg=15, sky_e_per_s=30, n_frames=10,
            snr=(60, 700), optics=Optics(), focus_um=always(0.0), seed=23,
        ),
        claimed=("untracked",),
        told={"mount_type": "fixed"},
    ),
    NightOfCause(
        name="untracked-half-rate",
        build=lambda: unguided(
            WIDE, untracked(0.5), exposure_s=15, gap_s=2, declination_deg=15, sky_e_per_s=30, n_frames=10,
            snr=(60, 700), optics=Optics(), focus_um=always(0.0), seed=24,
        ),
        claimed=("untracked",),
        told={"mount_type": "tracker"},
    ),
)  # fmt: skip

OPTICS = (
    NightOfCause(
        name="defocus",
        build=lambda: guided(focus_um=lambda frame: 75 + 4 * np.sin(frame), n_frames=14, seed=31),
        claimed=("defocus",),
        told=GUIDED,
    ),
    NightOfCause(
        name="defocus-ring",
        build=lambda: guided(CASSEGRAIN, focus_um=lambda frame: -260 + 10 * np.sin(frame), seed=32),
        claimed=("defocus",),
        told=GUIDED,
    ),
    NightOfCause(
        name="focus-drift",
        build=lambda: guided(
            focus_um=ramp(0, 110, 16, 2), tube_temp_c=ramp(14, 7, 16), n_frames=16, restless=0.03, seed=33,
        ),
        claimed=("focus-drift",),
        tolerated=("defocus",),
        told=GUIDED,
    ),
    NightOfCause(
        name="sensor-tilt",
        build=lambda: guided(optics=Optics(tilt_um=(60, 15)), focus_um=always(48.0), seed=34),
        claimed=("sensor-tilt",),
        tolerated=("defocus",),
        told=GUIDED,
    ),
    NightOfCause(
        name="sensor-tilt-centred",
        build=lambda: guided(REFRACTOR, optics=Optics(tilt_um=(20, 80)), focus_um=always(0.0), seed=35),
        claimed=("sensor-tilt",),
        told=GUIDED,
    ),
    NightOfCause(
        name="field-curvature",
        build=lambda: guided(
            optics=Optics(curvature_um=105, astigmatism_quadratic=0.12), focus_um=always(0.0), seed=36,
        ),
        claimed=("field-curvature",),
        tolerated=("astigmatism",),
        told=GUIDED,
    ),
    NightOfCause(
        name="coma",
        build=lambda: guided(optics=Optics(coma_linear=0.26), seed=37),
        claimed=("coma",),
        told=GUIDED,
    ),
    NightOfCause(
        name="miscollimation",
        build=lambda: guided(CASSEGRAIN, optics=Optics(coma=(0.19, 0.12)), seed=38),
        claimed=("miscollimation",),
        told=GUIDED,
    ),
    NightOfCause(
        name="astigmatism",
        build=lambda: guided(
            optics=Optics(astigmatism=(0.13, 0.09)), focus_um=ramp(-62, 62, 15), n_frames=15,
            tube_temp_c=ramp(12, 7, 15), seed=39,
        ),
        claimed=("astigmatism",),
        tolerated=("focus-drift", "defocus"),
        told=GUIDED,
    ),
    NightOfCause(
        name="pinched-optics",
        build=lambda: guided(optics=Optics(trefoil=0.22), focus_um=lambda frame: 60 + 8 * np.sin(frame), seed=40),
        claimed=("pinched-optics",),
        tolerated=("defocus",),
        told=GUIDED,
    ),
    NightOfCause(
        name="dew",
        build=lambda: guided(
            REFRACTOR, n_frames=16, seeing_arcsec=2.9, scatter_px=ramp(0, 2.2, 16, 4), halo=ramp(0, 0.3, 16, 4),
            transparency=ramp(1, 0.5, 16, 4), sky_factor=ramp(1, 0.8, 16, 4), tube_temp_c=ramp(9, 6, 16), seed=41,
        ),
        claimed=("dew",),
        told=GUIDED,
    ),
)  # fmt: skip

CAMERA_AND_SKY = (
    NightOfCause(
        name="undersampled",
        build=lambda: guided(
            Rig(focal_mm=300, aperture_mm=76, pixel_um=6.0), seeing_arcsec=2.6, sky_e_per_s=8, n_frames=10, seed=51
        ),
        claimed=("undersampled",),
        told=GUIDED,
    ),
    NightOfCause(
        name="oversampled",
        build=lambda: guided(
            Rig(focal_mm=2000, aperture_mm=203, obstruction=0.34, pixel_um=2.4), seeing_arcsec=2.7, sky_e_per_s=0.3,
            n_stars=60, n_frames=10, exposure_s=180, snr=(60, 600), seed=52,
        ),
        claimed=("oversampled",),
        told=GUIDED,
    ),
    NightOfCause(
        name="saturation",
        build=lambda: guided(
            Rig(focal_mm=530, aperture_mm=106, pixel_um=2.9, full_well_e=12000), snr=(80, 6000), n_frames=10, seed=53
        ),
        claimed=("saturation",),
        told=GUIDED,
    ),
    NightOfCause(
        name="read-noise-limited",
        build=lambda: guided(
            Rig(focal_mm=1000, aperture_mm=200, obstruction=0.3, read_noise_e=4.0), exposure_s=20, sky_e_per_s=0.15,
            n_frames=14, seed=54,
        ),
        claimed=("read-noise-limited",),
        told=GUIDED,
    ),
    NightOfCause(
        name="poor-seeing",
        build=lambda: guided(seeing_arcsec=4.4, restless=0.1, n_frames=14, seed=55),
        claimed=("poor-seeing",),
        told=GUIDED,
    ),
    NightOfCause(
        name="cloud",
        build=lambda: guided(
            transparency=steps(1, 1, 0.98, 1, 0.8, 0.55, 0.62, 0.4, 0.7, 0.92, 1),
            sky_factor=steps(1, 1, 1, 1, 1.15, 1.4, 1.3, 1.5, 1.2, 1.05, 1), n_frames=14, seed=56,
        ),
        claimed=("cloud",),
        told=GUIDED,
    ),
    NightOfCause(
        name="sky-gradient",
        build=lambda: guided(gradient=(0.45, 0.3), sky_factor=ramp(1, 1.8, 12), seed=57),
        claimed=("sky-gradient",),
        told=GUIDED,
    ),
    NightOfCause(
        name="low-altitude",
        build=lambda: guided(
            declination_deg=-4, hour_angle_deg=38, exposure_s=300, n_frames=16, restless=0.02, seed=58
        ),
        claimed=("low-altitude",),
        told=GUIDED,
    ),
    NightOfCause(
        name="trail-crossing", build=lambda: guided(crossings=(3, 8), seed=59), claimed=("trail-crossing",), told=GUIDED
    ),
)  # fmt: skip

MIXED = (
    NightOfCause(
        name="periodic-error+sensor-tilt",
        build=lambda: unguided(
            NEWTONIAN, equatorial(1.0, 0.5), periodic(6.0, 480, 100), exposure_s=90, n_frames=18, declination_deg=12,
            optics=Optics(tilt_um=(60, 15)), focus_um=always(48.0), seed=71,
        ),
        claimed=("periodic-error", "sensor-tilt"),
        tolerated=("defocus",),
        told=UNGUIDED,
        figures=PERIODIC,
        also={"period_s": 480, "periodic_peak_to_peak_arcsec": 6.0},
    ),
    NightOfCause(
        name="polar-misalignment+cloud",
        build=lambda: unguided(
            NEWTONIAN, equatorial(-7.0, 3.0), periodic(0.8, 480), declination_deg=40, n_frames=14, hour_angle_deg=20,
            transparency=steps(1, 1, 0.98, 1, 0.8, 0.55, 0.62, 0.4, 0.7, 0.92, 1),
            sky_factor=steps(1, 1, 1, 1, 1.15, 1.4, 1.3, 1.5, 1.2, 1.05, 1), seed=72,
        ),
        claimed=("polar-misalignment", "cloud"),
        told=UNGUIDED,
        figures=("drift_dec_arcsec_per_min",),
    ),
    NightOfCause(
        name="coma+guiding-noise",
        build=lambda: guided(
            NEWTONIAN, jitter(0.5, 1.15, 4, (5.0, 70.0)), optics=Optics(coma_linear=0.28), n_frames=14, seed=73
        ),
        claimed=("coma", "guiding-noise"),
        told=GUIDED,
    ),
    NightOfCause(
        name="focus-drift+differential-flexure",
        build=lambda: guided(
            NEWTONIAN, flexure(0.6, 150, 20), exposure_s=300, n_frames=14, dither_every=4, focus_um=ramp(0, 120, 14, 2),
            tube_temp_c=ramp(13, 6, 14), seed=74,
        ),
        claimed=("focus-drift", "differential-flexure"),
        tolerated=("defocus",),
        told=GUIDED,
    ),
    NightOfCause(
        name="field-curvature+shock",
        build=lambda: guided(
            NEWTONIAN, knocks((starts(5, 120, 0.3), 45, 2.4 + 2.8j), (starts(9, 120, 0.5), 40, -3.4 + 1.0j)),
            optics=Optics(curvature_um=110, astigmatism_quadratic=0.12), focus_um=always(0.0), n_frames=14, seed=75,
        ),
        claimed=("field-curvature", "shock"),
        tolerated=("astigmatism",),
        told=GUIDED,
    ),
    NightOfCause(
        name="field-rotation+miscollimation",
        build=lambda: guided(
            CASSEGRAIN, errors=(alt_azimuth(), jitter(0.25, 0.25)), exposure_s=60, n_frames=14, declination_deg=33,
            hour_angle_deg=-14, optics=Optics(coma=(0.19, 0.12)), seed=76,
        ),
        claimed=("field-rotation", "miscollimation"),
        told={"mount_type": "alt-azimuth"},
        figures=("rotation_deg_per_hour",),
    ),
)  # fmt: skip

NIGHTS = (*HEALTHY, *MOUNT, *OPTICS, *CAMERA_AND_SKY, *MIXED)


def measured(night: NightOfCause, folder: Path, again: bool = False) -> Measurements:
    """Measure a night, rendered first if it is not there; what is kept in `folder` is used again."""
    scene = night.build()
    kept, mark = folder / "measurements.pickle", folder / "recipe.txt"
    recipe = _recipe(night, scene)
    if not mark.exists() or mark.read_text() != recipe:
        render(scene, folder)
        kept.unlink(missing_ok=True)
        mark.write_text(recipe)
    if kept.exists() and not again:
        try:
            with kept.open("rb") as file:
                return pickle.load(file)
        except (AttributeError, TypeError, ImportError, pickle.UnpicklingError):
            pass  # the records have changed since
    with ThreadPoolExecutor(1) as here:
        result = measure_night(sorted(folder.glob("light_*.fits")), ToldRig(**night.told), here)
    kept.write_bytes(pickle.dumps(result))
    return result


def _recipe(night: NightOfCause, scene: Scene) -> str:
    """What tells whether a kept rendering is still that of this night."""
    code = "".join(inspect.getsource(m) for m in (galsim_night, mount_paths))
    probe = [
        (
            scene.focus_um(i),
            scene.transparency(i),
            scene.sky_factor(i),
            scene.scatter_px(i),
            scene.halo(i),
            scene.seeing_px(i),
            scene.tube_temp_c(i),
            scene.pointing(i, scene.times(i, 8)),
        )
        for i in range(scene.n_frames)
    ]
    plain = {k: v for k, v in vars(scene).items() if not callable(v) and k != "errors"}
    return hashlib.sha256(f"{code}{probe}{plain}".encode()).hexdigest()


def judged(night: NightOfCause, folder: Path, again: bool = False) -> Judgement:
    """Judge a night as a user would have it judged."""
    return judge_night(folder, measured(night, folder, again), ToldRig(**night.told))


def claims(judgement: Judgement) -> dict[str, float]:
    """Causes claimed, with their confidence."""
    return {f.cause: f.confidence for f in judgement.findings if f.confidence >= CLAIM}


def off_mark(night: NightOfCause, judgement: Judgement) -> dict[str, str]:
    """Figures of this night that miss their marks."""
    missed, true = {}, night.truth()
    for name in night.figures:
        value = getattr(judgement.tracking, name)
        low = high = None
        if isinstance(value, Range):
            value, low, high = value.value, value.low, value.high
        inside = low is not None and high is not None and low <= true[name] <= high
        near = value is not None and abs(value - true[name]) <= MARKS.get(name, 0.1) * abs(true[name])
        if not (inside or near):
            missed[name] = f"{value if value is None else round(value, 3)} for {true[name]:.3f}"
    return missed


def line(night: NightOfCause, judgement: Judgement) -> str:
    """One line: what is true, what is claimed, what is amiss."""
    made = claims(judgement)
    lacking = [cause for cause in night.claimed if cause not in made]
    wrong = [cause for cause in night.forbidden if cause in made]
    hints = {f.cause: f.confidence for f in judgement.findings if f.confidence < CLAIM}
    parts = [
        f"{'ok ' if not lacking and not wrong else 'BAD'} {night.name:34}",
        "claims " + (", ".join(f"{c} {p:.2f}" for c, p in made.items()) or "nothing"),
        "lacking " + ", ".join(lacking) if lacking else "",
        "WRONGLY " + ", ".join(wrong) if wrong else "",
        "below 0.5: " + ", ".join(f"{c} {p:.2f}" for c, p in hints.items()) if hints else "",
        "off " + ", ".join(f"{k} {v}" for k, v in off_mark(night, judgement).items())
        if off_mark(night, judgement) else "figures ok" if night.figures else "",
    ]  # fmt: skip
    return " | ".join(part for part in parts if part)


def frames_table(judgement: Judgement) -> str:
    """Every frame's stars."""
    rows = []
    for frame in judgement.night.frames:
        shape, stars = frame.result.shape, frame.result.stars
        if shape is None:
            rows.append("    no shape")
            continue
        rows.append(
            f"    {shape.fwhm_px:6.2f} px  a/b {shape.elongation:.3f}  pa {shape.elongation_pa_deg or 0:5.0f}"
            f"  beta {shape.moffat_beta or 0:4.1f}  found {stars.n_found}  light {frame.transparency or 0:.2f}"
            f"  air mass {frame.airmass or 0:.2f}  {_by_place(stars.good)}"
        )
    return "\n".join(rows)


def _by_place(table: np.ndarray) -> str:
    """Median FWHM in the middle, at the edges and in the corners; mean shape along the radius out there."""
    u, v = table["x"] / np.max(table["x"]) * 2 - 1, table["y"] / np.max(table["y"]) * 2 - 1
    places = {"mid": np.hypot(u, v) < 0.6, "left": u < -0.5, "right": u > 0.5, "far": np.hypot(u, v) > 1}
    sizes = " ".join(f"{name} {np.median(table['fwhm_px'][chosen]):.2f}" for name, chosen in places.items())
    turn = 2 * np.arctan2(v * 2, u * 3)
    radial = (table["e1"] * np.cos(turn) + table["e2"] * np.sin(turn))[places["far"]]
    return f"{sizes}  radial {np.median(radial):+.3f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*")
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--again", action="store_true")
    parser.add_argument("--frames", action="store_true")
    asked = parser.parse_args()
    chosen = [n for n in NIGHTS if not asked.names or any(part in n.name for part in asked.names)]
    with tempfile.TemporaryDirectory() as passing:
        for night in chosen:
            began = time.perf_counter()
            judgement = judged(night, (asked.keep or Path(passing)) / night.name, asked.again)
            sys.stdout.write(f"{line(night, judgement)} | {time.perf_counter() - began:.1f} s\n")
            if asked.frames:
                sys.stdout.write(frames_table(judgement) + "\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
