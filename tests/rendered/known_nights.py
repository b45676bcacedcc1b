"""Nights of known faults on rigs of all kinds: what each is, what it must be called, and what it must not."""

from collections.abc import Callable
from dataclasses import dataclass, field

import mount_paths
import numpy as np
from galsim_night import Optics, Rig, Scene, always, truth
from mount_paths import alt_azimuth, backlash, equatorial, flexure, jitter, knocks, periodic, untracked

from framecheck.causes.catalogue import CAUSES


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
            NEWTONIAN, equatorial(8.0, -2.0), periodic(0.4, 480), declination_deg=20, n_frames=14, seed=13,
        ),
        claimed=("polar-misalignment",),
        told=UNGUIDED,
        figures=("drift_dec_arcsec_per_min", "rms_dec_arcsec", "polar_error_arcmin"),
        also={"polar_error_arcmin": float(np.hypot(8.0 * np.cos(np.radians(48)), 2.0))},
    ),
    NightOfCause(
        name="polar-misalignment-guided",
        build=lambda: guided(
            errors=(equatorial(14.0, 11.0, guide_arcsec=2600 + 2400j), jitter(0.28, 0.32)), declination_deg=74,
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
            LENS, errors=(equatorial(140.0, 70.0, guide_arcsec=0j), jitter(0.3, 0.3)), declination_deg=76,
            exposure_s=660, n_frames=10, dither_arcsec=0.0, sky_e_per_s=4.0, optics=Optics(), focus_um=always(0.0),
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
            CASSEGRAIN, errors=(alt_azimuth(), jitter(0.25, 0.25)), exposure_s=100, n_frames=14, declination_deg=33,
            hour_angle_deg=-14, seed=16,
        ),
        claimed=("field-rotation",),
        told={"mount_type": "alt-azimuth"},
        figures=("rotation_deg_per_hour",),
    ),
    NightOfCause(
        name="field-rotation-untold",
        build=lambda: guided(
            NEWTONIAN, errors=(alt_azimuth(), jitter(0.3, 0.3)), exposure_s=42, n_frames=14, declination_deg=38,
            hour_angle_deg=-8, seed=17,
        ),
        claimed=("field-rotation",),
        tolerated=("polar-misalignment",),
        figures=("rotation_deg_per_hour",),
    ),
    NightOfCause(
        name="declination-backlash",
        build=lambda: guided(
            NEWTONIAN, backlash(3.1, starts(7, 120), starts(12, 120)), n_frames=15, seed=18,
        ),
        claimed=("declination-backlash",),
        told=GUIDED,
    ),
    NightOfCause(
        name="guiding-noise",
        build=lambda: guided(NEWTONIAN, jitter(0.45, 1.15, 3, (5.0, 70.0)), n_frames=14, seed=19),
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
            optics=Optics(curvature_um=135, astigmatism_quadratic=0.19), focus_um=always(0.0), seed=36,
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
            Rig(focal_mm=420, aperture_mm=90, pixel_um=4.5), seeing_arcsec=2.6, sky_e_per_s=8, n_frames=10, seed=51
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
            Rig(focal_mm=530, aperture_mm=106, pixel_um=2.9, full_well_e=12000), snr=(1000, 30000), n_frames=10, seed=53
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
            NEWTONIAN, equatorial(-9.5, 4.0), periodic(0.4, 480), declination_deg=40, n_frames=14, hour_angle_deg=20,
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
            NEWTONIAN, jitter(0.45, 1.25, 4, (5.0, 70.0)), optics=Optics(coma_linear=0.28), n_frames=14, seed=73
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
            optics=Optics(curvature_um=135, astigmatism_quadratic=0.19), focus_um=always(0.0), n_frames=14, seed=75,
        ),
        claimed=("field-curvature", "shock"),
        tolerated=("astigmatism",),
        told=GUIDED,
    ),
    NightOfCause(
        name="field-rotation+miscollimation",
        build=lambda: guided(
            CASSEGRAIN, errors=(alt_azimuth(), jitter(0.25, 0.25)), exposure_s=110, n_frames=14, declination_deg=33,
            hour_angle_deg=-14, optics=Optics(coma=(0.19, 0.12)), seed=76,
        ),
        claimed=("field-rotation", "miscollimation"),
        told={"mount_type": "alt-azimuth"},
        figures=("rotation_deg_per_hour",),
    ),
)  # fmt: skip

NIGHTS = (*HEALTHY, *MOUNT, *OPTICS, *CAMERA_AND_SKY, *MIXED)
