"""`framecheck sort` as it is typed: exit codes, help, and a process that is killed."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from framecheck.cli import main
from framecheck.logbook import VARIABLE

KILLED_AT = """
import os, signal, sys
from pathlib import Path
from framecheck.sort.carry_out import carry_out
from framecheck.sort.plan import plan_sort
from framecheck.logbook import Logbook
plan = plan_sort(Path(sys.argv[1]), Path(sys.argv[2]), None, "move")
book = Logbook(Path(os.environ["FRAMECHECK_LOGBOOK"]))
carry_out(plan, lambda done, total: os.kill(os.getpid(), signal.SIGKILL) if done == 2 else None, book)
"""


@pytest.fixture
def lights(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(VARIABLE, str(tmp_path / "book.sqlite"))
    folder = tmp_path / "my lights"
    folder.mkdir()
    for number in range(4):
        (folder / f"light {number}.fits").write_bytes(bytes([number]) * 5000)
    frames = [{"file": path.name, "grade": "keep"} for path in sorted(folder.iterdir())]
    (folder / "night.json").write_text(json.dumps({"frames": frames}))
    return folder


def code(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["framecheck", "sort", *words])
    with pytest.raises(SystemExit) as end:
        main.run()
    assert isinstance(end.value.code, int)
    return end.value.code


@pytest.mark.skipif(sys.platform == "win32", reason="Windows knows no such signal")
def test_a_killed_process_loses_nothing(lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = {path.name: path.read_bytes() for path in lights.iterdir()}
    into = tmp_path / "out"
    ended = subprocess.run([sys.executable, "-c", KILLED_AT, str(lights), str(into)], check=False, timeout=300)
    assert ended.returncode == -signal.SIGKILL
    assert len(list(lights.glob("*.fits"))) == 2
    assert code(monkeypatch, "--undo", str(into)) == 0
    assert {path.name: path.read_bytes() for path in lights.iterdir()} == before
    assert not into.exists()


def test_exit_codes_are_those_of_the_contract(
    lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "out")
    assert code(monkeypatch, str(lights), "--into", out, "--dry-run") == 0
    assert code(monkeypatch, str(lights), "--into", out, "--quiet") == 0
    assert code(monkeypatch, "--undo", "--into", out) == 0
    assert code(monkeypatch, "--undo", out) == 2
    assert code(monkeypatch, str(lights)) == 2
    assert code(monkeypatch, "--undo") == 2
    assert code(monkeypatch, str(lights), "--into", out, "--move", "--link") == 2
    assert code(monkeypatch, str(tmp_path / "none"), "--into", out) == 2
    (lights / "light 0.fits").unlink()
    assert code(monkeypatch, str(lights), "--into", out) == 1
    (lights / "night.json").write_text('{"frames": []}')
    assert code(monkeypatch, str(lights), "--into", out) == 3
    assert "Traceback" not in capsys.readouterr().err


def test_help_shows_an_example() -> None:
    said = CliRunner().invoke(main.app, ["sort", "--help"], env={"TERM": "dumb"}).output
    assert "Example: framecheck sort" in " ".join(said.split())


def test_a_link_among_the_frames_is_copied_whole_and_never_moved(
    lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = lights / "light 1.fits"
    (lights / "light 0.fits").unlink()
    (lights / "light 0.fits").symlink_to(real)
    out = tmp_path / "out"
    assert code(monkeypatch, str(lights), "--into", str(out), "--move") == 1
    assert code(monkeypatch, str(lights), "--into", str(out), "--quiet") == 0
    assert not (out / "keep" / "light 0.fits").is_symlink()
    assert (out / "keep" / "light 0.fits").read_bytes() == real.read_bytes()


@pytest.mark.skipif(sys.platform != "linux", reason="other systems take no such name")
def test_a_name_that_is_no_text_is_found_by_its_escapes(
    lights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    odd = lights / os.fsdecode(b"caf\xe9.fits")
    (lights / "light 0.fits").rename(odd)
    (lights / "night.json").write_text(json.dumps({"frames": [{"file": "caf\\xe9.fits", "grade": "keep"}]}))
    out = tmp_path / "out"
    assert code(monkeypatch, str(lights), "--into", str(out), "--move", "--yes", "--json") == 0
    assert (out / "keep" / odd.name).exists()
    assert code(monkeypatch, "--undo", str(out)) == 0
    assert odd.exists()
