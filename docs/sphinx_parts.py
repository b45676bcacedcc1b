"""Sphinx parts of ours: formulas as MathML, and commands that are run when the pages are built."""

import ast
import re
import shlex
from collections import Counter
from pathlib import Path
from typing import Any, ClassVar

from docutils import nodes
from docutils.utils.math.latex2mathml import tex2mathml
from generate.night import run
from sphinx.addnodes import pending_xref
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

import framecheck


class Command(SphinxDirective):
    """`.. command:: framecheck …`: runs it in the night's folder and shows what it says."""

    required_arguments = 1
    final_argument_whitespace = True
    option_spec: ClassVar[dict[str, Any]] = {"first": int}

    def run(self) -> list[nodes.Node]:
        """Show the command and its output; at most the `first` lines of it, if asked for."""
        line = " ".join(self.arguments[0].split())
        said = run(shlex.split(line)[1:], Path(self.config.night_folder)).splitlines()
        most = self.options.get("first", len(said))
        shown = said[:most] + (["…"] if len(said) > most else [])
        text = "\n".join([f"$ {line}", *shown])
        block = nodes.literal_block(text, text, language="text", classes=["said"])
        return [block]


def _math(translator: Any, node: Any) -> None:
    """A formula in a line of text."""
    translator.body.append(_mathml(node.astext(), block=False))
    raise nodes.SkipNode


def _math_block(translator: Any, node: Any) -> None:
    """A formula on lines of its own."""
    translator.body.append(f'<div class="formula">{_mathml(node.astext(), block=True)}</div>')
    raise nodes.SkipNode


def _mathml(tex: str, *, block: bool) -> str:
    return str(tex2mathml(" ".join(tex.split()), as_block=block))


_REFERENCE = re.compile(r"^(\s*)\.\. \[\d+\] ")


def _plain_signs(app: Sphinx, what: str, name: str, thing: Any, options: Any, lines: list[str]) -> None:
    """Docstrings are read in editors too: a bar is a bar there, and works cited need no footnotes."""
    for number, line in enumerate(lines):
        bare = re.sub(r"\[(\d+)\]_", r"[\1]", line).replace("|", "\\|")
        lines[number] = _REFERENCE.sub(r"\1*  ", bare)
    if what in ("attribute", "data"):
        _whole[name] = list(lines)


_whole: dict[str, list[str]] = {}


def _keep_whole(app: Sphinx, what: str, name: str, thing: Any, options: Any, lines: list[str]) -> None:
    """What is said of a value is a sentence; numpydoc's reader would take all before a colon for its type."""
    if name in _whole:
        lines[:] = _whole.pop(name)


def _skip_places(app: Sphinx, what: str, name: str, thing: Any, skip: bool, options: Any) -> bool | None:
    """Where a file lies is a matter of the machine that builds the pages."""
    return True if isinstance(thing, Path) else None


def _shared_names() -> frozenset[str]:
    """Classes of one name in more than one room: a link by the name alone could lead to the wrong one."""
    package = Path(framecheck.__file__).parent
    trees = (ast.parse(path.read_text(encoding="utf-8")) for path in package.rglob("*.py"))
    names = Counter(node.name for tree in trees for node in tree.body if isinstance(node, ast.ClassDef))
    return frozenset(name for name, n in names.items() if n > 1)


def _unlink_shared_names(app: Sphinx, document: nodes.document) -> None:
    shared = _shared_names()
    for link in list(document.findall(pending_xref)):
        if link.get("refdomain") == "py" and link.get("reftarget") in shared:
            link.replace_self(link.children)


def setup(app: Sphinx) -> dict[str, Any]:
    """Make them known to Sphinx."""
    app.add_html_math_renderer("mathml", inline_renderers=(_math, None), block_renderers=(_math_block, None))
    app.add_directive("command", Command)
    app.connect("autodoc-process-docstring", _plain_signs, priority=400)  # before numpydoc's sections are read
    app.connect("autodoc-process-docstring", _keep_whole, priority=600)  # after it
    app.connect("autodoc-skip-member", _skip_places)
    app.connect("doctree-read", _unlink_shared_names)
    app.add_config_value("night_folder", "", "env")
    return {"parallel_read_safe": False, "parallel_write_safe": True}
