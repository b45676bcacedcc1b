"""A page for each cause: what is written by hand, between what the code knows."""

import ast
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Final

import framecheck.causes
from framecheck.causes.catalogue import CAUSES, Cause
from framecheck.causes.cures import CAUTIONS, CURES
from framecheck.causes.optics import ROWS
from framecheck.causes.weigh import YIELDS
from generate.pictures import draw
from generate.scenes import SCENES, in_words

WRITTEN: Final = Path(__file__).parent.parent / "causes"
FAMILIES: Final = {"mount": "Mount", "optics": "Optics", "camera": "Camera", "sky": "Sky"}


def write_cause_pages(folder: Path, pictures: Path, *, workers: int = 2) -> None:
    """Write a page for each cause and the list of them, and draw what is not drawn yet."""
    folder.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(workers) as pool:
        list(pool.map(draw, CAUSES, [pictures] * len(CAUSES)))
    said = dict(_said_of_rivals())
    for cause in CAUSES.values():
        _write(folder / f"{cause.name}.rst", cause_page(cause, said.get(cause.name, ())))
    _write(folder / "index.rst", list_of_causes())


def _write(path: Path, text: str) -> None:
    if not path.exists() or path.read_text(encoding="utf-8") != text:  # what has not changed is not built again
        path.write_text(text, encoding="utf-8")


def list_of_causes() -> str:
    """The page that leads to all causes, by family."""
    lines = [
        *_heading("Causes", "="),
        f"framecheck can name {len(CAUSES)} physical things. Each page says what one sees, the physics with its",
        "formula, what tells it from its look-alikes, and the cures, cheapest first. The pictures are rendered by",
        "framecheck's own simulator; the limits and numbers are those of the code.",
        "",
    ]
    for family, title in FAMILIES.items():
        lines += [*_heading(title, "-"), ".. toctree::", "   :maxdepth: 1", ""]
        lines += [f"   {cause.name}" for cause in CAUSES.values() if cause.family == family] + [""]
        for cause in CAUSES.values():
            if cause.family == family:
                lines += [f":doc:`{cause.name}`", f"   {cause.meaning}", ""]
    return "\n".join(lines)


def cause_page(cause: Cause, said: tuple[tuple[str, str], ...]) -> str:
    """The page of one cause, as reStructuredText."""
    scene = SCENES[cause.name]
    drawn = in_words(scene.fault)
    return "\n".join([
        *_heading(cause.title, "="),
        f"*{FAMILIES[cause.family]}* · ``{cause.name}``",
        "",
        cause.meaning,
        "",
        f".. figure:: ../pictures/{cause.name}.png",
        f"   :alt: A healthy rig on the left, the same with {cause.title.lower()} on the right: {scene.seen}.",
        "   :figclass: stars",
        "",
        f"   {_sentence(scene.seen)} Rendered with {drawn}." if drawn else f"   {_sentence(scene.seen)}",
        "",
        f".. include:: ../../causes/{cause.name}.rst",
        f"   :end-line: {_line_of_sources(cause.name)}",
        "",
        *_look_alikes(cause.name, said),
        *_heading("Cures, cheapest first", "-"),
        *(f"#. {cure}" for cure in CURES[cause.name]),
        "",
        *([".. caution::", "", f"   {CAUTIONS[cause.name]}", ""] if cause.name in CAUTIONS else []),
        f".. include:: ../../causes/{cause.name}.rst",
        f"   :start-line: {_line_of_sources(cause.name)}",
        "",
    ])  # fmt: skip


def _line_of_sources(cause: str) -> int:
    lines = (WRITTEN / f"{cause}.rst").read_text(encoding="utf-8").splitlines()
    return lines.index("Sources")


def _look_alikes(cause: str, said: tuple[tuple[str, str], ...]) -> list[str]:
    """What is mistaken for it, or it for what, and what decides."""
    lines: list[str] = []
    for rival, why in said:
        lines.append(f"* :doc:`{rival}`: {_clause(why)}.")
    for weaker, stronger, why in YIELDS:
        if weaker == cause:
            lines.append(f"* It is rather :doc:`{stronger}` if {why}.")
        elif stronger == cause:
            lines.append(f"* It is this rather than :doc:`{weaker}` if {why}.")
    return [*_heading("Look-alikes", "-"), *lines, ""] if lines else []


def _said_of_rivals() -> Iterator[tuple[str, tuple[tuple[str, str], ...]]]:
    """What each cause says of its rivals, where it says the same of every night: its row, or its function."""
    for row in ROWS:
        yield row.cause, row.rivals
    for path in sorted(Path(framecheck.causes.__file__).parent.glob("*.py")):
        for function in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(function, ast.FunctionDef) and (cause := function.name.replace("_", "-")) in CAUSES:
                calls = (node for node in ast.walk(function) if isinstance(node, ast.Call))
                words = [
                    _words_of(call) for call in calls if isinstance(call.func, ast.Name) and call.func.id == "Rival"
                ]
                yield cause, tuple(one for one in words if one is not None)


def _words_of(rival: ast.Call) -> tuple[str, str] | None:
    given: Mapping[str | None, ast.expr] = {word.arg: word.value for word in rival.keywords}
    values = [given["cause"], given["why_less_likely"]]
    if not all(isinstance(value, ast.Constant) for value in values):
        return None
    cause, why = (ast.literal_eval(value) for value in values)
    return str(cause), str(why)


def _heading(text: str, line: str) -> list[str]:
    return [text, line * len(text), ""]


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _clause(text: str) -> str:
    return text.rstrip(".")
