"""Night: a scenario becomes a folder of files, with the truth beside it."""

import json
import os
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from framecheck.errors import CannotFinish
from framecheck.simulate.camera import read_out
from framecheck.simulate.catalogue import Catalogue, catalogue
from framecheck.simulate.frame import Conditions, expose
from framecheck.simulate.header import HeaderCard, dark_cards, light_cards
from framecheck.simulate.scenario import Scenario
from framecheck.simulate.sky_light import cloud_share, dew_share

Progress = Callable[[int, int], None]

_DARK_NUMBERS_FROM: Final = 100_000
"""Frame numbers of darks, so that their noise is that of no light."""
_BROKEN_SHARE: Final = 0.4
"""Chosen: how much of a broken file has arrived."""


def render_night(scenario: Scenario, folder: Path, progress: Progress | None = None) -> list[Path]:
    """Render all files of a night.

    Parameters
    ----------
    scenario : Scenario
        The night.
    folder : Path
        Where the files go; made if it is not there. `truth.json` is written beside it, in its parent.
    progress : callable, optional
        Told how many files are done and how many there will be, after each.

    Returns
    -------
    list of Path
        The files in the order of writing; the same bytes for the same scenario.

    Raises
    ------
    CannotFinish
        If the folder cannot be written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return _render(scenario, folder, progress or (lambda done, total: None))
    except OSError as why:
        raise CannotFinish(
            f"{folder}: the night cannot be written ({why.strerror or why}). Give another folder."
        ) from why


def stars_of_night(scenario: Scenario) -> Catalogue:
    """All stars that the night's frames can show."""
    return catalogue(scenario, reach_deg=_reach_deg(scenario))


def _render(scenario: Scenario, folder: Path, progress: Progress) -> list[Path]:
    plan = scenario.plan
    total = plan.frames + plan.darks + plan.broken
    stars = stars_of_night(scenario)
    files: list[Path] = []
    truth: list[dict[str, Any]] = []

    def done(path: Path) -> None:
        _date(scenario, path, len(files))
        files.append(path)
        progress(len(files), total)

    for frame in range(plan.frames):
        light, conditions = expose(scenario, stars, frame)
        path = folder / f"light_{frame + 1:04d}.fits"
        _write(path, read_out(scenario, light, plan.exposure_s, frame), light_cards(scenario, conditions))
        truth.append(_truth_of_frame(scenario, path, conditions))
        done(path)
    for number in range(plan.darks):
        path = folder / f"dark_{number + 1:04d}.fits"
        nothing = np.zeros((scenario.camera.height, scenario.camera.width), dtype=np.float32)
        pixels = read_out(scenario, nothing, plan.exposure_s, _DARK_NUMBERS_FROM + number)
        _write(path, pixels, dark_cards(scenario, (plan.frames + number) * plan.cadence_s))
        done(path)
    for number in range(plan.broken):
        path = folder / f"light_{plan.frames + number + 1:04d}.fits"
        whole = files[plan.frames - 1].read_bytes()
        path.write_bytes(whole[: int(len(whole) * _BROKEN_SHARE)])
        done(path)
    _write_truth(scenario, folder.parent / "truth.json", truth)
    return files


def _date(scenario: Scenario, path: Path, number: int) -> None:
    """Date a file as if it had been saved when its exposure ended: a broken one is old, not still being written."""
    saved = scenario.plan.start_utc.timestamp() + number * scenario.plan.cadence_s + scenario.plan.exposure_s
    os.utime(path, (saved, saved))


def _reach_deg(scenario: Scenario) -> float:
    """How far the pointing strays in right ascension in the whole night, at most. [deg]"""
    mount, plan = scenario.mount, scenario.plan
    seconds = plan.frames * plan.cadence_s
    rate = 0.0 if mount.kind == "fixed" else mount.tracking_rate
    follows = mount.guided or mount.kind == "alt-azimuth"
    lost = 0.0 if follows else abs(1 - rate) * 15.0411 * seconds / 3600
    polar = 0.0 if mount.kind == "alt-azimuth" else float(np.hypot(*mount.polar_error_arcmin)) / 60
    cosine = float(np.cos(np.radians(scenario.target.dec_deg)))
    return lost + (0.1 + polar + abs(mount.drift_ra_arcsec_per_min) * seconds / 60 / 3600) / cosine


def _write(path: Path, pixels: NDArray[np.uint16], cards: list[HeaderCard]) -> None:
    from astropy.io import fits

    hdu = fits.PrimaryHDU(pixels)
    for card in cards:
        hdu.header[card.keyword] = (card.value, card.comment)
    hdu.writeto(path, overwrite=True)


def _truth_of_frame(scenario: Scenario, path: Path, conditions: Conditions) -> dict[str, Any]:
    frame = conditions.frame
    return {
        "file": path.name,
        **asdict(conditions),
        "gust": frame in scenario.mount.gust_frames,
        "satellite": frame in scenario.sky.satellite_frames,
        "cloud_share": cloud_share(scenario, frame),
        "dew_share": dew_share(scenario, frame),
    }


def _write_truth(scenario: Scenario, path: Path, frames: list[dict[str, Any]]) -> None:
    described = asdict(scenario)
    described["plan"]["start_utc"] = scenario.plan.start_utc.isoformat()
    truth = {
        "causes": list(scenario.causes),
        "slight_causes": list(scenario.slight_causes),
        "scenario": described,
        "frames": frames,
    }
    path.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
