"""report.html as a browser's parser sees it: self-contained, inert against hostile text, words for every picture."""

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import by_hand
import pytest

from framecheck.causes.catalogue import CAUSES
from framecheck.decision.judgement import Judgement
from framecheck.field.result import FrameFailure
from framecheck.night.records import NightFrame, Skipped
from framecheck.read.rig import Rig
from framecheck.report.page import night_page
from framecheck.report.story import advice

VOID = {"meta", "link", "br", "img", "input", "hr"}
HOSTILE = (
    "\"><script>alert(1)</script><img src=x onerror=alert(2)>'{{7*7}}</title></style>&lt;$\\frac{1}{2}$\x1b[31m\u202e"
)


class Page(HTMLParser):
    """Elements, attributes and text of a page, with the nesting checked."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.text: dict[str, list[str]] = {}
        self.feed(text)
        self.close()
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.setdefault(self.open[-1] if self.open else "", []).append(data)

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def words(self) -> str:
        return " ".join(" ".join("".join(parts).split()) for tag, parts in self.text.items() if tag not in ("style",))


@pytest.fixture(scope="module")
def whole() -> str:
    return night_page(by_hand.with_causes(by_hand.judgement(44))).replace("\u00a0", " ")


def test_the_page_loads_nothing(whole: str) -> None:
    page = Page(whole)
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)", whole)
    assert {"link", "img", "iframe", "object", "embed", "base", "form", "audio", "video"}.isdisjoint(
        tag for tag, _ in page.elements
    )
    for _, attributes in page.elements:
        assert "src" not in attributes
        assert attributes.get("href", "#").startswith("#")
        assert not any(name.startswith("on") for name in attributes)


def test_the_content_policy_lets_nothing_in_but_its_own_script(whole: str) -> None:
    page = Page(whole)
    (policy,) = [m["content"] for m in page.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "form-action 'none'" in policy
    script = re.findall(r"<script>(.*?)</script>", whole, flags=re.DOTALL)
    assert len(script) == 1
    # W3C, HTML, "the script element": of another type it is a block of data, and nothing in it runs
    assert {one["type"] for one in Page(whole).all("script") if one} <= {"application/json", "text/plain"}
    # W3C, Content Security Policy Level 3, section 2.3.1: the hash is that of the element's text
    digest = base64.b64encode(hashlib.sha256(script[0].encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in policy


def test_names_are_unique_and_every_link_leads_somewhere(whole: str) -> None:
    page = Page(whole)
    names = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
    assert len(names) == len(set(names))
    for _, attributes in page.elements:
        for target in (attributes.get("href", "")[1:], *attributes.get("aria-labelledby", "").split()):
            assert not target or target in names, target
    for name in re.findall(r"url\(#([^)]+)\)", whole):
        assert name in names


def test_every_picture_has_words(whole: str) -> None:
    page = Page(whole)
    for svg in page.all("svg"):
        assert svg.get("aria-hidden") == "true" or (svg["role"] == "img" and len(svg["aria-labelledby"].split()) == 2)
    told = "".join(page.text["desc"])
    for words in ("Elongation from", "cells over the field", "Star size from"):
        assert words in told


def test_the_first_screen_answers(whole: str) -> None:
    page = Page(whole)
    first = " ".join(page.words.split())
    assert "Fair night: poor polar alignment cost 18 %." in first
    assert re.search(r"\d+ of 44", first)
    assert "Align the polar axis again by drift" in first
    assert "Mount: yes, but you don't need a new one yet. Tracking error 0.90″, you need 0.60″ or better." in first


def test_findings_are_folded_and_their_titles_are_conclusions(whole: str) -> None:
    parts = re.findall(r'<details class="part[^>]*>', whole)
    assert len(parts) > 5
    assert not any(" open" in part for part in parts)
    assert "Poor polar alignment cost 18 %" in whole
    # confidence stands beside it in words, with its number inside: two percentages in a line are taken for each other
    summary = re.search(r'id="finding-polar-misalignment"><summary>(.*?)</summary>', whole, flags=re.DOTALL)
    assert summary is not None
    assert summary[1].count("%") == 1
    assert "very likely, 44 frames" in summary[1]
    assert "How sure: very likely (86 %)." in whole


def test_a_caution_stands_with_the_fix_that_it_belongs_to() -> None:
    steps = advice("Fixes", CAUSES["shock"].cures).steps
    assert [bool(caution) for _, caution in steps] == [False, True, False, False]  # cables, in the dark


def test_both_themes_and_the_phone_are_provided_for(whole: str) -> None:
    assert "prefers-color-scheme: dark" in whole
    assert "@media print" in whole
    assert 'content="width=device-width, initial-scale=1"' in whole
    # drawings take their colours from the page: no colour of matplotlib's own
    svg = "".join(re.findall(r'<svg class="drawing".*?</svg>', whole, flags=re.DOTALL))
    assert svg
    assert not re.search(r"#[0-9a-f]{6}\b(?![0-9a-f])", re.sub(r'(href|id)="[^"]*"|url\(#[^)]*\)', "", svg))


def hostile_night() -> Judgement:
    """Every text that comes from outside is hostile."""

    def spoil(frame: NightFrame, number: int) -> NightFrame:
        exposure = replace(
            frame.result.exposure,
            file=by_hand.FOLDER / f"{HOSTILE.replace('/', '∕')}{number}.fits",
            target=HOSTILE, filter=HOSTILE, camera=HOSTILE, telescope=HOSTILE, conflicts=(HOSTILE,),
        )  # fmt: skip
        return replace(frame, result=replace(frame.result, exposure=exposure), group=HOSTILE)

    night = by_hand.judgement_of(tuple(spoil(by_hand.frame(i), i) for i in range(8)))
    failure = FrameFailure(exposure=None, file=HOSTILE, fault=HOSTILE, remedy=HOSTILE)
    skipped = Skipped(file=Path(HOSTILE), kind=HOSTILE, why=HOSTILE)
    inner = replace(night.night, failures=(failure,), skipped=(skipped,))
    graded = tuple(replace(grade, grade="reject", reasons=(HOSTILE,)) for grade in night.grades)
    return replace(by_hand.with_causes(night), night=inner, grades=graded)


def test_hostile_text_stays_text(whole: str) -> None:
    text = night_page(hostile_night())
    page = Page(text)
    plain = Page(whole)
    assert [one for one in page.all("script") if not one] == [{}]
    assert {tag for tag, _ in page.elements} <= {tag for tag, _ in plain.elements}
    assert not any(name.startswith("on") for _, attributes in page.elements for name in attributes)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "{{7*7}}" in text
    assert "alert(1)" in page.words
    data = json.loads(re.findall(r'<script type="application/json" id="data">(.*?)</script>', text)[0])
    assert len(data["frames"]["file"]) == 8
    assert all("alert(2)" in name for name in data["frames"]["file"])
    assert len(re.findall(r"<title>", text)) == 1


def test_a_night_without_a_rig_tells_what_is_missing_and_stays_in_pixels() -> None:
    bare = tuple(
        replace(
            by_hand.frame(i), altitude_deg=None, airmass=None, sky_e_per_s=None, effective_exposure_s=None,
            transparency=None, transparency_error=None, registration=None,
        )
        for i in range(5)
    )  # fmt: skip
    text = night_page(by_hand.judgement_of(bare, rig=Rig()))
    page = Page(text)
    assert "arcsec" not in "".join(page.text["figcaption"])
    assert '"unit":"px"' in text
    assert '"unit":"″"' not in text
    for key in ("focal_length_mm", "pixel_um", "gain_e_per_adu", "site_latitude_deg", "worm_period_s"):
        assert key in text
    assert "[optics]" in text
    assert "None" not in page.words
    assert "nan" not in page.words.lower().split()


def test_frames_without_times_or_shapes_or_over_many_nights() -> None:
    frames = [by_hand.frame(i, filter="LRGB"[i % 4]) for i in range(8)]
    result = frames[1].result
    frames[1] = replace(frames[1], result=replace(result, exposure=replace(result.exposure, start_utc=None)))
    frames[2] = replace(frames[2], result=replace(frames[2].result, shape=None))
    grades = by_hand.judgement(8).grades
    text = night_page(by_hand.judgement_of(tuple(frames), grades=grades))
    Page(text)
    assert "frame number" in text
    assert "filters L, R, G and B" in text


def test_a_single_frame_and_no_frame_at_all_make_a_page() -> None:
    Page(night_page(by_hand.judgement(1)))
    empty = Page(night_page(by_hand.judgement(0)))
    assert "No frame could be measured." in empty.words


def test_five_hundred_frames_stay_small() -> None:
    frames = tuple(by_hand.frame(i, n_stars=20) for i in range(500))
    text = night_page(by_hand.judgement_of(frames))
    assert len(text.encode()) < 4_000_000
    Page(text)


def test_equal_nights_give_equal_pages(whole: str) -> None:
    assert night_page(by_hand.with_causes(by_hand.judgement(44))).replace("\u00a0", " ") == whole
