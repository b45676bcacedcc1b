"""Exit codes, sentences and help of the command line."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from framecheck._version import __version__
from framecheck.cli import main
from framecheck.errors import CannotFinish, NothingMeasured, UnusableRequest, UnusableRig

COMMANDS = ("night", "advise", "plan", "watch", "sort", "logbook", "frame", "rig", "demo")


def invoke(*words: str) -> str:
    result = CliRunner().invoke(main.app, words, env={"TERM": "dumb"})
    assert result.exit_code == 0, result.output
    return result.output


def ended(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    """Exit code of the whole command line."""
    monkeypatch.setattr(sys, "argv", ["framecheck", *words])
    with pytest.raises(SystemExit) as end:
        main.run()
    assert isinstance(end.value.code, int)
    return end.value.code


def failing(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    def fail(*args: object, **kwargs: object) -> None:
        raise error

    monkeypatch.setattr("framecheck.cli.frame_command.account_for_frames", fail)


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_shows_an_example(command: str) -> None:
    assert f"Example: framecheck {command}" in " ".join(invoke(command, "--help").split())


def test_the_front_help_lists_the_commands_whole() -> None:
    said = invoke("--help")
    assert "Example: framecheck night" in said
    for command in COMMANDS:
        assert re.search(rf"^  {command} +\w", said, flags=re.MULTILINE)
    assert "..." not in said.split("Commands:")[1]


def test_version() -> None:
    assert invoke("--version").strip() == f"framecheck {__version__}"


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (UnusableRequest("there is no such folder."), 2, "framecheck: there is no such folder."),
        (UnusableRig("rig.toml, line 3: no."), 2, "framecheck: rig.toml, line 3: no."),
        (NothingMeasured("no frame could be measured."), 3, "framecheck: no frame could be measured."),
        (PermissionError(13, "Permission denied", "/a/b"), 4, "framecheck: /a/b: Permission denied."),
        (CannotFinish("out: the disk is full."), 4, "framecheck: out: the disk is full."),
        (MemoryError(), 4, "framecheck: there is too little memory for this."),
        (KeyboardInterrupt(), 130, "framecheck: stopped; no half-written file was left."),
        (UnusableRequest("bell \x07 and \x1b[2J"), 2, "framecheck: bell \\x07 and \\x1b[2J"),
    ],
)
def test_each_failure_ends_as_one_line(
    error: BaseException,
    code: int,
    words: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    failing(monkeypatch, error)
    assert ended(monkeypatch, "frame", "a.fits") == code
    said = capsys.readouterr().err
    assert said.startswith(words)
    assert said.count("\n") == 1


def test_a_file_that_may_not_be_read_is_no_wrong_usage(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Whoever measures it says so, as of every frame; the contract keeps 2 for wrong words."""
    (tmp_path / "a.fits").write_bytes(b"")
    (tmp_path / "a.fits").chmod(0)
    monkeypatch.setattr(os, "access", lambda path, mode, **_: False)
    assert ended(monkeypatch, "frame", str(tmp_path / "a.fits")) == 3
    assert "Usage" not in capsys.readouterr().err


def test_a_fault_of_ours_is_owned_in_one_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("FRAMECHECK_TRACEBACK", raising=False)
    failing(monkeypatch, AttributeError("no attribute 'x'"))
    assert ended(monkeypatch, "frame", "a.fits") == 70
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert re.match(r"framecheck: this is a fault of framecheck, .*AttributeError at \w+\.py, line \d+: no attr", said)
    monkeypatch.setenv("FRAMECHECK_TRACEBACK", "1")
    assert ended(monkeypatch, "frame", "a.fits") == 70
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ("nihgt",),
        ("night",),
        ("night", "here"),
        ("night", "here", "--out", "there", "--aim", "beauty"),
        ("night", "here", "--out", "there", "--workers", "0"),
        ("frame",),
        ("frame", "--jsn", "a.fits"),
    ],
)
def test_wrong_words_are_exit_code_2(
    words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert ended(monkeypatch, *words) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_help_starts_fast() -> None:
    heavy = ["numpy", "scipy", "astropy", "photutils", "skimage", "matplotlib", "jinja2", "pyarrow", "rich"]
    script = (
        "import sys; from framecheck.cli import main; sys.argv = ['framecheck', 'night', '--help']\n"
        "try: main.run()\nexcept SystemExit: pass\n"
        f"print('LOADED', [name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, env=os.environ | {"TERM": "dumb"}
    )
    assert done.stdout.strip().endswith("LOADED []")


def test_a_rig_file_is_never_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = tmp_path / "rig.toml"
    mine.write_text("gain_e_per_adu = 0.77\n")
    assert ended(monkeypatch, "rig", str(tmp_path / "none.fits"), "--into", str(mine)) == 2
    assert "your own values are not overwritten" in capsys.readouterr().err
    assert mine.read_text() == "gain_e_per_adu = 0.77\n"


def test_a_reader_that_leaves_early_is_no_error(tmp_path: Path) -> None:
    script = (
        "from framecheck.cli.terminal import say\n"
        "for _ in range(20000): say('a line that is long enough to fill the pipe')"
    )
    with subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == ""
    assert process.returncode == 0
