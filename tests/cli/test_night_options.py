"""Where a night's report goes by itself, and which frames a quick look takes."""

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from typer.testing import CliRunner

from framecheck.cli import main
from framecheck.cli.night_command import open_page, report_beside
from framecheck.cli.quick_look import EACH, RUNS, newest_night

FIRST = datetime(2025, 9, 12, 21)


def frames(folder: Path, start: datetime, count: int, kind: str = "Light") -> list[Path]:
    folder.mkdir(exist_ok=True)
    paths = []
    for k in range(count):
        path = folder / f"{kind}_{start:%d}_{k:03d}.fits"
        hdu = fits.PrimaryHDU(np.zeros((40, 40), np.uint16))
        hdu.header["IMAGETYP"] = kind
        hdu.header["DATE-OBS"] = (start + timedelta(minutes=2 * k)).isoformat()
        hdu.writeto(path)
        paths.append(path)
    return paths


def test_a_report_goes_beside_the_frames_never_among_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lights = tmp_path / "lights"
    lights.mkdir()
    for stands, given in (
        (tmp_path, Path("lights")),
        (tmp_path, lights),
        (lights, Path()),
        (lights, Path("../lights")),
    ):
        monkeypatch.chdir(stands)
        assert (stands / report_beside(given)).resolve() == tmp_path / "lights-report"
    monkeypatch.chdir(tmp_path)
    assert report_beside(Path("s3://bucket/night")) == Path("night-report")
    (tmp_path / "best.txt").write_text("lights/a.fits\n")
    assert report_beside(Path("best.txt")) == Path("best-report")
    monkeypatch.setattr("os.access", lambda path, how: False)  # a card that may only be read
    monkeypatch.chdir(lights)
    assert report_beside(lights) == Path("lights-report")


def test_a_quick_look_takes_runs_of_frames_along_the_newest_night(tmp_path: Path) -> None:
    earlier = frames(tmp_path, FIRST - timedelta(days=3), 5)
    newest = frames(tmp_path, FIRST, 4 * RUNS * EACH + 1)
    flats = frames(tmp_path, FIRST + timedelta(hours=9), 2, "Flat")
    sample = newest_night([*flats, *newest[::-1], *earlier])
    assert sample.paths == (*newest[:6], *newest[33:39], *newest[-6:])
    assert sample.words == (
        "A quick look at 18 of 73 frames of the newest night, 12 September 2025: 6 in a row at its beginning, middle "
        "and end."
    )
    few = newest_night(newest[: RUNS * EACH])
    assert few.paths == tuple(newest[: RUNS * EACH])
    assert few.words == "A quick look at all 18 frames of the newest night, 12 September 2025."


@pytest.mark.parametrize("option", ["--out=x", "--open", "--stars", "--thumbnails", "--guiding=x"])
def test_a_quick_look_writes_no_report(tmp_path: Path, option: str) -> None:
    result = CliRunner().invoke(main.app, ["night", str(tmp_path), "--quick", option])
    assert "--quick prints its answer and writes no report" in str(result.exception)


@pytest.mark.parametrize("starts", [True, False])
def test_the_page_is_opened_or_said_to_be_closed(
    tmp_path: Path, starts: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened: list[str] = []
    monkeypatch.setattr("webbrowser.open", lambda address: [opened.append(address), starts][1])
    open_page(tmp_path / "my report.html")
    assert opened == [f"file://{tmp_path}/my%20report.html"]
    assert ("Open" in capsys.readouterr().err) != starts
