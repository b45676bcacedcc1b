"""A page in headless Chromium, as a person's browser shows it."""

import importlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import pytest

MUST_RUN: Final = "FRAMECHECK_BROWSER_TESTS"
"""With this in the environment a missing browser fails these tests instead of skipping them; CI sets it."""
_NAMES: Final = ("chromium", "chromium-browser", "google-chrome")
_OPTIONS: Final = ("--no-sandbox", "--disable-gpu", "--disable-background-networking")
DESK: Final = (1280, 900)
PHONE: Final = (390, 844)
"""[px] Chosen: the width of a usual phone."""


@dataclass
class Seen:
    """What a page did beside showing itself."""

    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    """Errors and warnings of the console, and errors that nothing caught."""


def needs_browser() -> str:
    """Path of the browser; without one the tests are skipped, or fail where they must run."""
    found = next(filter(None, map(shutil.which, _NAMES)), None)
    if found is None and os.environ.get(MUST_RUN):
        pytest.fail(f"{MUST_RUN} is set, and there is no Chromium: install the package `chromium`")
    if found is None:
        pytest.skip("no Chromium on this machine: the page is not tried in a browser")
    return found


@contextmanager
def running() -> Iterator[Any]:
    """The browser itself."""
    executable = needs_browser()
    name = "playwright.sync_api"
    sync_api = importlib.import_module(name) if os.environ.get(MUST_RUN) else pytest.importorskip(name)
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=executable, args=list(_OPTIONS))
        yield browser
        browser.close()


@contextmanager
def shown(browser: Any, file: Path, size: tuple[int, int] = DESK, scheme: str = "light") -> Iterator[tuple[Any, Seen]]:
    """The page in a window of its own, whose memory is empty."""
    width, height = size
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    context.set_default_timeout(300_000)  # [ms] for the busiest machine
    page, seen = context.new_page(), Seen()
    page.on("request", lambda request: seen.requests.append(request.url))
    page.on("console", lambda told: told.type in ("error", "warning") and seen.complaints.append(told.text))
    page.on("pageerror", lambda error: seen.complaints.append(str(error)))
    page.goto(file.as_uri())
    yield page, seen
    context.close()
