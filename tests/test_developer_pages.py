"""What whoever changes framecheck reads: it names files that are there, and its first screen is one screen."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parent.parent
PAGES: Final = (
    ROOT / "DEVELOPERS.md", ROOT / "benchmarks/README.md", *sorted((ROOT / "docs").glob("*.rst")),
    *sorted((ROOT / "docs/decisions").glob("*.rst")),
)  # fmt: skip
MOST_LINES: Final = 80
"""Of one screen. Chosen: a tall window."""


def files_named(text: str) -> Iterator[str]:
    """Paths with a folder and an ending that stand between backticks, and targets of Markdown's links."""
    yield from re.findall(r"`([a-z_]+/[a-z0-9_/]+\.(?:py|csv|json|css|js))`", text)
    yield from re.findall(r"\]\(((?!http)[^)]+)\)", text)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_each_file_that_a_page_names_is_there(page: Path) -> None:
    named = set(files_named(page.read_text(encoding="utf-8")))
    gone = [name for name in named if not any((base / name).exists() for base in (ROOT, ROOT / "framecheck"))]
    assert gone == []


def test_the_first_screen_is_one_screen() -> None:
    lines = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= MOST_LINES


def test_each_decision_is_listed_once() -> None:
    index = (ROOT / "docs/decisions/index.rst").read_text(encoding="utf-8")
    pages = {path.stem for path in (ROOT / "docs/decisions").glob("*.rst")} - {"index"}
    listed = re.findall(r"^   ([a-z][\w-]+)$", index, re.M)
    assert sorted(listed) == sorted(pages)
