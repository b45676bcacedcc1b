"""The README's examples, run as a newcomer runs them."""

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from astropy import units as u
from astropy.io import fits
from astropy.table import Table
from small_night import FWHM_PX, N_STARS, draw_light, framecheck

README = Path(__file__).parents[2] / "README.md"
SIZE_PX = (FWHM_PX**2 - 2.3548**2 / 12) ** 0.5
"""Of stars drawn without their pixel: its variance of 1/12 px² is taken out of them (closed form for Gaussians)."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a night of four frames in `lights`."""
    folder = tmp_path_factory.mktemp("newcomer")
    for index in range(4):
        path = folder / "lights" / f"light_{index + 1:04d}.fits"
        draw_light(path, index)
        fits.setval(path, "INSTRUME", value="A camera")  # by which its rig is known again
        os.utime(path, (1_740_000_000, 1_740_000_000))
    return folder


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README.read_text(encoding="utf-8"), re.M | re.S)


def test_the_example_in_python_says_what_was_drawn(place: Path) -> None:
    (example,) = blocks("python")
    ended = subprocess.run(
        [sys.executable, "-W", "error", "-c", example],
        cwd=place,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert (ended.returncode, ended.stderr) == (0, "")
    said = ended.stdout.splitlines()
    n_stars, width, ratio = (float(number) for number in re.findall(r"\d+\.?\d*", said[0]))
    assert n_stars == pytest.approx(N_STARS, rel=0.1)
    assert width == pytest.approx(SIZE_PX, rel=0.03)
    assert ratio == pytest.approx(1.0, abs=0.03)
    rows = [line for line in said if line.startswith("light_")]
    assert [row.split()[:2] for row in rows] == [[f"light_{i:04d}.fits", "keep"] for i in range(1, 5)]
    assert any(line.startswith("better mount: ") for line in said)
    scale = next(line for line in said if line.startswith("Pixel scale"))
    assert float(scale.split()[-2]) == pytest.approx(206.264806 * 3.76 / 530, rel=1e-3)  # small angles, closed form
    stars = Table.read(place / "stars.ecsv")
    assert stars["fwhm_px"].unit == u.pix
    assert not stars["flags"].any()
    assert sorted(path.name for path in (place / "report").iterdir()) == ["frames.csv", "night.json", "report.html"]


def test_the_commands_lead_from_frames_to_sorted_frames(place: Path) -> None:
    lines = [line.split("#")[0].strip() for block in blocks("") for line in block.splitlines()]
    commands = [shlex.split(line) for line in lines if line.startswith("framecheck ")]
    assert [words[1] for words in commands] == ["night", "rig", "sort"]
    (place / "config").mkdir()
    home = {"XDG_CONFIG_HOME": str(place / "config")}
    first = framecheck("night", "lights", cwd=place)
    assert (first.code, first.err) == (0, "The report goes to lights-report; --out puts it elsewhere.\n")
    for words in commands:
        ended = framecheck(*words[1:], cwd=place, **home)
        assert (ended.code, ended.err) == (0, ""), words
    assert (place / "lights-report" / "report.html").is_file()
    assert len(list((place / "sorted" / "keep").iterdir())) == 4
    again = framecheck("night", "lights", "--quiet", cwd=place, **home)
    assert (again.code, again.out, again.err) == (0, "", "")
    rig = json.loads((place / "lights-report" / "night.json").read_text(encoding="utf-8"))["rig"]
    assert (rig["mount_type"], rig["from_saved_rig"]) == ("equatorial", ["guided", "mount_type"])


def test_a_report_takes_three_commands() -> None:
    (first,) = [block for block in blocks("") if "venv" in block]
    commands = first.strip().splitlines()
    assert len(commands) == 3
    assert "framecheck night lights --open" in commands[-1]
