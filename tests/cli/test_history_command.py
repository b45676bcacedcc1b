"""`framecheck history` as a user runs it, over reports and over the logbook that `framecheck night` writes."""

import json
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

sys.path += [str(Path(__file__).parent.parent / room) for room in ("decision", "whole")]
from night_documents import document_of, write_night
from past_nights import night
from small_night import draw_light, framecheck

from framecheck.cli import main
from framecheck.logbook import Logbook


def said(*words: str | Path, **environment: str) -> str:
    result = CliRunner().invoke(
        main.app, ["history", *map(str, words)], env={"TERM": "dumb", "COLUMNS": "200", **environment}
    )
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture
def reports(tmp_path: Path) -> list[Path]:
    return [
        write_night(night(seed=k, days=12 * k, causes=("periodic-error",)), tmp_path / f"night {k}") for k in range(4)
    ]


def test_the_nights_stand_in_order(reports: list[Path]) -> None:
    lines = said(*reversed(reports)).splitlines()
    assert lines[0] == "530 mm, aperture 106 mm, pixels of 3.76 µm, mount: equatorial"
    assert lines[1].startswith("4 nights, 12 September 2025 to 18 October 2025: 16 h shot")
    nights = lines[lines.index("The nights") + 2 :][:4]
    assert [line.split()[0] for line in nights] == ["2025-09-12", "2025-09-24", "2025-10-06", "2025-10-18"]
    assert all(line.endswith("periodic error") for line in nights)
    assert "  Periodic error on 4 of 4 nights (40 % to 100 % of such nights): it comes back" in "\n".join(lines)


def test_page_and_document_are_written(reports: list[Path], tmp_path: Path) -> None:
    said(*reports, "--out", tmp_path / "out")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["history.html", "history.json"]
    document = json.loads((tmp_path / "out" / "history.json").read_text(encoding="utf-8"))
    assert document == json.loads(said(*reports, "--json"))
    assert len(document["rigs"][0]["nights"]) == 4


def test_a_history_tells_no_folder_of_the_machine(reports: list[Path], tmp_path: Path) -> None:
    with Logbook(tmp_path / "book.sqlite") as book:
        book.record_night(document_of(night(seed=9, days=60)) | {"source": {"folder": str(tmp_path)}})
    words = (*reports, "--logbook", tmp_path / "book.sqlite", "--out", tmp_path / "out")
    told = said(*words).replace(f"Open {tmp_path}", "")  # where this user finds it
    told += "".join(path.read_text(encoding="utf-8") for path in (tmp_path / "out").iterdir())
    assert "periodic" in told
    assert str(tmp_path) not in told


def test_reports_and_a_named_logbook_are_told_together(reports: list[Path], tmp_path: Path) -> None:
    file = tmp_path / "book.sqlite"
    with Logbook(file) as book:
        book.record_night(document_of(night(seed=0, n_frames=120)))  # the first report's night once more
        book.record_night(document_of(night(seed=9, days=60)))
    assert said("--logbook", file).splitlines()[1].startswith("2 nights")
    assert said(*reports, "--logbook", file).splitlines()[1].startswith("5 nights")


def test_what_night_judges_is_in_the_history(tmp_path: Path) -> None:
    for index in range(3):
        draw_light(tmp_path / "lights" / f"light_{index}.fits", index)
    file = tmp_path / "book.sqlite"
    ended = framecheck("night", tmp_path / "lights", "--out", tmp_path / "report", "--logbook", file)
    assert ended.code == 0, ended.err
    (rig,) = json.loads(said("--logbook", file, "--json"))["rigs"]
    (found,) = rig["nights"]
    assert (found["n_frames"], found["taken_s"], found["targets"]) == (3, 180.0, ["Test field"])


def test_a_night_of_the_logbook_that_cannot_be_does_not_keep_the_others_back(tmp_path: Path) -> None:
    file = tmp_path / "book.sqlite"
    with Logbook(file) as book:
        book.record_night(document_of(night(n_frames=12)))
        odd = document_of(night(n_frames=12, days=9))
        odd["frames"][0]["fwhm_px"] = 1e300
        book.record_night(odd)
    told = said("--logbook", file)
    assert "1 night, 12 September 2025" in told
    assert "fwhm_px is 1e+300, which cannot be." in told
    assert "That night is left out." in told


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["nowhere"], 2, "nowhere: there is no night.json"),
        (["--logbook", "none.sqlite"], 2, "none.sqlite: there is no logbook yet"),
        (["--logbook", "empty.sqlite"], 3, "no judged night is in the logbook yet"),
        (["--logbook", "text.sqlite"], 2, "the file is no logbook"),
        ([], 2, "the environment asks for no logbook"),
        (["timeless"], 3, "none of these nights says when"),
        (["good", "--out", "text.sqlite"], 2, "cannot be written"),
    ],
)
def test_bad_input_is_a_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], words: list[str], code: int,
    told: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    Logbook(tmp_path / "empty.sqlite").close()
    (tmp_path / "text.sqlite").write_text("no database " * 100)
    write_night(night(), tmp_path / "good")
    timeless = document_of(night())
    for row in timeless["frames"]:
        row["start_utc"] = None
    (tmp_path / "timeless").mkdir()
    (tmp_path / "timeless" / "night.json").write_text(json.dumps(timeless))
    monkeypatch.setattr(sys, "argv", ["framecheck", "history", *words])
    with pytest.raises(SystemExit) as ended:
        main.run()
    assert ended.value.code == code
    err = capfd.readouterr().err
    assert told in err
    assert "Traceback" not in err
