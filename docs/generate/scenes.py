"""Scenes: for each cause a healthy rig and the same rig with that cause, as scenarios of our own simulator."""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime
from typing import Any, Final, Literal

from framecheck.simulate import Scenario
from framecheck.simulate.scenario import Camera, Cloud, Mount, SceneOptics, ScenePlan, SceneSky, Site, Target

Kind = Literal["field", "night", "frame", "stack"]
"""Stars over the field of one frame; one star in frame after frame; a whole frame; many short frames added up."""

Changes = Mapping[str, Mapping[str, Any]]
"""Table of a scenario -> key -> value."""

BASE: Final = Scenario(
    site=Site(latitude_deg=47.2, longitude_deg=14.6, pressure_hpa=0.0),
    target=Target(ra_deg=318.0, dec_deg=38.0, stars=160, faintest_e_per_s=3.0, brightest_e_per_s=6000.0),
    optics=SceneOptics(focal_length_mm=1000.0, aperture_mm=200.0),
    camera=Camera(pixel_um=3.76, width=1200, height=800, hot_pixels=0, cosmic_rays_per_min=0.0),
    sky=SceneSky(brightness_e_per_s=1.0, seeing_arcsec=2.2, seeing_variation=0.0),
    mount=Mount(rms_ra_arcsec=0.15, rms_dec_arcsec=0.15),
    plan=ScenePlan(start_utc=datetime(2025, 9, 12, 20, 0, tzinfo=UTC), exposure_s=120.0, frames=12, cadence_s=125.0),
)
"""A telescope of 200 mm at f/5 with pixels of 0.78 arcseconds, on a good night."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Scene:
    """What is drawn for one cause."""

    kind: Kind
    fault: Changes
    both: Changes | None = None
    """What differs from `BASE` in the healthy picture as well."""
    star_e_per_s: float = 3000.0
    """Electrons of the stars that are shown enlarged. [e/s]"""
    one_scale: bool = False
    """True where brightness matters: all stars of both panels share one scale."""
    seen: str = ""
    """What to look at."""


def scenario_of(changes: Changes | None, base: Scenario = BASE) -> Scenario:
    """A scenario with some values of its tables changed."""
    parts = {name: replace(getattr(base, name), **values) for name, values in (changes or {}).items()}
    return replace(base, **parts)


def in_words(changes: Changes | None) -> str:
    """The changed values as a scenario file names them."""
    known = {field.name for field in fields(Scenario)}
    shown = []
    for table, values in (changes or {}).items():
        assert table in known
        for key, value in values.items():
            if isinstance(value, datetime):
                continue
            text = ", ".join(f"{one}" for one in value) if isinstance(value, tuple) else f"{value}"
            if table == "sky" and key == "clouds":
                text = ", ".join(f"frames {one.first} to {one.last}, depth {one.depth:g}" for one in value)
            shown.append(f"``{table}.{key} = {text}``")
    return ", ".join(shown)


SCENES: Final[Mapping[str, Scene]] = {
    "periodic-error": Scene(
        kind="night", fault={"mount": {"periodic_arcsec": 9.0}},
        both={"plan": {"exposure_s": 60.0, "cadence_s": 62.0}},
        seen="one star in twelve exposures of a minute: drawn out along right ascension (here left to right) where the "
        "worm runs fast or slow, round where it turns back",
    ),
    "polar-misalignment": Scene(
        kind="field", fault={"mount": {"polar_error_arcmin": (10.0, 6.0)}},
        both={"plan": {"exposure_s": 240.0, "cadence_s": 245.0}},
        seen="every star of an unguided exposure of four minutes has the same line; its direction changes with the "
        "hour angle",
    ),
    "field-rotation": Scene(
        kind="field", fault={"mount": {"kind": "alt-azimuth", "guided": True}},
        both={"plan": {"exposure_s": 150.0, "cadence_s": 155.0}},
        seen="stars keep round in the middle and are drawn to arcs about it, the longer the further out",
    ),
    "declination-backlash": Scene(
        kind="night", fault={"mount": {"backlash_arcsec": 7.0, "backlash_frames": (4, 8)}},
        seen="in one part of the night, and only there, stars are drawn out along declination (here upright)",
    ),
    "guiding-noise": Scene(
        kind="night", fault={"mount": {"rms_ra_arcsec": 1.5, "rms_dec_arcsec": 1.1, "correlation_s": 25.0}},
        seen="every exposure has another shape and direction, and hardly any is as sharp as it could be",
    ),
    "differential-flexure": Scene(
        kind="night", fault={"mount": {"flexure_arcsec_per_min": 0.6, "guided": True}},
        both={"plan": {"exposure_s": 480.0, "cadence_s": 900.0}},
        star_e_per_s=700.0,
        seen="guided exposures of eight minutes over three hours: one short line in each, which turns slowly",
    ),
    "shock": Scene(
        kind="night", fault={"mount": {"gust_frames": (6,), "gust_arcsec": 8.0}},
        seen="one exposure has every star twice; the frames before and after it are as good as ever",
    ),
    "untracked": Scene(
        kind="field", fault={"mount": {"kind": "fixed"}}, both={"plan": {"exposure_s": 1.0}},
        star_e_per_s=200_000.0, seen="in one second each star draws a line along right ascension",
    ),
    "moving-ground": Scene(
        kind="frame", fault={"plan": {"exposure_s": 120.0}},
        both={
            "optics": {"focal_length_mm": 35.0, "aperture_mm": 12.0}, "plan": {"exposure_s": 2.0},
            "ground": {"height": 0.3, "roughness": 0.05, "lamps": 5}, "sky": {"brightness_e_per_s": 40.0},
        },
        seen="the mount follows the sky in both: in two seconds hills are sharp, in two minutes they are drawn out, "
        "and the stars are points",
    ),
    "defocus": Scene(
        kind="field", fault={"optics": {"defocus_um": 95.0}},
        seen="all stars are wide discs with an edge, alike over the field",
    ),
    "focus-drift": Scene(
        kind="night", fault={"optics": {"focus_um_per_k": 12.0}, "plan": {"cooling_k_per_hour": 3.0}},
        both={"plan": {"cadence_s": 900.0}},
        seen="the same star over three hours: it swells smoothly and loses nothing of its light",
    ),
    "sensor-tilt": Scene(
        kind="field", fault={"optics": {"tilt_um": (230.0, 60.0)}},
        seen="a line of sharp stars runs through the field; to both sides of it they swell",
    ),
    "field-curvature": Scene(
        kind="field", fault={"optics": {"curvature_um": 110.0, "astigmatism_corner_nm": 130.0}},
        seen="sharp in the middle; towards the corners stars swell alike in all directions and stretch",
    ),
    "coma": Scene(
        kind="field", fault={"optics": {"coma_corner_nm": 230.0}},
        seen="no tail in the middle; towards the corners tails grow, along the radius",
    ),
    "miscollimation": Scene(
        kind="field", fault={"optics": {"coma_nm": (150.0, 70.0)}},
        seen="one tail, of one length and direction, on every star, in the middle as well",
    ),
    "astigmatism": Scene(
        kind="night",
        fault={"optics": {"astigmatism_nm": (150.0, 0.0), "defocus_um": -75.0, "focus_um_per_k": 20.0},
               "plan": {"cooling_k_per_hour": 3.0}},
        both={"plan": {"cadence_s": 820.0}},
        seen="focus drifts from one side to the other: the long axis turns by a right angle, and between them the star "
        "is round",
    ),
    "pinched-optics": Scene(
        kind="field", fault={"optics": {"trefoil_nm": (190.0, 60.0), "defocus_um": 45.0}},
        seen="three lobes, of one direction over the whole field; clearest a little off focus",
    ),
    "dew": Scene(
        kind="night", fault={"optics": {"dew_from_frame": 3, "dew_per_hour": 0.45}},
        both={"plan": {"cadence_s": 720.0}}, star_e_per_s=400.0, one_scale=True,
        seen="from the fourth frame on the star fades steadily and swells, with a halo about it",
    ),
    "undersampled": Scene(
        kind="field", fault={"optics": {"focal_length_mm": 200.0, "aperture_mm": 50.0}},
        star_e_per_s=250.0, seen="each star fills a pixel or two, and looks different wherever it falls between them",
    ),
    "oversampled": Scene(
        kind="field", fault={"optics": {"focal_length_mm": 3200.0}},
        star_e_per_s=60.0, both={"plan": {"exposure_s": 60.0}, "camera": {"read_noise_e": 3.0}},
        seen="the same light on seventeen times as many pixels, each with its own read noise",
    ),
    "saturation": Scene(
        kind="field", fault={"plan": {"exposure_s": 120.0}}, both={"plan": {"exposure_s": 6.0}},
        star_e_per_s=60_000.0,
        seen="clipped pixels are orange: there the light, and with it the colour, is lost",
    ),
    "read-noise-limited": Scene(
        kind="stack", fault={"plan": {"exposure_s": 4.0}},
        both={"plan": {"exposure_s": 240.0, "cadence_s": 245.0}, "camera": {"read_noise_e": 4.0},
              "sky": {"brightness_e_per_s": 0.3}, "target": {"faintest_e_per_s": 0.4, "stars": 900}},
        seen="one exposure of four minutes beside sixty of four seconds added up: the same light, but sixty readouts",
    ),
    "poor-seeing": Scene(
        kind="field", fault={"sky": {"seeing_arcsec": 5.0}},
        seen="all stars are wide and round, alike over the field, with soft wings and no edge",
    ),
    "cloud": Scene(
        kind="night", fault={"sky": {"clouds": (Cloud(first=4, last=8, depth=0.85),)}},
        star_e_per_s=400.0, one_scale=True,
        seen="the star loses light unsteadily and gets it back, without growing",
    ),
    "sky-gradient": Scene(
        kind="frame", fault={"sky": {"gradient_percent": 60.0}},
        both={"sky": {"brightness_e_per_s": 12.0}},
        seen="the sky brightens from one side of the frame to the other",
    ),
    "low-altitude": Scene(
        kind="night", fault={"plan": {"start_utc": datetime(2025, 9, 12, 23, 30, tzinfo=UTC), "cadence_s": 1500.0}},
        both={"plan": {"cadence_s": 300.0}}, star_e_per_s=400.0, one_scale=True,
        seen="the star sinks from high up to 15 degrees: it swells and fades as the air mass grows",
    ),
    "trail-crossing": Scene(
        kind="frame", fault={"sky": {"satellite_frames": (0,)}},
        seen="one straight line, as sharp as the stars; all else is as it was",
    ),
}  # fmt: skip
"""One for each cause of the catalogue."""
