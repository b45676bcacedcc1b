"""How long a browser takes to open the page of a night of 500 frames, with a small picture in every row.

Prints the size of the page, and a few times over when its first text is there, when it is whole, and how much work the
page's thread did by then: the times grow with what else the machine does, the work hardly. The night is built by hand
(`tests/report/`); the browser is the machine's Chromium.
"""

import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.append(str(Path(__file__).parent.parent / "tests" / "report"))

import browser
import test_in_browser as by_browser

TIMES = 3
WHEN = """() => {
    const [opened] = performance.getEntriesByType("navigation");
    return [performance.getEntriesByName("first-contentful-paint")[0].startTime, opened.loadEventEnd];
}"""


def main() -> None:
    with tempfile.TemporaryDirectory() as folder, browser.running() as chromium:
        file = by_browser.written(Path(folder), by_browser.night(500, n_stars=20), pictures=500)
        print(f"500 frames with pictures: {file.stat().st_size / 1e6:.1f} MB")
        for size in (browser.DESK, browser.PHONE):
            for _ in range(TIMES):
                first_ms, whole_ms, work_s = opened(chromium, file, size)
                print(f"{size[0]} px wide: first text {first_ms:.0f} ms, whole {whole_ms:.0f} ms, work {work_s:.2f} s")


def opened(chromium: Any, file: Path, size: tuple[int, int]) -> tuple[float, float, float]:
    """Milliseconds to the first text and to the whole page; seconds of work."""
    context = chromium.new_context(viewport={"width": size[0], "height": size[1]})
    page = context.new_page()
    metrics = context.new_cdp_session(page)
    metrics.send("Performance.enable")
    before = work_s(metrics)
    page.goto(file.as_uri())
    work = work_s(metrics) - before
    page.wait_for_function("performance.getEntriesByName('first-contentful-paint').length")
    first_ms, whole_ms = page.evaluate(WHEN)
    context.close()
    return first_ms, whole_ms, work


def work_s(metrics: Any) -> float:
    told = metrics.send("Performance.getMetrics")["metrics"]
    return next(one["value"] for one in told if one["name"] == "ThreadTime")


if __name__ == "__main__":
    main()
