"""The API reference: a page a room, its modules in order, their docstrings as they are."""

import ast
from pathlib import Path

import framecheck

ROOMS = (
    *("read", "sky", "stars", "field", "night", "motion"),
    *("model", "causes", "decision", "plan", "report", "logbook", "watch", "sort", "simulate"),
)
"""In the order in which data travels."""
SINGLE = ("pipeline", "constants", "errors", "shear", "robust")
PACKAGE = Path(framecheck.__file__).parent


def write_room_pages(folder: Path) -> None:
    """Write a page for each room, one for the front, and the list of them."""
    folder.mkdir(parents=True, exist_ok=True)
    pages = {"front": _front()}
    pages |= {name: _page(name, [f"framecheck.{name}"]) for name in SINGLE}
    for room in ROOMS:
        modules = [f"framecheck.{room}.{path.stem}" for path in sorted((PACKAGE / room).glob("*.py"))]
        pages[room] = _page(room, [name for name in modules if not name.endswith("__init__")], f"framecheck.{room}")
    pages["index"] = _index(list(pages))
    for name, text in pages.items():
        path = folder / f"{name}.rst"
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")


def _index(pages: list[str]) -> str:
    lines = [
        "Library", "=======", "",
        "Everything that the commands do can be done from Python. The front is small; behind it lies a room for each",
        "step, in the order in which data travels: a room knows what lies before it and nothing of what comes after.",
        "",
        ".. toctree::", "   :maxdepth: 1", "",
    ]  # fmt: skip
    return "\n".join([*lines, *(f"   {name}" for name in pages), ""])


def _front() -> str:
    """What `import framecheck` gives; records are described on the page of their room."""
    lines = [
        "framecheck",
        "==========",
        "",
        ".. currentmodule:: framecheck",
        "",
        _docstring(PACKAGE / "__init__.py"),
        "",
    ]
    functions = [name for name in framecheck.__all__ if name[0].islower()]
    records = [name for name in framecheck.__all__ if name[0].isupper()]
    for name in functions:
        lines += [f".. autofunction:: framecheck.{name}", ""]
    lines += ["Records and errors: ", ""]
    for name in records:
        where = getattr(framecheck, name)
        lines += [f"* :class:`~{where.__module__}.{name}`"]
    return "\n".join([*lines, ""])


def _page(title: str, modules: list[str], package: str | None = None) -> str:
    lines = [title, "=" * len(title), ""]
    if package is not None:
        lines += [_docstring(PACKAGE / title / "__init__.py"), ""]
    for module in modules:
        name = module.removeprefix("framecheck.")
        if len(modules) > 1:
            lines += [name, "-" * len(name), ""]
        lines += [f".. automodule:: {module}", "   :members:", "   :member-order: bysource", ""]
    return "\n".join(lines)


def _docstring(path: Path) -> str:
    return ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
