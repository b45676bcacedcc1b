"""Frames behind an address: the same numbers as those on disk, and sentences where the way there is shut."""

import functools
import http.server
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path, PurePath

import numpy as np
import pytest
from astropy.io import fits
from star_field import star_field

from framecheck.errors import UnusableFrame, UnusableRequest
from framecheck.field import FrameFailure, FrameResult
from framecheck.logbook import Logbook
from framecheck.pipeline import judge_night, measure_file, measure_night
from framecheck.read import Rig, at_hand, find_frames, find_others, is_remote, place_name
from framecheck.report.night_json import night_document

fsspec = pytest.importorskip("fsspec", reason="the extra 'remote' is not installed")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two lights and a note."""
    place = tmp_path_factory.mktemp("store") / "night"
    place.mkdir()
    for number in range(2):
        image, _ = star_field(n_stars=60, size=(500, 400), seed=11, read_noise_e=3.0 + 10 * number)
        header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "DATE-OBS": f"2026-02-03T21:1{number}:00"})
        fits.PrimaryHDU(image, header).writeto(place / f"light_{number}.fits")
    (place / "note.txt").write_text("clear")
    return place


@pytest.fixture
def bucket(folder: Path) -> Iterator[Path]:
    """The night in a store of objects, as s3 is one."""
    store = fsspec.filesystem("memory")
    store.store.clear()
    for path in folder.iterdir():
        store.pipe_file(f"/bucket/night/{path.name}", path.read_bytes())
    yield Path("memory://bucket/night")
    store.store.clear()


@pytest.fixture(scope="module")
def web(folder: Path) -> Iterator[str]:
    """The folder of the night behind a web server."""

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(Quiet, directory=folder.parent))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()
    thread.join()


@pytest.mark.parametrize(
    ("given", "address"),
    [
        ("s3://bucket/night", "s3://bucket/night"),
        ("https://host.example/a/b.fits", "https://host.example/a/b.fits"),
        ("file:///home/me/night", "file:///home/me/night"),
        ("memory://x/y", "memory://x/y"),
    ],
)
def test_an_address_survives_being_a_path(given: str, address: str) -> None:
    # RFC 3986, section 3: scheme "://" authority path
    assert is_remote(PurePath(given))
    assert place_name(PurePath(given)) == address
    assert place_name(PurePath(given) / "light.fits") == f"{address}/light.fits"


@pytest.mark.parametrize("given", ["night", "/home/me/s3:/x", "C:/night", "./s3", "a:b/c", ""])
def test_other_paths_are_no_addresses(given: str) -> None:
    assert not is_remote(PurePath(given))
    assert place_name(PurePath(given)) == PurePath(given).as_posix()


def same(one: FrameResult, other: FrameResult) -> bool:
    return one.shape == other.shape and np.array_equal(one.stars.table, other.stars.table)


def test_a_store_gives_what_the_disk_gives(bucket: Path, folder: Path) -> None:
    frames = find_frames(bucket)
    assert [place_name(path) for path in frames] == [
        "memory://bucket/night/light_0.fits", "memory://bucket/night/light_1.fits",
    ]  # fmt: skip
    assert [path.name for path, _ in find_others(bucket)] == ["note.txt"]
    with ThreadPoolExecutor(2) as threads:
        there = measure_night(frames, executor=threads)
        here = measure_night(find_frames(folder), executor=threads)
    assert there.failures == ()
    assert all(map(same, there.results, here.results))
    document = night_document(judge_night(bucket, there))
    assert document["source"]["folder"] == "memory://bucket/night"
    assert [frame["file"] for frame in document["frames"]] == ["light_0.fits", "light_1.fits"]


def test_the_logbook_knows_a_frame_of_a_store_until_it_is_written_again(bucket: Path, tmp_path: Path) -> None:
    frames = find_frames(bucket)
    with Logbook(tmp_path / "book.sqlite") as book, ThreadPoolExecutor(1) as thread:
        measure_night(frames, executor=thread, logbook=book)
        assert all(book.recall(path, Rig()) is not None for path in frames)
        assert [entry.folder for entry in book.folders()] == ["memory://bucket/night"]
        store = fsspec.filesystem("memory")
        store.pipe_file("/bucket/night/light_1.fits", store.cat_file("/bucket/night/light_0.fits"))
        assert [book.recall(path, Rig()) is not None for path in frames] == [True, False]


def test_a_list_on_the_web_names_frames_on_the_web_and_beside_it(web: str, folder: Path) -> None:
    (folder.parent / "list.txt").write_text(f"# two frames\nnight/light_1.fits\n\n{web}/night/light_0.fits\n")
    frames = find_frames(Path(f"{web}/list.txt"))
    assert [place_name(path) for path in frames] == [f"{web}/night/light_1.fits", f"{web}/night/light_0.fits"]
    outcome = measure_file(frames[1], Rig())
    expected = measure_file(folder / "light_0.fits", Rig())
    assert isinstance(outcome, FrameResult)
    assert isinstance(expected, FrameResult)
    assert same(outcome, expected)


def test_a_list_on_disk_names_frames_beside_it(folder: Path) -> None:
    (folder.parent / "frames.txt").write_text("night/light_1.fits\nnight/light_1.fits\n")
    assert find_frames(folder.parent / "frames.txt") == [folder / "light_1.fits"]
    assert find_others(folder.parent / "frames.txt") == []


def test_what_cannot_be_fetched_fails_alone_and_says_why(web: str, bucket: Path) -> None:
    for path in (Path(f"{web}/night/gone.fits"), bucket / "gone.fits"):
        outcome = measure_file(path, Rig())
        assert isinstance(outcome, FrameFailure)
        assert "is not there any more" in outcome.fault
    outcome = measure_file(Path("http://127.0.0.1:9/a.fits"), Rig())  # the discard port: nobody listens
    assert isinstance(outcome, FrameFailure)
    assert "cannot be fetched" in outcome.fault


def test_no_copy_is_left_behind(bucket: Path) -> None:
    with at_hand(bucket / "light_0.fits") as copy:
        assert copy.is_file()
    assert not copy.exists()
    assert not copy.parent.exists()


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("memory://empty/night", "there is nothing there"),
        ("nosuch://bucket/night", "no such kind of address"),
        ("http://127.0.0.1:9/night", "cannot be listed"),
        ("http://127.0.0.1:9/list.txt", "cannot be read"),
    ],
)
def test_a_folder_that_cannot_be_reached_is_told_in_a_sentence(address: str, said: str) -> None:
    with pytest.raises(UnusableRequest, match=said):
        find_frames(Path(address))


def test_without_the_extra_a_sentence_tells_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fsspec.core", None)
    with pytest.raises(UnusableRequest, match=r"pip install 'framecheck\[remote\]'"):
        find_frames(Path("s3://bucket/night"))
    with pytest.raises(UnusableFrame, match=r"pip install 'framecheck\[remote\]'"), at_hand(Path("s3://b/a.fits")):
        pass
