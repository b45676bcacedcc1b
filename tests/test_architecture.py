"""Data travels one way; no room looks ahead."""

import ast
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "framecheck"
ORDER = [
    "_version",
    "constants",
    "shear",
    "robust",
    "errors",
    "read",
    "words",
    "notebook",
    "quantity",
    "document",
    "sky",
    "stars",
    "field",
    "night",
    "motion",
    "model",
    "causes",
    "decision",
    "plan",
    "report",
    "logbook",
    "memory",
    "workers",
    "pipeline",
    "sort",
    "watch",
    "simulate",
    "cli",
]


def imports_between_rooms() -> Iterator[tuple[str, str, Path]]:
    for path in PACKAGE.rglob("*.py"):
        room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if room == "__init__":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("framecheck."):
                yield room, node.module.split(".")[1], path
            elif isinstance(node, ast.ImportFrom) and node.module == "framecheck":
                for alias in node.names:
                    if alias.name in ORDER:
                        yield room, alias.name, path


def imports_between_files() -> dict[str, set[str]]:
    """Each module of the package and those that it imports, anywhere: at its head, in functions, for types."""
    files = {".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts): path for path in PACKAGE.rglob("*.py")}
    modules = {name.removesuffix(".__init__"): path for name, path in files.items()}
    imported: dict[str, set[str]] = {name: set() for name in modules}
    for name, path in modules.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                whole = {f"{node.module}.{alias.name}" for alias in node.names}
                imported[name] |= whole & set(modules) or {node.module} & set(modules)
    return imported


def test_no_files_import_each_other_in_a_circle() -> None:
    """What can be put in an order is not a circle (topological order, textbook)."""
    try:
        list(TopologicalSorter(imports_between_files()).static_order())
    except CycleError as circle:
        pytest.fail(" -> ".join(circle.args[1]))


def test_every_room_has_its_place() -> None:
    rooms = {
        p.name.removesuffix(".py") for p in PACKAGE.iterdir() if not p.name.startswith("__") and p.name != "py.typed"
    }
    assert rooms <= set(ORDER)


def test_no_room_looks_ahead() -> None:
    for room, imported, path in imports_between_rooms():
        assert ORDER.index(imported) <= ORDER.index(room), f"{path}: {room} reaches ahead to {imported}"


def test_only_the_command_line_knows_the_simulator() -> None:
    for room, imported, path in imports_between_rooms():
        assert imported != "simulate" or room in ("simulate", "cli"), f"{path} must not need the simulator"


def test_paths_from_outside_go_through_one_function() -> None:
    """`Path.resolve` raises RuntimeError on links in a circle (Python 3.11 documentation): `read.paths` does not."""
    others = [path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "read" / "paths.py"]
    assert [path.name for path in others if ".resolve()" in path.read_text(encoding="utf-8")] == []


def test_json_goes_through_one_function() -> None:
    """`json.loads` may raise RecursionError, and makes gigabytes of empty lists: `read.foreign_json` does not."""
    others = [path for path in PACKAGE.rglob("*.py") if path != PACKAGE / "read" / "foreign_json.py"]
    assert [path.name for path in others if "json.load" in path.read_text(encoding="utf-8")] == []
