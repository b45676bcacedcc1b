"""The page in headless Chromium: in both themes, on a desk and a phone, by keyboard alone, and on paper."""

import csv
import io
import re
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import browser
import by_hand
import numpy as np
import pytest
from browser import DESK, PHONE, shown

from framecheck.decision.judgement import Judgement
from framecheck.field.result import StackedStar
from framecheck.night.records import NightFrame
from framecheck.report.page import night_page
from framecheck.report.thumbnail import thumbnail

SMALLEST_PX = 11.0
"""Letters of a chart on a phone. Common practice, no source: smaller ones are not read."""
N_SECOND = 12
N_FAILED = 1
FORMULA = "=1+1.fits"


def star(frame: NightFrame) -> NightFrame:
    at = (np.arange(61) - 30) * 0.1
    x, y = np.meshgrid(at, at)
    image = np.exp2(-4 * (x**2 / 9 + y**2 / 4)).astype(np.float32)
    return replace(frame, result=replace(frame.result, stacked=StackedStar(image=image, pixel_px=0.1)))


def night(n_frames: int, n_stars: int = 60) -> Judgement:
    """Frames through two filters, the second of them few, one of them with a name like a spreadsheet's formula."""
    frames = [star(by_hand.frame(i, n_stars=n_stars)) for i in range(n_frames - N_SECOND)]
    frames += [
        star(by_hand.frame(i, filter="R", group="M 101 R 300 s", n_stars=n_stars))
        for i in range(n_frames - N_SECOND, n_frames)
    ]
    last = frames[-1].result
    named = replace(last, exposure=replace(last.exposure, file=by_hand.FOLDER / FORMULA))
    return by_hand.with_causes(by_hand.judgement_of((*frames[:-1], replace(frames[-1], result=named))))


def written(folder: Path, judgement: Judgement, *, pictures: int) -> Path:
    """The page with small pictures of noise, which packs worst, in so many rows."""
    rng = np.random.default_rng(5)
    files = [frame.result.exposure.file for frame in judgement.night.frames[:pictures]]
    small = {file: thumbnail(rng.normal(900, 15, (170, 255)), 3_600_000 // max(pictures, 300)) for file in files}
    file = folder / "report.html"
    file.write_text(night_page(judgement, small), encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    with browser.running() as running:
        yield running


@pytest.fixture(scope="module")
def file(chromium: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("night"), night(40), pictures=6)


@pytest.fixture(scope="module")
def long_file(chromium: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(tmp_path_factory.mktemp("long"), night(500, n_stars=20), pictures=500)


def test_a_machine_without_a_browser_skips_these_tests_and_ci_does_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")
    monkeypatch.delenv(browser.MUST_RUN, raising=False)
    with pytest.raises(pytest.skip.Exception, match="no Chromium on this machine"):
        browser.needs_browser()
    monkeypatch.setenv(browser.MUST_RUN, "1")
    with pytest.raises(pytest.fail.Exception, match="install the package `chromium`"):
        browser.needs_browser()
    assert f"export {browser.MUST_RUN}=1" in (Path(__file__).parents[2] / ".ci" / "run").read_text()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [DESK, PHONE])
def test_it_asks_nothing_of_the_network_and_complains_of_nothing(
    chromium: Any, file: Path, size: tuple[int, int], scheme: str
) -> None:
    with shown(chromium, file, size, scheme) as (page, seen):
        page.locator("#words").scroll_into_view_if_needed()
        for one in page.locator("details").all():
            one.evaluate("one => one.open = true")
        page.wait_for_timeout(100)
        assert [url for url in seen.requests if not url.startswith("data:")] == [file.as_uri()]
        assert seen.complaints == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_letters_stand_out_of_the_paper_in_both_themes(chromium: Any, file: Path, scheme: str) -> None:
    with shown(chromium, file, DESK, scheme) as (page, _):
        colours = page.evaluate(
            """() => ["--paper", "--ink", "--quiet", "--link", "--keep", "--doubtful", "--reject"].map(
                name => getComputedStyle(document.documentElement).getPropertyValue(name).trim())"""
        )
        paper, ink, quiet, link, *marks = [luminance(colour) for colour in colours]
        # W3C, WCAG 2.2: 1.4.3 asks 4.5 to 1 of text, 1.4.11 asks 3 to 1 of marks
        assert min(contrast(paper, text) for text in (ink, quiet, link)) > 4.5
        assert min(contrast(paper, one) for one in marks) > 3
        assert (paper < 0.1) == (scheme == "dark")
        # what a chart draws with is the page's own ink
        line = page.locator('#field .drawing path[style*="--ink"]').first
        drawn = line.evaluate("one => getComputedStyle(one).stroke")
        assert drawn == page.evaluate("getComputedStyle(document.body).color")


def luminance(colour: str) -> float:
    """Relative luminance of a colour like #1b222c (WCAG 2.2, definition)."""
    short = colour.removeprefix("#")
    full = "".join(2 * sign for sign in short) if len(short) == 3 else short
    parts = np.array([int(full[i : i + 2], 16) for i in (0, 2, 4)]) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one: float, other: float) -> float:
    return (max(one, other) + 0.05) / (min(one, other) + 0.05)


def test_on_a_phone_nothing_runs_off_the_side_and_letters_are_large_enough(chromium: Any, file: Path) -> None:
    with shown(chromium, file, PHONE) as (page, _):
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        heights = page.evaluate(
            """() => [...document.querySelectorAll(".drawing text")].filter(one => one.checkVisibility()).map(one => {
                const { a, b } = one.getScreenCTM();
                return parseFloat(getComputedStyle(one).fontSize) * Math.hypot(a, b);
            })"""
        )
        assert len(heights) > 50
        assert min(heights) >= SMALLEST_PX


def test_every_picture_says_what_it_shows(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        pictures = page.evaluate(
            """() => [...document.querySelectorAll("svg:not([aria-hidden]), img, [role=img]")].map(one =>
                one.alt ?? one.getAttribute("aria-label") ?? one.getAttribute("aria-labelledby").split(" ")
                    .map(id => document.getElementById(id).textContent).join(" "))"""
        )
        assert len(pictures) > 60
        assert all(len(told.split()) > 5 and re.search(r"\d", told) for told in pictures), pictures


def test_frames_are_sorted_chosen_and_saved_by_keyboard_alone(chromium: Any, file: Path, tmp_path: Path) -> None:
    with shown(chromium, file) as (page, _):
        press = page.keyboard.press
        reach(page, "thead button >> text=FWHM")
        press("Enter")
        sharpest = page.locator(".frames tbody tr").first.get_attribute("data-file")
        press("Space")
        assert page.locator("thead [aria-sort=descending]").inner_text().startswith("FWHM")
        assert page.locator(".frames tbody tr").first.get_attribute("data-file") != sharpest
        reach(page, "thead button >> text=Start")
        press("Enter")
        reach(page, ".frames tbody tr >> nth=0")
        press("l")
        press("ArrowDown")
        press("End")
        press("ArrowUp")  # past the file that could not be measured
        press("l")
        press("ArrowUp")
        press("k")
        press("Backspace")
        chosen = page.locator("#chosen").inner_text()
        assert re.search(r"of 40 frames go into the stack, .* effective; 2 are your own choice", chosen)
        reach(page, "#save-csv")
        table = list(csv.reader(io.StringIO(saved(page, tmp_path))))
        assert table[0] == ["file", "grade", "own_choice", "decision"]
        assert ["lights/M101_L_001.fits", "keep", "leave out", "leave out"] in table
        # OWASP, "CSV Injection": a spreadsheet runs what begins with = as a formula
        assert table[-1][0] == f"'{FORMULA}"
        reach(page, "#save-list")
        listed = saved(page, tmp_path).splitlines()
        assert "lights/M101_L_001.fits" not in listed
        assert FORMULA not in listed
        assert listed == [row[0] for row in table[1:] if row[3] == "keep"]


def reach(page: Any, target: str) -> None:
    """Go on by Tab until the target has the focus."""
    wanted = page.locator(target)
    page.evaluate("document.activeElement.blur()")
    for _ in range(400):
        page.keyboard.press("Tab")
        if wanted.evaluate("one => one === document.activeElement"):
            return
    raise AssertionError(f"{target} is not reached by keyboard")


def saved(page: Any, folder: Path) -> str:
    """What pressing Enter on the button in focus downloads."""
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    download.value.save_as(folder / "saved")
    return (folder / "saved").read_bytes().decode()


def test_own_choices_are_remembered_and_forgotten(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        reach(page, ".frames tbody tr >> nth=0")
        page.keyboard.press("l")
        page.reload()
        assert "1 is your own choice" in page.locator("#chosen").inner_text()
        reach(page, "#show-all")
        page.keyboard.press("ArrowLeft")  # from the first to the last
        assert page.locator("#show-mine").is_checked()
        mine = page.locator(".frames tbody tr[data-file]:visible").all()
        assert [row.get_attribute("data-file") for row in mine] == ["lights/M101_L_001.fits"]
        reach(page, "#forget")
        page.keyboard.press("Enter")
        assert "0 are your own choice" in page.locator("#chosen").inner_text()


def test_terms_open_their_meaning_and_pictures_open_in_their_row(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        reach(page, ".answers .term >> nth=0")
        page.keyboard.press("Enter")
        assert len(page.locator("#meaning").inner_text()) > 40
        page.keyboard.press("Escape")
        assert not page.locator("#meaning").is_visible()
        reach(page, ".frames tbody tr >> nth=0")
        assert page.locator(".frames img:visible").count() == 0
        page.keyboard.press("p")
        page.wait_for_function(
            """() => [...document.querySelectorAll(".frames img")].filter(one => one.checkVisibility()
                && one.naturalWidth > 20).length === 2"""
        )
        page.keyboard.press("p")
        assert page.locator(".frames img:visible").count() == 0


def test_frames_are_searched_by_name_and_reason(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        reach(page, "#search")
        page.keyboard.type("thin cloud")
        found = page.locator(".frames tbody tr[data-file]:visible .why").all_inner_texts()
        assert 0 < len(found) < 20
        assert all("thin cloud" in reason for reason in found)


def test_the_reader_chooses_the_group_whose_charts_are_shown(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        assert page.locator("#chart-stack").is_visible()
        assert not page.locator("#chart-stack-2").is_visible()
        reach(page, "[name=group-night] >> nth=0")
        page.keyboard.press("ArrowRight")
        assert page.locator("#chart-stack-2 .whose").inner_text() == "M 101 R 300 s, 12 frames"
        assert not page.locator("#chart-stack").is_visible()
        assert page.locator("#chart-stars-2").is_visible()


def test_on_paper_all_is_there_and_nothing_to_press(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, seen):
        printed = page.pdf(format="A4")
        assert printed.startswith(b"%PDF")
        pages = len(re.findall(rb"/Type\s*/Page\b", printed))
        assert 4 < pages < 16
        assert len(zlib.compress(printed)) > 30_000
        page.emulate_media(media="print")
        assert page.locator(".tools button:visible, nav:visible, .look:visible").count() == 0
        assert page.locator(".frames tbody tr[data-file]:visible").count() == 40 + N_FAILED
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert seen.complaints == []


def test_without_its_script_the_page_still_tells_all(chromium: Any, file: Path) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.locator(".frames tbody tr[data-file]").count() == 40 + N_FAILED
    assert page.locator("#chart-stack").is_visible()
    assert page.locator("#chart-stack-2").is_visible()
    context.close()


def test_five_hundred_frames_with_pictures_stay_small(chromium: Any, long_file: Path) -> None:
    assert long_file.stat().st_size < 8_000_000
    with shown(chromium, long_file, PHONE) as (page, seen):
        assert page.locator(".frames tbody tr[data-file]").count() == 500 + N_FAILED
        assert page.locator('.frames tr:not([data-grade=""]) img').count() == 1000
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        assert seen.complaints == []
