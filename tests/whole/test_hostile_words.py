"""Names and headers that mean harm are only words: on the terminal, the page, in tables, and where files are put."""

import csv
import io
import json
import os
import re
import sys
import unicodedata
from contextlib import redirect_stderr, redirect_stdout
from html.parser import HTMLParser
from pathlib import Path

import pyarrow.parquet
import pytest
from small_night import Ended, draw_light, framecheck

from framecheck.cli import main

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="other systems do not take such names")

NAMES = (
    "<img src=x onerror=alert(1)>.fits", "\"><script>alert(1)<-script>.fits", "{{7*7}}${7*7}.fits", "&lt;b&gt;.fits",
    "=cmd|' -C calc'!A0.fits", "+1+1.fits", "@SUM(A1).fits", "-rf.fits", "--out.fits", "\tTAB.fits", "＝1.fits",
    "\x1b]0;owned\x07\x1b[31m.fits", "\x9b31m.fits", "new\nline.fits", "return\rover.fits", "bell\x07\x08.fits",
    "\u202egpj.stif.fits", "zero\u200bwidth.fits", "cafe\u0301.fits", "caf\u00e9.fits", "\u0430.fits",
    "a.fits", "A.fits",
    "CON.fits", "nul.fits", "$(touch owned).fits", "`touch owned`.fits", "%n%s%x.fits", "\"quoted\", comma;.fits",
    "'apostrophe'.fits", " leading and trailing .fits", "x\\..\\..\\y.fits", "C:evil.fits", "x" * 250 + ".fits",
)  # fmt: skip
BYTES = (b"\xff\xfe\x80.fits", b"\x1b[2J\xe9.fits")
TARGETS = (
    "<script>alert(1)</script>", "=HYPERLINK(\"http://x.invalid\")", "\"><svg onload=alert(2)>", "@SUM(1+1)",
)  # fmt: skip
"""As OBJECT in the header, and the like in FILTER, INSTRUME and TELESCOP."""
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")  # OWASP, "CSV Injection"


@pytest.fixture(scope="module")
def lights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Frames of one field under names that mean harm."""
    folder = tmp_path_factory.mktemp("hostile") / "lights <b>\x1b[7m"
    folder.mkdir()
    names = [*map(os.fsencode, NAMES), *BYTES]
    drawn = [folder / f"drawn {k}.fits" for k in range(4)]
    for k, path in enumerate(drawn):
        draw_light(path, k, target=TARGETS[k])
        card, hostile = b"FILTER  = 'L       '", b"FILTER  = '=1<b>\x1b\xe9 '"
        assert card in path.read_bytes()
        path.write_bytes(path.read_bytes().replace(card, hostile))
    contents = [path.read_bytes() for path in drawn]
    for path in drawn:
        path.unlink()
    for k, name in enumerate(names):
        path = folder / os.fsdecode(name)
        path.write_bytes(contents[k % 4] if k % 2 else b"SIMPLE, but no FITS file <b>\x1b[31m" + bytes([k]))
        os.utime(path, (1_740_000_000 + k, 1_740_000_000 + k))
    return folder


@pytest.fixture(scope="module")
def out(lights: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("out") / "report"
    book = folder.parent / "book.sqlite"
    ended = framecheck("night", lights, "--out", folder, "--workers", "1", "--stars", "--logbook", book)
    assert ended.code == 1, ended.err
    assert_inert_on_a_terminal(ended)
    return folder


def told(*words: str | Path) -> Ended:
    """The same as `framecheck`, without the time that a process of its own takes to start."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patched, redirect_stdout(out), redirect_stderr(err):
        patched.setattr(sys, "argv", ["framecheck", *map(str, words)])
        with pytest.raises(SystemExit) as end:
            main.run()
    assert isinstance(end.value.code, int)
    return Ended(code=end.value.code, out=out.getvalue(), err=err.getvalue())


def assert_inert_on_a_terminal(ended: Ended) -> None:
    said = ended.out + ended.err
    assert "Traceback" not in said
    # Unicode categories: control, format (bidirectional marks among them), surrogate, line and paragraph separators
    steering = {c for c in said if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")}
    assert steering <= {"\n"}, steering


class Seen(HTMLParser):
    """What a browser would make of a page."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: dict[str, int] = {}
        self.attributes: set[str] = set()
        self.pictures: list[str | None] = []
        self.scripts: list[str | None] = []
        """Their types; None for one that runs."""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags[tag] = self.tags.get(tag, 0) + 1
        self.attributes |= {name for name, _ in attrs}
        if tag == "script":
            self.scripts.append(dict(attrs).get("type"))
        if tag == "img":
            self.pictures.append(dict(attrs).get("src"))


def test_the_page_runs_none_of_it(out: Path) -> None:
    text = (out / "report.html").read_text(encoding="utf-8")
    seen = Seen(text)
    assert all(src is not None and src.startswith("data:image/") for src in seen.pictures)  # its own, none fetched
    assert seen.scripts.count(None) == 1  # its own
    assert set(seen.scripts) <= {None, "application/json", "text/plain"}  # data, which no browser runs
    assert not {
        name for name in seen.attributes if name.startswith("on") or not re.fullmatch(r"[a-zA-Z][\w:.-]*", name)
    }
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_json_holds_each_name_as_text(out: Path) -> None:
    document = json.loads((out / "night.json").read_bytes().decode("utf-8"))
    names = {frame["file"] for frame in document["frames"]}
    assert len(names) == len(NAMES) + len(BYTES)
    assert set(NAMES) <= names
    assert "\\xff\\xfe\\x80.fits" in names  # bytes that are no text are told as escapes


def test_no_cell_of_a_table_is_a_formula(out: Path) -> None:
    book = out.parent / "book.sqlite"
    exported = [out.parent / "all.csv", out.parent / "all.parquet"]
    for path in exported:
        ended = told("logbook", "--logbook", book, "--export", path)
        assert ended.code == 0, ended.err
        assert_inert_on_a_terminal(ended)
    assert_inert_on_a_terminal(told("logbook", "--logbook", book))
    json.loads(told("logbook", "--logbook", book, "--json").out)
    for path in (out / "frames.csv", exported[0]):
        rows = list(csv.reader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))
        assert len({len(row) for row in rows}) == 1
        for cell in (cell for row in rows for cell in row):
            assert not cell.startswith(FORMULA) or re.fullmatch(r"[+-]?[\d.]+(e[+-]?\d+)?", cell), cell
    for path in (out / "stars.parquet", exported[1]):
        for name in pyarrow.parquet.read_table(path)["file"].unique().to_pylist():
            name.encode("utf-8")


def test_single_frames_and_rig_files_are_inert(lights: Path, tmp_path: Path) -> None:
    for name in (NAMES[4], NAMES[11], NAMES[16], os.fsdecode(BYTES[1])):
        path = lights / name
        for words in (
            ("frame", path),
            ("frame", path, "--json"),
            ("rig", path),
            ("rig", path, "--into", tmp_path / name),
        ):
            ended = told(*words)
            assert ended.code in (0, 2, 3), ended.err
            assert_inert_on_a_terminal(ended)


@pytest.mark.parametrize(
    "text",
    [
        'mount.type = "<script>\x1b[31m"\n', '[optics]\n"\\u001b[2J<b>" = 3\n',
        '[camera]\ngain_e_per_adu = "=cmd|A0"\n',
        "[optics]\nfocal_length_mm = 1e999\n", '["\\u202e"]\na = 1\n', "\x1b[31m", "a" * 100_000,
    ],
)  # fmt: skip
def test_a_rig_file_that_means_harm(text: str, lights: Path, tmp_path: Path) -> None:
    rig = tmp_path / "\x1b[7m<b>rig.toml"
    rig.write_text(text)
    ended = told("frame", lights / "a.fits", "--rig", rig)
    assert ended.code == 2
    assert ended.err.count("\n") == 1
    assert len(ended.err) < 1000
    assert_inert_on_a_terminal(ended)


@pytest.mark.parametrize("way", ["--link", "--move", "--copy"])
def test_sorting_puts_each_file_where_it_belongs_and_back(lights: Path, out: Path, tmp_path: Path, way: str) -> None:
    before = {path.name: path.read_bytes() for path in lights.iterdir()}
    into = tmp_path / "in\x1b[31mto" / "<b>"
    words = ["sort", lights, "--into", into, "--by", out, *([way] if way != "--copy" else [])]
    done = told(*words, "--yes")
    assert done.code == 0, done.err
    assert_inert_on_a_terminal(done)
    placed = [path for path in into.rglob("*") if not path.is_dir() and path.parent != into]
    graded = [row for row in json.loads((out / "night.json").read_bytes())["frames"] if row["grade"] is not None]
    assert len(placed) == len(graded)
    assert all(path.parent.parent == into and path.read_bytes() == before[path.name] for path in placed)
    assert (into / "sort-journal.jsonl").read_bytes().isascii()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in\x1b[31mto"]
    unknown = told("sort", "--undo", into)
    assert unknown.code == 2
    assert_inert_on_a_terminal(unknown)
    undone = told("sort", "--undo", into, "--frames", lights)
    assert undone.code == 0, undone.err
    assert_inert_on_a_terminal(undone)
    assert {path.name: path.read_bytes() for path in lights.iterdir()} == before
    assert not (Path.cwd() / "owned").exists()
