"""Figures as part of the page: drawn by matplotlib, coloured by the page's own variables."""

import io
import re
import warnings
from html import escape
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from framecheck.motion.night import Night

INK: Final = "#010203"
QUIET: Final = "#010204"
LINE: Final = "#010205"
PAPER: Final = "#010206"
KEEP: Final = "#010207"
DOUBTFUL: Final = "#010208"
REJECT: Final = "#010209"
"""Stand-ins: matplotlib draws with them, the page puts its variables in their place, so that both themes read."""
_VARIABLES: Final = {
    INK: "--ink", QUIET: "--quiet", LINE: "--line", PAPER: "--paper",
    KEEP: "--keep", DOUBTFUL: "--doubtful", REJECT: "--reject",
}  # fmt: skip
TEXT_PX: Final = 12.5
"""Size of letters in all pictures. Chosen: it reads on a phone."""
_MARGIN_PX: Final = 20
"""Around a picture that is a file of its own."""
_PX_PER_INCH: Final = 72
"""matplotlib writes SVG with 72 units to the inch: one unit is then one CSS pixel."""


def new_figure(width_px: float, height_px: float) -> "Figure":
    """A figure whose units are the page's pixels, without matplotlib's global state."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_px / _PX_PER_INCH, height_px / _PX_PER_INCH), dpi=_PX_PER_INCH, facecolor="none")


def place(figure: "Figure", left: float, top: float, width: float, height: float) -> "Axes":
    """A plot at a place given in pixels from the figure's upper left corner."""
    full_width, full_height = figure.get_size_inches() * _PX_PER_INCH
    return figure.add_axes(
        (left / full_width, 1 - (top + height) / full_height, width / full_width, height / full_height)
    )


def rows_named(night: "Night") -> tuple[str, str]:
    """Which edges of a night's pictures the first row stored and the last one lie at."""
    on_top = bool(night.frames) and night.frames[0].result.exposure.first_row_on_top
    return ("top", "bottom") if on_top else ("bottom", "top")


def rows_upwards(height_px: float, first_row_on_top: bool) -> tuple[float, float]:
    """Limits of an axis along a frame's columns, from the bottom of the picture to its top."""
    edges = (-0.5, height_px - 0.5)
    return edges[::-1] if first_row_on_top else edges


def write(figure: "Figure", x_px: float, y_px: float, text: str, colour: str = INK, *, bold: bool = False) -> None:
    """Lines of text at a place of a figure, the first one's middle so far from its upper left corner."""
    wide, tall = figure.get_size_inches() * _PX_PER_INCH
    for k, line in enumerate(text.split("\n")):
        figure.text(
            x_px / wide, 1 - (y_px + 16 * k) / tall, line, color=colour, fontsize=TEXT_PX, va="center",
            parse_math=False, fontweight="bold" if bold else "normal",
        )  # fmt: skip


def along(axes: "Axes", start: float, end: float, marks: list[tuple[float, str]], *, labels: bool) -> None:
    """Time along a chart: fine lines across all that stand one below the other; the last one names them."""
    quiet_frame(axes, size_px=11.5)
    axes.set_xlim(start, end)
    axes.set_xticks([at for at, _ in marks], [label for _, label in marks] if labels else [""] * len(marks))
    axes.grid(axis="x", color=LINE, linewidth=0.7, linestyle=(0, (1, 3)))
    axes.set_axisbelow(True)


def quiet_frame(axes: "Axes", *, sides: tuple[str, ...] = ("bottom",), size_px: float = 12) -> None:
    """Take away what is not data: only the named sides stay, thin and grey."""
    axes.set_facecolor("none")
    for name, spine in axes.spines.items():
        spine.set_visible(name in sides)
        spine.set_color(LINE)
        spine.set_linewidth(1)
    axes.tick_params(colors=QUIET, labelsize=size_px, length=3, width=1, pad=4)
    axes.tick_params(color=LINE)


def inline_svg(figure: "Figure", name: str, title: str, description: str) -> str:
    """The figure as an SVG element for the middle of an HTML page.

    Parameters
    ----------
    figure : Figure
        Drawn with the stand-in colours of this module.
    name : str
        Unique on the page; the names inside the figure are made from it.
    title, description : str
        Alternative text: what the figure is, and what it shows.

    Returns
    -------
    str
        One `<svg>` element without any address, size or font of its own: it takes those of the page.
    """
    svg = _as_svg(figure, name)
    body = svg[svg.index("<svg") :]
    body = body[body.index(">") + 1 : body.rindex("</svg>")]
    body = re.sub(
        r"<metadata>.*?</metadata>|<defs>\s*<style.*?</style>\s*</defs>|<!--.*?-->", "", body, flags=re.DOTALL
    )
    for stand_in, variable in _VARIABLES.items():
        body = body.replace(stand_in, f"var({variable})")
    body = body.replace("xlink:href", "href")
    body = re.sub(r"(\d\.\d{2})\d+", r"\1", body)
    body = re.sub(r"font(-family)?: ?([\d.]+px )?[^;\"]*?sans-serif", _size_only, body)
    body = re.sub(r' transform="rotate\(-0 [^)]*\)"', "", body).replace("; ;", ";").replace('; "', '"')
    body = _without_idle_names(body)
    body = re.sub(r"\s*\n\s*", "\n", body).strip()
    width, height = figure.get_size_inches() * _PX_PER_INCH
    return (
        f'<svg class="drawing" role="img" viewBox="0 0 {width:g} {height:g}" '
        f'aria-labelledby="{name}-title {name}-text">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-text">{escape(description)}</desc>\n'
        f"{body}</svg>"
    )


def with_ending(svg: str, ending: str) -> str:
    """The figure with that ending on all its names, so that a page can hold others of its kind."""
    names = sorted(set(re.findall(r' id="([^"]+)"', svg)), key=len, reverse=True)
    return re.sub(rf'(?<=["# ])({"|".join(map(re.escape, names))})(?=[") ])', rf"\1{ending}", svg)


def standalone_svg(element: str, width_px: float) -> str:
    """A figure of `inline_svg` as a file of its own, in the page's colours, light or dark as the reader's screen is."""
    from importlib.resources import files

    style = files("framecheck.report").joinpath("templates/report.css").read_text(encoding="utf-8")
    colours = style[: style.index("* { box-sizing")]
    rules = "svg { background: var(--paper); } text { font-family: var(--sans); font-variant-numeric: tabular-nums; }"
    height_px = float(re.findall(r'viewBox="0 0 [\d.]+ ([\d.]+)"', element)[0])
    wide, tall = width_px + 2 * _MARGIN_PX, height_px + 2 * _MARGIN_PX
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:g}" height="{tall:g}" '
    box = f'viewBox="{-_MARGIN_PX:g} {-_MARGIN_PX:g} {wide:g} {tall:g}"'
    opened = re.sub(r'viewBox="[^"]*"', box, element.replace("<svg ", head, 1), count=1)
    at = opened.index(">", opened.index("<svg ")) + 1
    return f"{opened[:at]}<style>{colours}{rules}</style>{opened[at:]}\n"


def _as_svg(figure: "Figure", name: str) -> str:
    from matplotlib import rc_context

    file = io.StringIO()
    nothing: dict[str, Any] = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": name, "path.simplify": False}
    with rc_context(settings), warnings.catch_warnings():
        # Text stays text and the page brings the fonts: it does not matter that matplotlib's own lacks a letter.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        figure.savefig(file, format="svg", transparent=True, metadata=nothing)
    return file.getvalue()


def _size_only(match: re.Match[str]) -> str:
    return f"font-size: {match[2].strip()}" if match[2] else ""


def _without_idle_names(body: str) -> str:
    """Names that nothing refers to; matplotlib numbers them alike in every figure, and a page wants them unique."""
    used = set(re.findall(r"(?:#|url\(#)([\w-]+)", body))
    return re.sub(r' id="([\w.-]+)"', lambda match: match[0] if match[1] in used else "", body)
