"""The files of a report on a disk that fails at each call, or under a process killed there: one whole set, or none."""

import os
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))
from failing import arm

from framecheck.errors import UnusableRequest
from framecheck.report.publish import Fill, prepare_folder, publish

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="fork, signals and /proc")

SET = ("night.json", "frames.csv", "report.html")
WELL, REFUSED, KILLED = 0, 4, -9
WAYS = [("EIO", False), ("killed before", False), ("ENOSPC", True)]


def filled(text: bytes) -> dict[str, Fill]:
    return {name: lambda file: file.write(text) for name in SET}


def in_child(out: Path, moment: int, how: str, lasts: bool) -> tuple[int, bool]:
    """How a process ended that publishes a new set, and whether it met the failure."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        code = 70
        try:
            arm(out.parent, moment, how, lasts=lasts, report=writing)
            prepare_folder(out)
            publish(out, filled(b"new"))
            code = WELL
        except UnusableRequest:
            code = REFUSED
        finally:
            os._exit(code)
    os.close(writing)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    met = os.read(reading, 1) == b"x"
    os.close(reading)
    return code, met


@pytest.mark.parametrize(("how", "lasts"), WAYS)
def test_a_set_is_whole_or_as_it_was_wherever_the_disk_fails(how: str, lasts: bool, tmp_path: Path) -> None:
    for moment in range(1, 200):
        out = tmp_path / f"{moment}" / "out"
        out.mkdir(parents=True)
        publish(out, filled(b"old"))
        code, met = in_child(out, moment, how, lasts)
        assert code in (WELL, REFUSED, KILLED), (moment, code)
        found = {path.name: path.read_bytes() for path in out.glob("[!.]*")}
        assert len(set(found.values())) <= 1, (moment, found)
        assert "report.html" not in found or set(found) == set(SET), (moment, found)
        if code != KILLED and not lasts:  # on a disk that takes nothing more, nothing can be put back either
            assert set(found) == set(SET), (moment, found)
            assert (found["report.html"] == b"new") == (code == WELL), moment
        publish(out, filled(b"third"))
        left = {path.name for path in out.iterdir() if not path.name.endswith(".new")}
        assert left == set(SET), (moment, left)
        if not met:
            assert code == WELL
            return
    pytest.fail("it never got through")


def test_what_a_night_left_behind_is_gone_when_the_next_begins(tmp_path: Path) -> None:
    """Also where the next night is the same and has nothing to write."""
    left = tmp_path / ".framecheck-abc.part"
    left.mkdir()
    (left / "night.json").write_text("half")
    prepare_folder(tmp_path)
    assert list(tmp_path.iterdir()) == []
