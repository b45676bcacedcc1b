"""Sphinx parts of ours: formulas as MathML, and commands that are run when the pages are built."""

import shlex
from pathlib import Path
from typing import Any, ClassVar

from docutils import nodes
from docutils.utils.math.latex2mathml import tex2mathml
from generate.night import run
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective


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


def setup(app: Sphinx) -> dict[str, Any]:
    """Make them known to Sphinx."""
    app.add_html_math_renderer("mathml", inline_renderers=(_math, None), block_renderers=(_math_block, None))
    app.add_directive("command", Command)
    app.add_config_value("night_folder", "", "env")
    return {"parallel_read_safe": False, "parallel_write_safe": True}
