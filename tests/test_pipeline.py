"""The whole way: files in, outcomes of one kind each, in the order given, whatever executor does the work."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from star_field import star_field

import framecheck
from framecheck import pipeline
from framecheck.errors import UnusableFrame
from framecheck.field import FrameFailure, FrameResult
from framecheck.night.records import Skipped
from framecheck.pipeline import judge_night, measure_file, measure_night
from framecheck.read import Frame, Rig


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three lights, a dark and a broken file."""
    place = tmp_path_factory.mktemp("night")
    for number in range(3):
        image, _ = star_field(n_stars=60, size=(500, 400), seed=11, read_noise_e=3.0 + 10 * number)
        header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "DATE-OBS": f"2026-02-03T21:1{number}:00"})
        fits.PrimaryHDU(image, header).writeto(place / f"light_{number}.fits")
    dark = np.random.default_rng(1).normal(500, 5, (400, 500)).astype(np.uint16)
    fits.PrimaryHDU(dark, fits.Header({"IMAGETYP": "Dark Frame", "EXPTIME": 60.0})).writeto(place / "dark.fits")
    (place / "broken.fits").write_bytes((place / "light_0.fits").read_bytes()[:9000])
    return place


def test_each_file_has_one_outcome(folder: Path) -> None:
    assert isinstance(measure_file(folder / "light_0.fits", Rig()), FrameResult)
    assert isinstance(measure_file(folder / "dark.fits", Rig()), Skipped)
    assert isinstance(measure_file(folder / "broken.fits", Rig()), FrameFailure)
    assert isinstance(measure_file(folder / "vanished.fits", Rig()), FrameFailure)


def test_a_single_unusable_frame_says_why(folder: Path) -> None:
    with pytest.raises(UnusableFrame, match="of them"):
        framecheck.measure_frame(folder / "broken.fits")


@pytest.mark.parametrize(
    ("level", "says"), [(60000, "the sky alone fills 92 % of the sensor's range"), (900, "no stars were found")]
)
def test_a_frame_without_stars_says_whether_the_sky_drowned_them(level: int, says: str, tmp_path: Path) -> None:
    pixels = np.random.default_rng(2).normal(level, 30, (400, 500)).astype(np.uint16)
    fits.PrimaryHDU(pixels, fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 300.0})).writeto(tmp_path / "light.fits")
    outcome = measure_file(tmp_path / "light.fits", Rig())
    assert isinstance(outcome, FrameFailure)
    assert says in outcome.fault


@pytest.mark.parametrize(
    ("error", "fault", "remedy"),
    [
        (TypeError("not a number"), "framecheck could not measure it (TypeError: not a number)", "please report it"),
        (KeyError("fwhm"), "framecheck could not measure it (KeyError: 'fwhm')", "please report it"),
        (ValueError("two\nlines"), "framecheck could not measure it (ValueError: two lines)", "please report it"),
        (ZeroDivisionError(), "framecheck could not measure it (ZeroDivisionError)", "please report it"),
        (np.linalg.LinAlgError("Singular"), "framecheck could not measure it (LinAlgError: Singular)", "please report"),
        (MemoryError(), "there is too little memory for it", "fewer workers"),
        (OSError(28, "No space left on device"), "the system failed while it was measured (OSError", "Check disk"),
    ],
)
def test_whatever_befalls_one_frame_the_night_goes_on(
    error: Exception, fault: str, remedy: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measure(frame: Frame, rig: Rig) -> FrameResult:
        if frame.exposure.file.name == "light_1.fits":
            raise error
        return whole(frame, rig)

    whole = pipeline._measure_pixels
    monkeypatch.setattr(pipeline, "_measure_pixels", measure)
    with ThreadPoolExecutor(1) as thread:
        measured = measure_night([folder / "light_0.fits", folder / "light_1.fits"], executor=thread)
    assert [result.exposure.file.name for result in measured.results] == ["light_0.fits"]
    (failure,) = measured.failures
    assert failure.file == str(folder / "light_1.fits")
    assert failure.exposure is not None
    assert failure.fault.startswith(fault)
    assert remedy in failure.remedy


def test_a_user_who_stops_it_is_heard(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(pipeline, "_measure_pixels", stopped)
    with pytest.raises(KeyboardInterrupt):
        measure_file(folder / "light_0.fits", Rig())


def test_the_executor_changes_nothing(folder: Path) -> None:
    paths = sorted(folder.glob("*.fits"))
    seen: list[tuple[int, int]] = []
    with ThreadPoolExecutor(2) as threads:
        threaded = measure_night(paths, executor=threads, progress=lambda done, total, _: seen.append((done, total)))
    pooled = measure_night(paths)
    assert seen[-1] == (5, 5)
    assert [r.exposure.file for r in threaded.results] == [r.exposure.file for r in pooled.results]
    for one, other in zip(threaded.results, pooled.results, strict=True):
        assert one.shape == other.shape
        np.testing.assert_array_equal(one.stars.table, other.stars.table)
    assert len(pooled.skipped) == 1
    assert len(pooled.failures) == 1


def test_a_clean_little_night_is_kept(folder: Path) -> None:
    measured = measure_night(sorted(folder.glob("light_*.fits")))
    judgement = judge_night(folder, measured)
    assert [grade.grade for grade in judgement.grades] == ["keep"] * 3
    assert judgement.groups[0].n_frames == 3


def test_frames_are_never_changed(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.glob("*.fits")}
    measure_night(sorted(before))
    assert all(path.read_bytes() == content for path, content in before.items())
