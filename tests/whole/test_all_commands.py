"""What holds for every command: awkward names, quietness, JSON, exit codes, colour, completion."""

import json
import os
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath

import pytest
from small_night import RUN, draw_light, framecheck

from framecheck.words import path_in

RED_OR_BOLD = "\x1b["
"""How an ANSI escape for colour begins (ECMA-48)."""

QUOTES = "" if os.name == "nt" else "\"'"
"""Signs that names may hold where the system allows it."""


@dataclass(frozen=True, kw_only=True)
class Place:
    """A night whose names have spaces, accents and quotes, and where its report, rig and logbook go."""

    lights: Path
    frame: Path
    report: Path
    rig: Path
    logbook: Path


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Place:
    """Three lights, judged once into `report`; the rig file says what the header does."""
    folder = tmp_path_factory.mktemp("nuit") / f"La nuit {QUOTES}d'été, 1er août"
    lights = folder / f"lumières {QUOTES}de Véga"
    names = [f"Véga {QUOTES}no {index}, été.fits" for index in range(3)]
    for index, name in enumerate(names):
        draw_light(lights / name, index)
        os.utime(lights / name, (1_740_000_000, 1_740_000_000))
    made = Place(
        lights=lights, frame=lights / names[0], report=folder / f"rapport {QUOTES}final", rig=folder / "mon rig é.toml",
        logbook=folder / "carnet d'hiver.sqlite",
    )  # fmt: skip
    rig = framecheck("rig", made.frame, "--into", made.rig)
    assert (rig.code, rig.err) == (0, "")
    night = framecheck(
        "night", lights, "--out", made.report, "--rig", made.rig, "--logbook", made.logbook, "--workers", "1", "--quiet"
    )
    assert (night.code, night.out, night.err) == (0, "", "")  # quiet says nothing where all is well
    return made


def test_night_names_the_files_as_they_are(place: Place) -> None:
    document = json.loads((place.report / "night.json").read_text(encoding="utf-8"))
    assert [frame["file"] for frame in document["frames"]] == sorted(path.name for path in place.lights.iterdir())
    assert document["source"]["folder"] == place.lights.name


def test_frame_and_rig_name_the_file_in_their_json(place: Place) -> None:
    frame = framecheck("frame", place.frame, "--rig", place.rig, "--json")
    assert (frame.code, frame.err) == (0, "")
    assert json.loads(frame.out)["file"] == place.frame.as_posix()
    rig = framecheck("rig", place.frame, "--json")
    assert (rig.code, rig.err) == (0, "")
    told = json.loads(rig.out)
    assert told["file"] == place.frame.as_posix()
    assert told["into"] is None
    assert told["rig"]["optics"] == {"focal_length_mm": 530.0}  # what small_night's headers hold
    assert told["rig"]["camera"]["pixel_um"] == 3.76


def test_rig_says_how_to_give_its_file_to_a_shell(place: Place, tmp_path: Path) -> None:
    into = tmp_path / f"mon rig {QUOTES}nouveau.toml"
    said = framecheck("rig", place.frame, "--into", into).out
    assert into.is_file()
    if os.name != "nt":
        assert shlex.split(said.split("with --rig ")[1]) == [str(into)]
    again = framecheck("rig", place.frame, "--into", tmp_path / "zweite Ausrüstung.toml", "--quiet")
    assert (again.code, again.out, again.err) == (0, "", "")


def test_advise_and_plan_take_the_rig(place: Place) -> None:
    common = ("--logbook", place.logbook, "--json")
    advice = framecheck("advise", place.lights, "--rig", place.rig, *common, "--workers", "1")
    assert (advice.code, advice.err) == (0, "")
    assert json.loads(advice.out)["mount_decision"]["answer"]
    plan = framecheck("plan", "--rig", place.rig, "--json")
    assert (plan.code, plan.err) == (0, "")
    assert "530" in plan.out


def test_sort_there_and_back(place: Place, tmp_path: Path) -> None:
    into = tmp_path / f"triées {QUOTES}ici"
    words = ("sort", place.lights, "--into", into, "--by", place.report)
    said = framecheck(*words, "--dry-run")
    assert (said.code, said.err) == (0, "")
    assert not into.exists()
    done = framecheck(*words, "--json", "--logbook", tmp_path / "book")
    assert (done.code, done.err) == (0, "")
    targets = [into / one["target"] for one in json.loads(done.out)["frames"]]
    assert sorted(path.name for path in targets) == sorted(path.name for path in place.lights.iterdir())
    assert all(path.is_file() for path in targets)
    back = framecheck("sort", "--undo", into, "--quiet", "--logbook", tmp_path / "book")
    assert (back.code, back.out, back.err) == (0, "", "")
    assert not any(path.exists() for path in targets)


def test_logbook_lists_exports_and_forgets(place: Place, tmp_path: Path) -> None:
    own = tmp_path / "copie é.sqlite"
    shutil.copy(place.logbook, own)
    listed = json.loads(framecheck("logbook", "--logbook", own, "--json").out)
    assert listed["logbook"] == str(own)
    assert [Path(one["folder"]) for one in listed["folders"]] == [place.lights]
    table = tmp_path / "tout l'été.csv"
    wrong = framecheck("logbook", "--logbook", own, "--forget-older", "0", "--export", tmp_path / "été.txt")
    assert wrong.code == 2
    assert ".parquet or .csv" in wrong.err
    quiet = framecheck("logbook", "--logbook", own, "--export", table, "--quiet")
    assert (quiet.code, quiet.out, quiet.err) == (0, "", "")
    assert table.read_text(encoding="utf-8").count("Véga") >= 3  # nothing was forgotten for a wrong name


def test_demo_judges_what_is_there_already(place: Place, tmp_path: Path) -> None:
    into = tmp_path / f"démo {QUOTES}d'août"
    shutil.copytree(place.lights, into / "frames")
    (into / "truth.json").write_text("{}")  # the last thing that rendering writes: the night is whole
    ended = framecheck("demo", "--into", into, "--json")
    assert (ended.code, ended.err) == (0, "")
    assert json.loads(ended.out) == json.loads((into / "report" / "night.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("plan", "--seeing", "2.5"), 0),
        (("frame", "FRAME", "nowhere.fits"), 1),
        (("nights",), 2),
        (("plan", "--seeing", "wide"), 2),
        (("night", "FRAME", "--out", "report"), 2),
        (("sort", "nowhere", "--into", "x"), 2),
        (("sort", "--undo", "nowhere"), 2),
        (("logbook", "--logbook", "nowhere.sqlite"), 2),
        (("frame", "nowhere.fits"), 3),
        (("rig", "nowhere.fits"), 3),
        (("advise", "EMPTY"), 3),
        (("night", "EMPTY", "--out", "report"), 3),
    ],
)
def test_exit_codes_are_those_of_the_contract(words: tuple[str, ...], code: int, place: Place, tmp_path: Path) -> None:
    # 0 done; 1 some files could not be measured; 2 wrong usage; 3 nothing measurable: the contract of what is written
    empty = tmp_path / "empty"
    empty.mkdir()
    stand_for = {"FRAME": str(place.frame), "EMPTY": str(empty)}
    ended = framecheck(*(stand_for.get(word, word) for word in words), cwd=tmp_path)
    assert ended.code == code, ended.err
    assert "Traceback" not in ended.err
    assert (ended.err == "") == (code == 0)
    assert not (tmp_path / "report").exists()


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals are a thing of POSIX")
@pytest.mark.parametrize("words", [("frame", "FRAME"), ("plan", "--seeing", "2.5"), ("logbook", "--logbook", "BOOK")])
def test_colour_is_for_terminals_that_want_it(words: tuple[str, ...], place: Place) -> None:
    stand_for = {"FRAME": str(place.frame), "BOOK": str(place.logbook)}
    given = [stand_for.get(word, word) for word in words]
    assert RED_OR_BOLD in on_terminal(given, TERM="xterm")
    assert RED_OR_BOLD not in on_terminal(given, TERM="xterm", NO_COLOR="1")  # no-color.org
    assert RED_OR_BOLD not in on_terminal(given, TERM="dumb")
    assert RED_OR_BOLD not in framecheck(*given).out


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals are a thing of POSIX")
def test_a_dumb_terminal_gets_no_progress_that_it_cannot_take_back(place: Place, tmp_path: Path) -> None:
    words = ["night", str(place.lights), "--out", str(tmp_path / "out"), "--workers", "1"]
    assert "\x1b[K" in on_terminal(words, TERM="xterm")
    assert "\x1b" not in on_terminal(words, TERM="dumb")


def on_terminal(words: list[str], **environment: str) -> str:
    """All that a command shows on a terminal."""
    import pty

    ours, theirs = pty.openpty()
    settings = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "TERM")}
    program = [sys.executable, "-c", RUN, *words]
    with subprocess.Popen(program, stdout=theirs, stderr=theirs, env=settings | environment) as process:
        os.close(theirs)
        shown = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # Linux says so when nobody holds the other end any more
                break
            if not part:
                break
            shown += part
    os.close(ours)
    assert process.returncode == 0, shown
    return shown.decode()


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The command under the name that it is installed by."""
    file = tmp_path_factory.mktemp("bin") / "framecheck"
    file.write_text(f"#!{sys.executable}\nfrom framecheck.cli.main import run\nrun()\n")
    file.chmod(0o755)
    return file


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        (("framecheck", "nig"), {"night"}),
        (("framecheck", "night", "--ai"), {"--aim"}),
        (("framecheck", "night", "--aim", "d"), {"depth", "detail"}),
        (("framecheck", "plan", "--mount", "eq"), {"equatorial"}),
    ],
)
def test_bash_completes_commands_options_and_words(typed: tuple[str, ...], offered: set[str], program: Path) -> None:
    script = subprocess.run(
        [program], env=os.environ | {"_FRAMECHECK_COMPLETE": "source_bash"}, capture_output=True, text=True, check=True
    ).stdout
    asked = f"""{script}
COMP_WORDS=({shlex.join(typed)}); COMP_CWORD={len(typed) - 1}
_framecheck_completion framecheck; printf '%s\\n' "${{COMPREPLY[@]}}"
"""
    path = f"{program.parent}{os.pathsep}{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", asked], env=os.environ | {"PATH": path}, capture_output=True, text=True, check=False
    )
    assert set(done.stdout.split()) == offered, done.stderr


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_help_tells_of_completion_and_each_shell_gets_its_script(shell: str, program: Path) -> None:
    assert "--install-completion" in framecheck("--help").out
    done = subprocess.run(
        [program],
        env=os.environ | {"_FRAMECHECK_COMPLETE": f"source_{shell}"},
        capture_output=True,
        text=True,
        check=True,
    )
    assert "_FRAMECHECK_COMPLETE=complete_" + shell in done.stdout


def test_windows_paths_are_told_with_forward_slashes() -> None:
    folder = PureWindowsPath(r"C:\Users\Zoë Müller\astro\März 3")
    assert path_in(folder, folder / "été 1" / "light 1.fits") == "été 1/light 1.fits"  # type: ignore[arg-type]
    other = PureWindowsPath(r"D:\elsewhere\light 1.fits")
    assert path_in(folder, other) == "D:/elsewhere/light 1.fits"  # type: ignore[arg-type]
