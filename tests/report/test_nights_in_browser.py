"""The page of months and the picture of a comparison in headless Chromium: phone and desk, light and dark, printed."""

import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.append(str(Path(__file__).parent.parent / "decision"))
from past_nights import night

from framecheck.decision.compare import compare
from framecheck.decision.history import histories
from framecheck.report.comparison_picture import WIDTH_PX, comparison_picture
from framecheck.report.drawing import standalone_svg
from framecheck.report.history_page import history_page

playwright = pytest.importorskip("playwright.sync_api", reason="no playwright here: the pages are not tried")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: the pages are not tried")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as player:
        opened = player.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("months") / "history.html"
    nights = [night(seed=k, days=9 * k, n_frames=20, causes=("periodic-error", "dew")) for k in range(9)]
    file.write_text(history_page(histories(nights)), encoding="utf-8")
    return file


@pytest.mark.parametrize("width", [390, 1100])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_fits_and_reads(browser: Any, page_file: Path, width: int, scheme: str) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800}, color_scheme=scheme)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda request: request.url.startswith("file:") or complaints.append(request.url))
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    ink, paper = page.evaluate(
        """() => [getComputedStyle(document.querySelector("svg.drawing text")).fill,
                  getComputedStyle(document.body).backgroundColor]"""
    )
    assert contrast(ink, paper) > 4.5  # WCAG 2.2, success criterion 1.4.3
    assert complaints == []
    page.close()


def test_what_scrolls_can_be_reached_by_keyboard(browser: Any, page_file: Path) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(page_file.as_uri())
    reached = []
    for _ in range(2):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate("document.activeElement.getAttribute('aria-label') || document.activeElement.textContent")
        )
    assert reached == ["Picture of the nights", "The nights"]
    page.close()


def test_the_page_prints(browser: Any, page_file: Path) -> None:
    page = browser.new_page()
    page.goto(page_file.as_uri())
    assert page.pdf(format="A4").startswith(b"%PDF-")
    page.close()


def test_the_picture_stands_alone(browser: Any, tmp_path: Path) -> None:
    file = tmp_path / "change.svg"
    file.write_text(standalone_svg(comparison_picture(compare([night(), night(seed=2)])), WIDTH_PX), encoding="utf-8")
    page = browser.new_page(viewport={"width": 900, "height": 700}, color_scheme="dark")
    page.goto(file.as_uri())
    # no text runs out of the picture
    assert page.evaluate(
        """() => { const edge = document.documentElement.getBoundingClientRect();
                   return [...document.querySelectorAll("text")].every((one) => {
                     const box = one.getBoundingClientRect();
                     return box.left >= edge.left && box.right <= edge.right; }); }"""
    )
    page.close()


def contrast(first: str, second: str) -> float:
    """Contrast of two colours as CSS tells them (WCAG 2.2, definition of contrast ratio)."""
    bright, dark = sorted((luminance(one) for one in (first, second)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def luminance(colour: str) -> float:
    parts = [float(part) / 255 for part in colour[colour.index("(") + 1 : -1].split(",")[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
