"""A night with bias frames beside it: measured, judged, and known again from the logbook."""

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from in_place import InPlace
from star_field import star_field

from framecheck.logbook import Logbook
from framecheck.pipeline import judge_night, measure_night
from framecheck.read import Rig
from framecheck.report.night_json import night_document

BIAS, READ_NOISE, GAIN = 1013.0, 12.0, 2.0
"""[ADU, electrons, electrons per ADU]"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three lights whose card claims a pedestal of 100, and three bias frames."""
    place = tmp_path_factory.mktemp("night")
    for number in range(3):
        scene = {"size": (500, 400), "n_stars": 60, "sky_adu": 4000.0, "pedestal_adu": BIAS, "gain": GAIN}
        image, _ = star_field(**scene, seed=5, read_noise_e=READ_NOISE)
        cards = {"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "DATE-OBS": f"2026-02-03T21:1{number}:00"}
        header = fits.Header(cards | {"PEDESTAL": -100, "EGAIN": GAIN})
        fits.PrimaryHDU(image, header).writeto(place / f"light_{number}.fits")
        rng = np.random.default_rng(number)
        bias = np.rint(rng.normal(BIAS, READ_NOISE / GAIN, image.shape)).astype(np.uint16)
        header = fits.Header({"IMAGETYP": "Bias Frame", "EXPTIME": 0.0, "EGAIN": GAIN})
        fits.PrimaryHDU(bias, header).writeto(place / f"bias_{number}.fits")
    return place


def test_bias_frames_correct_a_lying_card_and_a_second_run_says_the_same(folder: Path, tmp_path: Path) -> None:
    paths = sorted(folder.glob("*.fits"))
    documents = []
    with Logbook(tmp_path / "book.sqlite") as book:
        for _ in range(2):
            measured = measure_night(paths, executor=InPlace(), logbook=book)
            documents.append(night_document(judge_night(folder, measured)))
        assert all(book.recall(path, Rig()) is not None for path in paths)
    night, again = documents
    assert again == night
    assert night["rig"]["read_noise_e"] == pytest.approx(READ_NOISE, rel=0.04)
    assert night["rig"]["provenance"]["read_noise_e"] == "calibration frames"
    for frame in night["frames"]:
        assert frame["sky_e_per_s"] == pytest.approx(4000.0 * GAIN / 60, rel=0.01)
        assert frame["sky_gradient_percent"] == pytest.approx(0, abs=1)
