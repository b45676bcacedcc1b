"""The texts that people read: no word that needs a second reading, and one word for one thing."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parent.parent
FORBIDDEN: Final = {
    "anew": "again",
    "told": "said, shown or reported",
    "reckon(?:s|ed|ing)?": "work out, the numbers",
    "stays? aside": "is skipped",
    "(?<!there )(?:is|are) no (?:FITS|file|text|whole|choice|time|date|TOML|size|plain|light|path|journal)": "isn't a",
    "as good as certain": "almost certain",
    "better left out": "reject",
    "effective kept": "worth",
    "per cent": "%",
    "aggressiveness": "correction strength",
    "mount to blame": "Mount",
    "if all were well": "normal",
    "hitherto|henceforth|thereof|whereof": "(plain words)",
}
"""What is not said, and what is said instead. Chosen."""
COMMANDS: Final = ("framecheck/cli/main.py", "framecheck/cli/*_command.py")


def texts_of_code(path: Path) -> Iterator[tuple[int, str]]:
    """Strings of a module that are texts: those with a space that are no docstrings and no regular expressions."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    apart = {id(node) for node in documentation(tree)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.Constant) or not isinstance(node.value, str) or id(node) in apart:
            continue
        if " " in node.value.strip() and "\\b" not in node.value and "CREATE TABLE" not in node.value:
            yield node.lineno, node.value


def documentation(tree: ast.Module) -> Iterator[ast.Constant]:
    """Strings that stand by themselves: docstrings, also those of fields and constants."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and isinstance(node.value.value, str):
            yield node.value


def helps_of_commands() -> Iterator[tuple[str, str]]:
    """Docstrings that --help shows."""
    for pattern in COMMANDS:
        for path in ROOT.glob(pattern):
            for node in ast.parse(path.read_text(encoding="utf-8")).body:
                if isinstance(node, ast.FunctionDef) and "typer.Option" in ast.unparse(node.args):
                    yield f"{path.name}: {node.name}", ast.get_docstring(node) or ""


def pages() -> Iterator[Path]:
    """Pages of the documentation that are written by hand."""
    for folder in ("docs", "docs/causes", "docs/decisions"):
        yield from sorted((ROOT / folder).glob("*.rst"))


@cache
def all_texts() -> tuple[tuple[str, str], ...]:
    """Where each stands, and what it says."""
    return tuple(_texts())


def _texts() -> Iterator[tuple[str, str]]:
    for path in sorted((ROOT / "framecheck").rglob("*.py")):
        yield from ((f"{path.relative_to(ROOT)}:{line}", text) for line, text in texts_of_code(path))
    yield from helps_of_commands()
    for path in sorted((ROOT / "framecheck/report/templates").glob("*.html")):
        yield str(path.relative_to(ROOT)), re.sub(r"\{[{%].*?[%}]\}|<[^>]*>", " ", path.read_text(encoding="utf-8"))
    for path in [ROOT / "README.md", ROOT / "DEVELOPERS.md", *pages()]:
        yield str(path.relative_to(ROOT)), path.read_text(encoding="utf-8")


@pytest.mark.parametrize("word", FORBIDDEN)
def test_no_text_says_it(word: str) -> None:
    found = [
        f"{where}: …{text[max(0, hit.start() - 40) : hit.end() + 40]}…"
        for where, text in all_texts()
        for hit in re.finditer(rf"\b(?:{word})\b", text, flags=re.IGNORECASE)
    ]
    assert not found, f"say: {FORBIDDEN[word]}\n" + "\n".join(found)
