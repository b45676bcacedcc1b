"""`framecheck compare` as a user runs it."""

import json
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

sys.path += [str(Path(__file__).parent.parent / room) for room in ("decision", "whole")]
from night_documents import write_night
from past_nights import night
from small_night import draw_dark, draw_light, framecheck

from framecheck.cli import main
from framecheck.cli.compare_command import comparison_lines
from framecheck.decision.compare import compare
from framecheck.report.look import Look


@pytest.fixture
def reports(tmp_path: Path) -> tuple[Path, Path]:
    before = write_night(night(seed=1, smear=1.2), tmp_path / "vor dem Umbau")
    return before, write_night(night(seed=2, days=3, smear=0.4), tmp_path / "après")


def said(*words: str | Path) -> str:
    result = CliRunner().invoke(main.app, ["compare", *map(str, words)], env={"TERM": "dumb", "COLUMNS": "200"})
    assert result.exit_code == 0, result.output
    return result.output


def test_the_answer_comes_first(reports: tuple[Path, Path]) -> None:
    lines = said(*reports).splitlines()
    assert lines[0] == "M 101, 15 September 2025, compared with M 101, 12 September 2025"
    assert lines[1].startswith("It helped: motion inside an exposure went from 1.1")
    assert "The same rig" in lines[2]
    assert any("motion inside an exposure" in line and "better: " in line for line in lines[6:])


def test_a_file_is_as_good_as_its_folder(reports: tuple[Path, Path]) -> None:
    assert said(*(folder / "night.json" for folder in reports)) == said(*reports)


def test_json_for_programs(reports: tuple[Path, Path]) -> None:
    document = json.loads(said(*reports, "--json"))
    assert document["reference"]["name"] == reports[0].name
    (one,) = document["comparisons"]
    assert one["figures"][0]["verdict"] == "better"


def test_a_comparison_tells_no_folder_of_the_machine_unless_asked(tmp_path: Path) -> None:
    """Two nights of one date and target are told apart by their folders: by as much of these as that takes."""
    nights = [
        write_night(night(n_frames=12, seed=k), tmp_path / name / "report")
        for k, name in enumerate(("before", "after"))
    ]
    picture = tmp_path / "change.svg"
    told = said(*nights) + said(*nights, "--json") + picture_of(*nights, picture)
    assert "before/report" in told
    assert str(tmp_path) not in told
    assert str(tmp_path) in said(*nights, "--absolute-paths")


def picture_of(first: Path, second: Path, picture: Path) -> str:
    said(first, second, "--picture", picture)
    return picture.read_text(encoding="utf-8")


def test_a_drift_that_was_cured_is_told_from_the_files(tmp_path: Path) -> None:
    before = write_night(night(seed=1, drift=(0.02, 1.5)), tmp_path / "before")
    after = write_night(night(seed=2, days=3), tmp_path / "after")
    (one,) = json.loads(said(before, after, "--json"))["comparisons"]
    (drift,) = [row for row in one["figures"] if row["figure"] == "drift"]
    assert drift["verdict"] == "better"
    assert drift["reference"]["value"] == pytest.approx(1.5, abs=0.05)


def test_the_picture_is_drawn_whole(reports: tuple[Path, Path], tmp_path: Path) -> None:
    said(*reports, "--picture", tmp_path / "change.svg")
    assert (tmp_path / "change.svg").read_text(encoding="utf-8").endswith("</svg>\n")
    assert [path.name for path in tmp_path.glob(".*")] == []


def test_no_line_is_wider_than_the_terminal() -> None:
    look = Look(width=100)
    lines = comparison_lines(compare([night(seed=1), night(seed=2, smear=2.0), night(seed=3)]), look)
    assert max(len(line) for text in lines for line in text.splitlines()) <= 100


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["a"], 2, "a comparison takes two nights or more"),
        (["a", "a/../a"], 2, "this night is given twice"),
        (["a", "nowhere"], 2, "nowhere: there is nothing of that name"),
        (["a", "empty"], 3, "empty holds neither a night.json nor a FITS file"),
        (["a", "b", "--picture", "out.pdf"], 2, "--picture draws an .svg"),
        (["a", "broken.json"], 2, "broken.json: this isn't a complete night.json"),
        (["a", "bare", "--picture", "out.svg"], 2, "there is nothing to draw"),
    ],
)
def test_bad_input_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], words: list[str], code: int,
    told: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    for name in ("a", "b"):
        write_night(night(seed=ord(name)), tmp_path / name)
    write_night(night(n_frames=3), tmp_path / "bare")
    document = json.loads((tmp_path / "bare" / "night.json").read_text())
    for key in ("tracking", "charts", "budget", "field_stretches"):
        document[key] = None
    (tmp_path / "bare" / "night.json").write_text(json.dumps(document))
    (tmp_path / "empty").mkdir()
    (tmp_path / "broken.json").write_text("{")
    monkeypatch.setattr(sys, "argv", ["framecheck", "compare", *words])
    with pytest.raises(SystemExit) as ended:
        main.run()
    assert ended.value.code == code
    err = capfd.readouterr().err
    assert told in err
    assert "Traceback" not in err
    assert not list(tmp_path.glob("out.*"))


def test_frames_are_judged_where_there_is_no_report(tmp_path: Path) -> None:
    report = write_night(night(seed=1), tmp_path / "report")
    for index in range(3):
        draw_light(tmp_path / "lights" / f"light_{index}.fits", index)
    ended = framecheck("compare", report, tmp_path / "lights", "--json")
    assert ended.code == 0, ended.err
    (one,) = json.loads(ended.out)["comparisons"]
    assert one["night"]["n_frames"] == 3
    assert one["same_rig"] is True
    assert sorted(path.name for path in (tmp_path / "lights").iterdir()) == [f"light_{k}.fits" for k in range(3)]
    (tmp_path / "darks").mkdir()
    draw_dark(tmp_path / "darks" / "dark.fits")
    ended = framecheck("compare", report, tmp_path / "darks")
    assert ended.code == 3
    assert "holds no light frames" in ended.err
