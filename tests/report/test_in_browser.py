"""The page in headless Chromium: in both themes, on a desk and a phone, by keyboard alone, and on paper."""

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
from framecheck.report.crops import FramePictures, corner_sheet, star_crop
from framecheck.report.page import night_page
from framecheck.report.thumbnail import thumbnail
from framecheck.words import duration

SMALLEST_PX = 11.0
"""Letters of a chart on a phone. Common practice, no source: smaller ones are not read."""
N_SECOND = 12
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
    """The page with pictures of noise, which packs worst, of so many frames."""
    pixels = np.random.default_rng(5).normal(900, 15, (340, 510))
    each = 4_400_000 // max(pictures, 300)
    whole, sheet = thumbnail(pixels, 6 * each // 10), corner_sheet(pixels, 4 * each // 10)
    star = star_crop(pixels, 250, 160, 21)
    files = [frame.result.exposure.file for frame in judgement.night.frames[:pictures]]
    file = folder / "report.html"
    seen = FramePictures(whole=whole, sheet=sheet, star=star)
    file.write_text(night_page(judgement, dict.fromkeys(files, seen)), encoding="utf-8")
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
        assert page.locator(".row").count() > 5
        for one in page.locator("details").all():
            one.evaluate("one => one.open = true")
        page.wait_for_timeout(100)
        assert [url for url in seen.requests if not url.startswith("data:")] == [file.as_uri()]
        assert seen.complaints == []


def test_lanes_stay_where_they_are_while_they_are_drawn(chromium: Any, long_file: Path) -> None:
    with shown(chromium, long_file, (1280, 2400)) as (page, _):
        # W3C, Layout Instability: what moved in the window, and from where to where
        moved = page.evaluate(
            """() => new Promise(done => {
                const moved = [];
                new PerformanceObserver(list => list.getEntries().forEach(entry => entry.sources.forEach(one =>
                    moved.push([one.node?.className, one.previousRect.y, one.currentRect.y]))))
                    .observe({ type: "layout-shift", buffered: true });
                setTimeout(() => done(moved), 1500);
            })"""
        )
        assert [one for one in moved if one[0] == "lane"] == []


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
        page.wait_for_selector(".row")
        pictures = page.evaluate(
            """() => [...document.querySelectorAll("svg:not([aria-hidden]), img")].map(one =>
                one.alt ?? one.getAttribute("aria-labelledby").split(" ")
                    .map(id => document.getElementById(id).textContent).join(" "))"""
        )
        assert len(pictures) > 10
        assert all(len(told.split()) > 5 and re.search(r"\d", told) for told in pictures), pictures


def test_the_closed_page_is_four_screens_and_nine_hundred_words(chromium: Any, file: Path) -> None:
    with shown(chromium, file, (1440, 900)) as (page, _):
        page.wait_for_selector(".row")
        assert page.evaluate("document.documentElement.scrollHeight") < 4 * 900
        assert len(page.locator("body").inner_text().split()) < 900
        # what to do stands on the first screen
        assert page.locator(".first").bounding_box()["y"] < 700


def test_curves_and_table_are_linked_and_a_choice_changes_the_label(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        page.wait_for_selector(".row")
        page.evaluate("document.querySelector('#track').scrollIntoView({ behavior: 'instant' })")
        box = page.locator(".lane-picture").nth(1).bounding_box()
        # hover tells the value
        page.mouse.move(box["x"] + 3, box["y"] + 20)
        first = page.locator(".lane-name .value").nth(1).inner_text()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 20)
        assert page.locator(".lane-name .value").nth(1).inner_text() != first
        # a click selects, in the table too
        page.mouse.click(box["x"] + 3, box["y"] + 20)
        assert page.locator(".row[aria-selected=true] .name").inner_text() == "lights/M101_L_001"
        page.locator(".row").nth(3).click()
        assert page.locator("#track").get_attribute("aria-valuenow") == "4"
        # a brush selects a span
        page.mouse.move(box["x"] + 3, box["y"] + 20)
        page.mouse.down()
        page.mouse.move(box["x"] + 200, box["y"] + 20, steps=4)
        page.mouse.up()
        assert re.match(r"\d+ frames marked", page.locator("#detail").inner_text())
        assert page.locator("#sum").inner_text().endswith("recommended")
        page.locator("#drop").click()
        assert "your choice" in page.locator("#sum").inner_text()
        page.locator("#recommended").click()
        assert page.locator("#sum").inner_text().endswith("recommended")


def test_frames_are_chosen_and_saved_by_keyboard_alone(chromium: Any, file: Path, tmp_path: Path) -> None:
    with shown(chromium, file) as (page, _):
        page.wait_for_selector(".row")
        press = page.keyboard.press
        reach(page, "#track")
        press("Home")
        press("r")
        press("ArrowRight")
        press("r")
        press("Backspace")
        assert "your choice, 1 changed" in page.locator("#sum").inner_text()
        reach(page, "#rows")
        press("End")
        assert FORMULA in page.locator("#views").inner_text()
        press("Home")
        reach(page, "#save")
        listed = saved(page, tmp_path).splitlines()
        assert "lights/M101_L_001.fits" not in listed
        assert "lights/M101_L_002.fits" in listed
        assert page.locator("#sum").inner_text().startswith(f"{len(listed)} selected")
        assert page.locator("#line").inner_text() == (
            "framecheck sort nights/2024-03-12 --into sorted --by frames-to-stack.txt"
        )


def test_the_slider_goes_from_depth_to_sharpness(chromium: Any, file: Path) -> None:
    night_ = night(40)
    with shown(chromium, file) as (page, _):
        page.wait_for_selector(".row")
        reach(page, "#depth")
        page.keyboard.press("Home")
        assert page.locator("#sum").inner_text().startswith("40 selected")
        for _ in range(30):
            page.keyboard.press("ArrowRight")
        told = page.locator("#sum").inner_text()
        choice = night_.choice
        assert told.startswith("10 selected")
        assert f"stars {choice.fwhm[9]:.2f}″" in told
        assert f"worth {duration(choice.worth_s[9])}" in told
        assert choice.fwhm[9] < choice.fwhm[39]


def test_two_frames_are_set_beside_each_other_and_blink(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        page.wait_for_selector(".row")
        reach(page, "#track")
        page.keyboard.press("Home")
        page.keyboard.press("p")
        page.keyboard.press("ArrowRight")
        assert page.locator(".views.two .seen").count() == 2
        assert page.locator(".seen > img").first.evaluate("one => one.decode().then(() => one.naturalWidth)") > 100
        page.keyboard.press("b")
        page.wait_for_selector(".views.turns.other")
        page.wait_for_selector(".views.turns:not(.other)")
        page.keyboard.press("c")
        assert page.locator(".sheet.large img").count() == 10
        page.keyboard.press("p")
        page.keyboard.press("p")
        assert page.locator("#views .seen").count() == 1


def test_nothing_moves_by_itself_where_motion_is_unwanted(chromium: Any, file: Path) -> None:
    context = chromium.new_context(reduced_motion="reduce")
    page = context.new_page()
    page.goto(file.as_uri())
    page.wait_for_selector(".row")
    page.locator("#blink").click()
    assert page.locator(".views.other").count() == 1
    page.wait_for_timeout(900)
    assert page.locator(".views.other").count() == 1
    page.locator("#blink").click()
    assert page.locator(".views.other").count() == 0
    context.close()


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


def test_own_choices_are_remembered_and_taken_back(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        page.wait_for_selector(".row")
        reach(page, "#track")
        page.keyboard.press("Home")
        page.keyboard.press("r")
        page.reload()
        page.wait_for_selector(".row")
        assert "1 changed" in page.locator("#sum").inner_text()
        page.locator("#which").select_option("mine")
        assert page.locator(".row .name").all_inner_texts() == ["lights/M101_L_001"]
        reach(page, "#recommended")
        page.keyboard.press("Enter")
        assert page.locator("#sum").inner_text().endswith("recommended")


def test_terms_open_their_meaning_without_a_stop_of_the_tab_key(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        assert page.locator(".term[tabindex]").count() == 0
        page.locator(".figures .term").first.click()
        assert len(page.locator("#meaning").inner_text()) > 40
        page.keyboard.press("Escape")
        assert not page.locator("#meaning").is_visible()


def test_the_action_leads_to_its_finding_and_opens_it(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        page.locator(".first a").click()
        page.wait_for_selector("#finding-polar-misalignment[open]")
        assert page.locator("#finding-polar-misalignment .drawing").count() == 1


def test_frames_are_searched_by_name_and_reason(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        page.wait_for_selector(".row")
        reach(page, "#search")
        page.keyboard.type("thin cloud")
        assert 0 < page.locator(".row").count() < 20
        assert page.locator(".row:not(.doubtful)").count() == 0


def test_frames_are_sorted_by_a_column(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, _):
        page.wait_for_selector(".row")
        reach(page, "#heads button >> text=FWHM")
        page.keyboard.press("Enter")
        widths = [float(text) for text in page.locator(".row .c0").all_inner_texts()]
        assert widths == sorted(widths)
        page.keyboard.press("Enter")
        assert float(page.locator(".row .c0").first.inner_text()) > widths[-1]


def test_on_paper_all_is_there_and_nothing_to_press(chromium: Any, file: Path) -> None:
    with shown(chromium, file) as (page, seen):
        page.wait_for_selector(".row")
        printed = page.pdf(format="A4")
        assert printed.startswith(b"%PDF")
        pages = len(re.findall(rb"/Type\s*/Page\b", printed))
        assert 4 < pages < 16
        assert len(zlib.compress(printed)) > 30_000
        page.emulate_media(media="print")
        page.evaluate("dispatchEvent(new Event('beforeprint'))")
        assert page.locator("button:visible, input:visible").count() == 0
        assert page.locator(".printed tbody tr:visible").count() == 40
        # CSS 2, 17.2: such a group of rows is repeated on each page
        assert page.evaluate("getComputedStyle(document.querySelector('.printed thead')).display") == (
            "table-header-group"
        )
        assert page.locator("details:not([open])").count() == 0
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        assert seen.complaints == []


def test_without_its_script_the_page_still_tells_the_answer(chromium: Any, file: Path) -> None:
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.locator(".first").is_visible()
    assert page.locator(".stars img").count() == 3
    assert "frames.csv" in page.locator("noscript").inner_text()
    page.locator("#finding-polar-misalignment summary").click()
    assert page.locator("#finding-polar-misalignment .drawing").is_visible()
    context.close()


def test_five_hundred_frames_with_pictures_stay_small_and_rows_are_drawn_as_they_come_into_view(
    chromium: Any, long_file: Path
) -> None:
    assert long_file.stat().st_size < 8_000_000
    with shown(chromium, long_file, PHONE) as (page, seen):
        page.wait_for_selector(".row")
        assert page.locator(".row").count() < 60
        page.locator("#rows").evaluate("one => { one.scrollTop = one.scrollHeight; }")
        page.wait_for_selector(f'.row[title="{FORMULA}"]')
        assert page.locator(".row").count() < 60
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        assert seen.complaints == []


def test_a_checker_of_accessibility_finds_nothing_serious(chromium: Any, file: Path) -> None:
    checker = pytest.importorskip("axe_playwright_python", reason="no axe-core here: accessibility is not checked")
    rules = (Path(checker.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
    context = chromium.new_context(viewport={"width": PHONE[0], "height": PHONE[1]}, bypass_csp=True)
    page = context.new_page()
    page.goto(file.as_uri())
    page.wait_for_selector(".row")
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    page.evaluate(rules)
    found = page.evaluate("axe.run({ runOnly: ['wcag2a', 'wcag2aa'] })")["violations"]
    assert [one["id"] for one in found if one["impact"] in ("serious", "critical")] == []
    context.close()
