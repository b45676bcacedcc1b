"""A page for each cause: what is written by hand, between what the code knows."""

from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Final

from framecheck.causes.catalogue import CAUSES
from framecheck.causes.cause import Cause
from generate.pictures import draw
from generate.scenes import SCENES, in_words

WRITTEN: Final = Path(__file__).parent.parent / "causes"
FAMILIES: Final = {"mount": "Mount", "optics": "Optics", "camera": "Camera", "sky": "Sky"}


def write_cause_pages(folder: Path, pictures: Path, *, workers: int = 2) -> None:
    """Write a page for each cause and the list of them, and draw what is not drawn yet."""
    folder.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(workers) as pool:
        list(pool.map(draw, CAUSES, [pictures] * len(CAUSES)))
    for cause in CAUSES.values():
        _write(folder / f"{cause.name}.rst", cause_page(cause))
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


def cause_page(cause: Cause) -> str:
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
        *_look_alikes(cause),
        *_heading("Cures, cheapest first", "-"),
        *(f"#. {cure}" for cure in cause.cures),
        "",
        *([".. caution::", "", f"   {cause.caution}", ""] if cause.caution is not None else []),
        f".. include:: ../../causes/{cause.name}.rst",
        f"   :start-line: {_line_of_sources(cause.name)}",
        "",
    ])  # fmt: skip


def _line_of_sources(cause: str) -> int:
    lines = (WRITTEN / f"{cause}.rst").read_text(encoding="utf-8").splitlines()
    return lines.index("Sources")


def _look_alikes(cause: Cause) -> list[str]:
    """What is mistaken for it, or it for what, and what decides."""
    lines = [f"* :doc:`{rival.cause}`: {_clause(rival.why_less_likely)}." for rival in cause.rivals]
    lines += [f"* It is rather :doc:`{other}` if {why}." for other, why in cause.yields_to]
    for other in CAUSES.values():
        lines += [
            f"* It is this rather than :doc:`{other.name}` if {why}."
            for stronger, why in other.yields_to if stronger == cause.name
        ]  # fmt: skip
    return [*_heading("Look-alikes", "-"), *lines, ""] if lines else []


def _heading(text: str, line: str) -> list[str]:
    return [text, line * len(text), ""]


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _clause(text: str) -> str:
    return text.rstrip(".")
