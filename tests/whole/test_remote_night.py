"""`framecheck night` on frames behind an address: what the folder itself gives, but for its name."""

import json
from pathlib import Path

import pytest

from framecheck.cli.night_command import judge_folder, logbook_in_use
from framecheck.cli.workforce import Workforce
from framecheck.errors import UnusableRequest

pytest.importorskip("fsspec", reason="the extra 'remote' is not installed")
ONE = Workforce(workers=1)


def test_a_night_behind_an_address_is_judged_and_known_again(
    night_folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lights = night_folder / "lights"
    address = Path(f"file://{lights.as_posix()}")
    with logbook_in_use(tmp_path / "book.sqlite", without=False) as book:
        assert judge_folder(lights, tmp_path / "here", None, force=ONE, quiet=True) == 2
        assert judge_folder(address, tmp_path / "there", None, force=ONE, quiet=True, logbook=book) == 2
        capsys.readouterr()
        assert judge_folder(address, tmp_path / "there", None, force=ONE, logbook=book) == 2
    assert "Nothing has changed" in capsys.readouterr().out
    here, there = (json.loads((tmp_path / place / "night.json").read_text("utf-8")) for place in ("here", "there"))
    assert there["source"].pop("folder") == f"file://{lights.as_posix()}"
    here["source"].pop("folder")
    assert there == here


def test_a_report_goes_to_this_machine(night_folder: Path) -> None:
    with pytest.raises(UnusableRequest, match="written to this machine"):
        judge_folder(night_folder, Path("s3://bucket/report"), None)
