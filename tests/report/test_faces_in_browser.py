"""Live page, comparison and history before a checker of accessibility, on a phone and a desk, light, dark and red."""

import sys
from pathlib import Path

import pytest
from browser import DESK, PHONE, running

sys.path.append(str(Path(__file__).parent.parent / "decision"))
from past_nights import night
from test_live_page import CLOUD, DEW, live

from framecheck.decision.compare import compare
from framecheck.decision.history import histories
from framecheck.report.comparison_page import comparison_page
from framecheck.report.history_page import history_page


def test_a_checker_of_accessibility_finds_nothing_and_no_page_is_wider_than_the_screen() -> None:
    checker = pytest.importorskip("axe_playwright_python", reason="no axe-core here: accessibility is not checked")
    rules = (Path(checker.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    nights = [night(seed=1, smear=1.2), night(seed=2, days=3, smear=0.4)]
    pages = {
        "live": live(CLOUD, DEW, n=12).html,
        "compare": comparison_page(compare(nights)),
        "history": history_page(histories(nights)),
    }
    with running() as browser:
        for name, html in pages.items():
            for (width, height), scheme in ((PHONE, "dark"), (DESK, "light")):
                context = browser.new_context(
                    viewport={"width": width, "height": height}, color_scheme=scheme, bypass_csp=True
                )
                page = context.new_page()
                page.set_content(html)
                assert page.evaluate("document.documentElement.scrollWidth") <= width
                page.evaluate(rules)
                for red in (False, True) if name == "live" else (False,):
                    page.evaluate("(on) => document.documentElement.toggleAttribute('data-red', on)", red)
                    found = page.evaluate("axe.run()")["violations"]
                    assert [(one["id"], one["impact"]) for one in found] == [], (name, scheme, red)
                context.close()
