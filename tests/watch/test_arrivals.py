"""Files as they arrive: at rest, growing, rewritten, gone."""

import os
from pathlib import Path

import pytest

from framecheck.errors import UnusableRequest
from framecheck.watch.arrivals import STILL_S, Stamp, Waiting, at_rest, look, still_waiting

A, B = Path("a.fits"), Path("b.fits")


def grown(*sizes: int, step_s: float = 1.0) -> list[bool]:
    """Whether a file counts as at rest, look by look, as its size goes through these values."""
    waiting: dict[Path, Waiting] = {}
    rested = []
    for k, size in enumerate(sizes):
        waiting = still_waiting({A: Stamp(size, size)}, {}, waiting, k * step_s)
        rested.append(bool(at_rest(waiting, k * step_s)))
    return rested


def test_a_file_is_at_rest_when_it_has_not_changed_for_a_while() -> None:
    assert STILL_S == 2.0
    assert grown(1, 2, 3, 4, 5) == [False] * 5
    assert grown(1, 2, 3, 3, 3, 3) == [False, False, False, False, True, True]


def test_a_file_whose_time_changes_is_not_at_rest() -> None:
    first = still_waiting({A: Stamp(5, 1)}, {}, {}, 0.0)
    assert at_rest(first, 10.0) == [A]
    touched = still_waiting({A: Stamp(5, 2)}, {}, first, 10.0)
    assert at_rest(touched, 10.0) == []


def test_a_file_once_read_waits_no_more_until_it_is_rewritten() -> None:
    seen = Stamp(5, 1)
    assert still_waiting({A: seen}, {A: seen}, {}, 0.0) == {}
    assert set(still_waiting({A: Stamp(5, 2)}, {A: seen}, {}, 0.0)) == {A}
    assert still_waiting({}, {A: seen}, {A: Waiting(stamp=seen, since_s=0.0)}, 0.0) == {}


def test_that_a_file_was_named_is_remembered_while_it_grows() -> None:
    named = {A: Waiting(stamp=Stamp(5, 1), since_s=0.0, is_named=True)}
    assert still_waiting({A: Stamp(6, 2)}, {}, named, 100.0)[A] == Waiting(
        stamp=Stamp(6, 2), since_s=100.0, is_named=True
    )


def test_files_are_read_in_the_order_in_which_they_were_written() -> None:
    waiting = still_waiting({A: Stamp(5, 200), B: Stamp(5, 100)}, {}, {}, 0.0)
    assert at_rest(waiting, STILL_S) == [B, A]


def test_a_look_sees_frames_below_the_folder_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "Ha").mkdir()
    for name in ("a.fits", "Ha/b.FIT.fz", "notes.txt", ".hidden.fits", "a.fits.part"):
        (tmp_path / name).write_bytes(b"12345")
    os.utime(tmp_path / "a.fits", ns=(7, 9))
    seen = look(tmp_path)
    assert sorted(path.name for path in seen) == ["a.fits", "b.FIT.fz"]
    assert seen[tmp_path / "a.fits"] == Stamp(5, 9)
    with pytest.raises(UnusableRequest, match="there is no such folder"):
        look(tmp_path / "none")


def test_a_frame_that_gets_a_second_name_keeps_its_first(tmp_path: Path) -> None:
    known = tmp_path / "light_2.fits"
    known.write_bytes(b"frame")
    assert set(look(tmp_path)) == {known}
    (tmp_path / "a_copy.fits").hardlink_to(known)
    (tmp_path / "b_link.fits").symlink_to(known)
    assert set(look(tmp_path)) == {tmp_path / "a_copy.fits"}
    assert set(look(tmp_path, {known})) == {known}
    known.unlink()
    assert set(look(tmp_path, {known})) == {tmp_path / "a_copy.fits"}
