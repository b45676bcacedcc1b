"""A night in a store that speaks the S3 protocol, read through the client that people use (s3fs).

The store is our own small one, after the published API (Amazon Simple Storage Service API Reference, 2006-03-01):
ListObjectsV2, HeadObject, GetObject with ranges. Signatures are not checked.
"""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from hashlib import md5
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from urllib.parse import parse_qs, unquote, urlsplit
from xml.sax.saxutils import escape

import pytest
from astropy.io import fits
from star_field import star_field

from framecheck.errors import UnusableRequest
from framecheck.field import FrameResult
from framecheck.logbook import Logbook
from framecheck.pipeline import measure_file, measure_night
from framecheck.read import Rig, find_frames

s3fs = pytest.importorskip("s3fs", reason="the extra 'remote' is not installed")

BUCKET = "store"


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    objects: dict[str, bytes]

    def do_HEAD(self) -> None:
        self._answer(with_body=False)

    def do_GET(self) -> None:
        self._answer(with_body=True)

    def _answer(self, *, with_body: bool) -> None:
        parts = urlsplit(self.path)
        bucket, _, key = unquote(parts.path).lstrip("/").partition("/")
        query = {name: values[0] for name, values in parse_qs(parts.query, keep_blank_values=True).items()}
        if bucket != BUCKET:
            self._send(404, b"<Error><Code>NoSuchBucket</Code></Error>", with_body, {"Content-Type": "application/xml"})
        elif not key:
            self._send(200, self._listing(query), with_body, {"Content-Type": "application/xml"})
        elif key not in self.objects:
            self._send(404, b"<Error><Code>NoSuchKey</Code></Error>", with_body, {"Content-Type": "application/xml"})
        else:
            content, status = self.objects[key], 200
            tag = {"ETag": f'"{md5(content).hexdigest()}"', "Last-Modified": "Mon, 03 Feb 2025 21:10:00 GMT"}
            if wanted := self.headers.get("Range"):
                first, _, last = wanted.removeprefix("bytes=").partition("-")
                end = min(int(last) + 1 if last else len(content), len(content))
                tag["Content-Range"] = f"bytes {first}-{end - 1}/{len(content)}"
                content, status = content[int(first) : end], 206
            self._send(status, content, with_body, tag)

    def _listing(self, query: dict[str, str]) -> bytes:
        prefix, delimiter = query.get("prefix", ""), query.get("delimiter", "")
        rows, folders = [], set()
        for key in sorted(key for key in self.objects if key.startswith(prefix)):
            below, found, _ = key[len(prefix) :].partition(delimiter) if delimiter else (key, "", "")
            if found:
                folders.add(prefix + below + delimiter)
                continue
            content = self.objects[key]
            rows.append(
                f"<Contents><Key>{escape(key)}</Key><LastModified>2025-02-03T21:10:00.000Z</LastModified>"
                f"<ETag>&quot;{md5(content).hexdigest()}&quot;</ETag><Size>{len(content)}</Size>"
                "<StorageClass>STANDARD</StorageClass></Contents>"
            )
        rows += [f"<CommonPrefixes><Prefix>{escape(folder)}</Prefix></CommonPrefixes>" for folder in sorted(folders)]
        return (
            '<?xml version="1.0" encoding="UTF-8"?><ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/">'
            f"<Name>{BUCKET}</Name><Prefix>{escape(prefix)}</Prefix><KeyCount>{len(rows)}</KeyCount>"
            f"<MaxKeys>1000</MaxKeys><IsTruncated>false</IsTruncated>{''.join(rows)}</ListBucketResult>"
        ).encode()

    def _send(self, status: int, content: bytes, with_body: bool, headers: dict[str, str]) -> None:
        self.send_response(status)
        for name, value in (headers | {"Content-Length": str(len(content))}).items():
            self.send_header(name, value)
        self.end_headers()
        if with_body:
            self.wfile.write(content)

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def store_of(objects: dict[str, bytes]) -> Iterator[str]:
    """The address of a store that holds these objects; `objects` may change meanwhile."""
    handler = type("Handler", (_Handler,), {"objects": objects})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@pytest.fixture
def objects(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, bytes]]:
    """What the store holds: two lights, one of them in a folder of its own, and a note."""
    held = {"night/note.txt": b"clear"}
    for number, place in enumerate(("night/light_0.fits", "night/later/light 1.fits")):
        image, _ = star_field(n_stars=60, size=(500, 400), seed=11, read_noise_e=3.0 + 10 * number)
        header = fits.Header({"IMAGETYP": "Light Frame", "EXPTIME": 60.0, "DATE-OBS": f"2026-02-03T21:1{number}:00"})
        fits.PrimaryHDU(image, header).writeto(tmp_path / f"{number}.fits")
        held[place] = (tmp_path / f"{number}.fits").read_bytes()
    for name, value in {"ACCESS_KEY_ID": "x", "SECRET_ACCESS_KEY": "y", "DEFAULT_REGION": "us-east-1"}.items():
        monkeypatch.setenv(f"AWS_{name}", value)
    with store_of(held) as address:
        monkeypatch.setenv("AWS_ENDPOINT_URL", address)
        s3fs.S3FileSystem.clear_instance_cache()
        yield held
    s3fs.S3FileSystem.clear_instance_cache()


def test_frames_are_found_and_measured_as_on_disk(objects: dict[str, bytes], tmp_path: Path) -> None:
    found = find_frames(Path(f"s3://{BUCKET}/night"))
    assert [path.as_posix() for path in found] == [
        f"s3:/{BUCKET}/night/later/light 1.fits",
        f"s3:/{BUCKET}/night/light_0.fits",
    ]
    for remote, local in zip(found, ("1.fits", "0.fits"), strict=True):
        there, here = (measure_file(path, Rig()) for path in (remote, tmp_path / local))
        assert isinstance(there, FrameResult)
        assert isinstance(here, FrameResult)
        assert there.shape == here.shape
        assert there.sky.level_adu == here.sky.level_adu


def test_the_logbook_knows_a_frame_of_the_store_until_it_is_written_again(
    objects: dict[str, bytes], tmp_path: Path
) -> None:
    path = Path(f"s3://{BUCKET}/night/light_0.fits")
    with Logbook(tmp_path / "book.sqlite") as book, ThreadPoolExecutor(1) as thread:
        measure_night([path], executor=thread, logbook=book)
        assert book.recall(path, Rig()) is not None
        objects["night/light_0.fits"] = objects["night/later/light 1.fits"]
        s3fs.S3FileSystem.clear_instance_cache()
        assert book.recall(path, Rig()) is None


@pytest.mark.parametrize("place", [f"{BUCKET}/nothing", "elsewhere/night"])
def test_an_empty_place_is_told_in_a_sentence(objects: dict[str, bytes], place: str) -> None:
    with pytest.raises(UnusableRequest, match=r"there is nothing there|cannot be listed"):
        find_frames(Path(f"s3://{place}"))
