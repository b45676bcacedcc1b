"""How the pages are built: `make docs`."""

import os
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]
os.environ.setdefault("FRAMECHECK_LOGBOOK", "none")

from generate.cause_pages import write_cause_pages  # noqa: E402
from generate.commands import command_page  # noqa: E402
from generate.frames import draw_frames  # noqa: E402
from generate.night import prepare_night, run  # noqa: E402
from generate.numbers import numbers  # noqa: E402
from generate.rooms import write_room_pages  # noqa: E402
from generate.words import words_page  # noqa: E402

import framecheck  # noqa: E402

project = "framecheck"
author = "The framecheck authors"
copyright = author
version = release = framecheck.__version__

extensions = ["sphinx.ext.autodoc", "sphinx.ext.napoleon", "sphinx_parts"]
exclude_patterns = ["_build", "causes", "kept"]
default_role = "literal"
napoleon_google_docstring = False
napoleon_use_rtype = False
napoleon_use_param = False  # types are told in words, which are no names to link to
autodoc_typehints = "signature"
autodoc_default_options = {"undoc-members": False}
html_math_renderer = "mathml"
html_theme = "furo"
html_title = "framecheck"
html_static_path = ["static"]
html_css_files = ["pages.css"]
html_copy_source = False
html_show_sphinx = False
rst_prolog = "\n".join(f".. |{name}| replace:: {value}" for name, value in numbers().items()) + "\n"

GENERATED = HERE / "generated"
NIGHT = prepare_night(HERE / "kept")
night_folder = str(NIGHT)
html_extra_path = [str(GENERATED / "site")]

write_cause_pages(GENERATED / "causes", GENERATED / "pictures", workers=min(2, os.cpu_count() or 1))
write_room_pages(GENERATED / "library")
run(["night", "lights", "--out", str(GENERATED / "site" / "demo-report"), "--quiet"], NIGHT)
(GENERATED / "commands.rst").write_text(command_page(), encoding="utf-8")
(GENERATED / "words.rst").write_text(words_page(GENERATED / "site" / "demo-report" / "report.html"), encoding="utf-8")
draw_frames(
    NIGHT / "lights",
    GENERATED / "site" / "demo-report" / "night.json",
    {"light_0005.fits": "a good one", "light_0022.fits": "a gust", "light_0037.fits": "a cloud"},
    GENERATED / "pictures" / "frames.png",
)
