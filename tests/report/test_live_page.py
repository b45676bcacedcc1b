"""live.html: what it says, that it renews itself from a plain file, and that it needs no network."""

import json
import re
from base64 import b64encode
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from html import unescape
from pathlib import Path
from typing import Any

import by_hand
from browser import PHONE, running, shown

from framecheck.causes.catalogue import CAUSES
from framecheck.decision.alarms import Alarm
from framecheck.read.rig import Rig
from framecheck.report.live_page import STATE, LivePage, live_page

DEW = Alarm(
    sign="wider", group="L", since="M101_L_041.fits", since_utc=None, usual=1.75, now=2.3, cause="dew", confidence=0.78,
    cure=CAUSES["dew"].cures[0], caution=CAUSES["dew"].caution,
)  # fmt: skip
CLOUD = replace(
    DEW, sign="dimmer", cause="cloud", cure=CAUSES["cloud"].cures[0], caution=None, is_over=True, last="27.fits"
)


def live(*alarms: Alarm, is_over: bool = False, arriving: tuple[str, ...] = (), n: int = 30) -> LivePage:
    night = by_hand.judgement(n)
    written = datetime(2024, 3, 12, 22, 30, tzinfo=UTC)
    return live_page(night, night.rows, alarms, arriving, is_over=is_over, written=written)


def state_of(page: LivePage) -> Any:
    return json.loads(page.state.removeprefix("framecheckNow(").removesuffix(");\n"))


def words(html: str) -> str:
    body = html.split("<main>")[1].split("</main>")[0]
    return unescape(" ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", " ", body, flags=re.DOTALL)).split()))


def test_the_verdict_is_that_of_all_frames_so_far_as_the_report_will_say_it() -> None:
    morning = by_hand.judgement(30).morning
    said = words(live().html)
    for text in (morning.verdict, morning.action.sentence, morning.mount, morning.figures[0].value):
        assert text in said
    assert "No change for the worse right now." in said


def test_an_alarm_comes_first_with_its_cause_and_cure() -> None:
    page = live(CLOUD, DEW, arriving=("next.fits",))
    said = words(page.html)
    assert said.index("Stars get wider since M101_L_041.fits: FWHM 3.37″") < said.index("Do first:")
    for part in ("Likely cause: dew, likely (78 %).", CAUSES["dew"].cures[0], CAUSES["dew"].caution, "1 file arriving"):
        assert part in said
    assert "Starlight drops: over, the light is back (27.fits was the last to show it)." in said
    assert "No change" not in said
    assert "<title>! Stars get wider" in page.html
    (alarm,) = state_of(page)["alarms"]
    assert alarm["title"] == "Stars get wider"


def test_the_state_beside_the_page_shows_what_the_page_shows_and_ends_with_the_watch() -> None:
    page = live(DEW)
    state = state_of(page)
    assert state["content"] in page.html
    assert not state["over"]
    over = live(is_over=True)
    assert state_of(over)["over"]
    assert 'href="report.html"' in over.html
    assert "The watch has ended" in over.html
    assert 'http-equiv="refresh"' not in page.html + over.html


def test_it_needs_nothing_else_and_lets_nothing_else_in() -> None:
    html = live(DEW).html
    assert not re.search(r"(src|href)=\"(?!#|report\.html)", html)
    assert not re.search(r"url\((?!#)|@import|https?://(?!www\.w3\.org)", html)
    script = re.search(r"<script>(.*?)</script>", html, flags=re.DOTALL)
    assert script is not None
    allowed = b64encode(sha256(script[1].encode()).digest()).decode()
    policy = re.search(r"default-src 'none'; style-src 'unsafe-inline'; script-src '(\S+)' 'nonce-([\w-]+)'", html)
    assert policy is not None
    assert policy[1] == f"sha256-{allowed}"
    assert policy[2] not in live(DEW).html  # nobody can foresee it


def test_names_are_escaped() -> None:
    hostile = '<img src=x onerror="1">\u202e</script>.fits'
    page = live(replace(DEW, since=hostile), replace(CLOUD, last=hostile), arriving=(hostile,))
    assert "<img" not in page.html
    assert "\u202e" not in page.html
    assert "<img" not in state_of(page)["content"]


def test_times_of_the_place_stand_beside_utc_where_it_is_known() -> None:
    night = by_hand.judgement(3)
    there = replace(night, night=replace(night.night, rig=Rig(site_longitude_deg=16.4)))
    written = datetime(2024, 3, 12, 22, 30, tzinfo=UTC)
    said = words(live_page(there, there.rows, (), (), is_over=False, written=written).html)
    assert "22:30:00 UTC , 23:36 local mean time" in said  # 16.4 deg east: the mean sun is 65.6 min ahead
    assert "local mean time" not in words(live().html)


def test_in_a_browser_it_renews_itself_from_a_file_and_speaks_up(tmp_path: Path) -> None:
    file = tmp_path / "live.html"
    calm = live(n=12)
    file.write_text(calm.html, encoding="utf-8")
    with running() as browser, shown(browser, file, PHONE) as (page, seen):
        page.evaluate("() => { document.querySelector('#latest').dataset.mine = 'stays'; }")
        assert "days ago" in page.inner_text(".facts")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        warned = live(DEW, n=12)
        (tmp_path / STATE).write_text(warned.state, encoding="utf-8")
        page.wait_for_selector(".warning")
        assert page.title().startswith("! Stars get wider")
        assert page.text_content("#heard").startswith("Stars get wider. ")
        page.click("#red")
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(0, 0, 0)"
        page.click("#sound")
        assert page.get_attribute("#sound", "aria-pressed") == "true"
        (tmp_path / STATE).write_text(live(n=12, is_over=True).state, encoding="utf-8")
        page.wait_for_selector("text=Open the report of the night")
        assert all(address.startswith("file:") for address in seen.requests)
        assert [one for one in seen.complaints if "ERR_FILE_NOT_FOUND" not in one] == []  # before the first state
        page.reload()
        assert page.evaluate("document.documentElement.hasAttribute('data-red')")


STAND_INS = """(refuses) => {
    window.notes = [];
    window.tones = 0;
    window.Notification = class {
        constructor(title, { body, tag }) {
            if (refuses) throw new TypeError("Illegal constructor");
            window.notes.push([title, body, tag]);
        }
        static async requestPermission() { return "granted"; }
    };
    const gain = { setValueAtTime() {}, setTargetAtTime() {} };
    window.AudioContext = class {
        currentTime = 0;
        resume() {}
        createGain() { return { gain, connect() {} }; }
        createOscillator() {
            return { frequency: {}, connect: (next) => next, start() { window.tones += 1; }, stop() {} };
        }
    };
}"""
"""What a browser on a desk, or one that refuses, gives a page: it sounds nothing, and writes down what it was asked."""


def test_who_asked_for_it_is_notified_and_hears_it_once(tmp_path: Path) -> None:
    file = tmp_path / "live.html"
    file.write_text(live(n=12).html, encoding="utf-8")
    with running() as browser:
        for refuses in (False, True):
            (tmp_path / STATE).unlink(missing_ok=True)
            with shown(browser, file) as (page, _):
                page.evaluate(STAND_INS, refuses)
                page.click("#sound")
                page.click("#notify")
                page.wait_for_selector("#notify[aria-pressed=true]")
                (tmp_path / STATE).write_text(live(DEW, n=12).state, encoding="utf-8")
                page.wait_for_selector(".warning")
                notes, tones = page.evaluate("[window.notes, window.tones]")
                assert tones == 4  # one to show that it sounds, three for the alarm
                if refuses:
                    assert page.get_attribute("#notify", "aria-pressed") == "false"
                    assert "Use Sound" in page.inner_text("#told")
                else:
                    (note,) = notes
                    assert note[0] == "Stars get wider"
                    assert CAUSES["dew"].cures[0] in note[1]
