"""live.html: what it says, that it loads itself again, and that it needs no network."""

import re
import shutil
import subprocess
from base64 import b64encode
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import by_hand
import pytest

from framecheck.causes.cures import CAUTIONS, CURES
from framecheck.decision.alarms import Alarm
from framecheck.report.live_page import live_page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
DEW = Alarm(
    sign="wider", group="L", since="M101_L_041.fits", since_utc=None, usual=1.75, now=2.3, cause="dew", confidence=0.78,
    cure=CURES["dew"][0], caution=CAUTIONS["dew"],
)  # fmt: skip
CLOUD = replace(DEW, sign="dimmer", cause="cloud", cure=CURES["cloud"][0], caution=None, is_over=True, last="27.fits")


def page(*alarms: Alarm, is_over: bool = False, arriving: tuple[str, ...] = ()) -> str:
    night = by_hand.judgement(30)
    written = datetime(2024, 3, 12, 22, 30, tzinfo=UTC)
    return live_page(night, night.rows, alarms, arriving, is_over=is_over, written=written)


def words(html: str) -> str:
    body = html.split("</header>")[1].split("<script>")[0]
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", " ", body, flags=re.DOTALL)).split())


def test_it_loads_itself_again_until_the_watch_ends() -> None:
    assert re.search(r'<meta http-equiv="refresh" content="\d+">', page())
    over = page(is_over=True)
    assert 'http-equiv="refresh"' not in over
    assert 'href="report.html"' in over
    assert "The watch has ended" in over


def test_a_calm_night_says_so_and_an_alarm_comes_first() -> None:
    calm = words(page())
    assert calm.startswith("Nothing has changed for the worse. 30 frames:")
    warned = page(CLOUD, DEW, arriving=("next.fits",))
    said = words(warned)
    assert said.startswith("Stars grow Stars grow since M101_L_041.fits: 3.37″ wide")
    for part in ("Likely cause: dew, likely (78 %).", CURES["dew"][0], CAUTIONS["dew"], "1 file arriving"):
        assert part in said
    assert "Light is lost: over, the light is back (27.fits was the last to show it)." in said
    assert "Nothing has changed" not in said
    assert "<title>! Stars grow" in warned


def test_it_needs_nothing_else_and_lets_nothing_else_in() -> None:
    html = page(DEW)
    assert not re.search(r"(src|href)=\"(?!#|report\.html)", html)
    assert not re.search(r"url\((?!#)|@import|https?://(?!www\.w3\.org)", html)
    script = re.search(r"<script>(.*?)</script>", html, flags=re.DOTALL)
    assert script is not None
    allowed = b64encode(sha256(script[1].encode()).digest()).decode()
    assert f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{allowed}'" in html


def test_names_are_escaped() -> None:
    hostile = '<img src=x onerror="1">\u202e.fits'
    html = page(replace(DEW, since=hostile), replace(CLOUD, last=hostile), arriving=(hostile,))
    assert "<img" not in html
    assert "\u202e" not in html


@pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: the script is not tried")
def test_in_a_browser_it_tells_how_old_it_is(tmp_path: Path) -> None:
    file = tmp_path / "live.html"
    file.write_text(page(DEW), encoding="utf-8")
    options = ("--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking",
               f"--user-data-dir={tmp_path / 'profile'}", "--virtual-time-budget=2000")  # fmt: skip
    done = subprocess.run(
        [str(CHROMIUM), *options, "--dump-dom", file.as_uri()], capture_output=True, text=True, timeout=300, check=True
    )
    assert re.search(r"22:30:00 UTC</time> <span class=\"quiet\">\(\d+ days ago\)", done.stdout)
