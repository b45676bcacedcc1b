"""The page's script in headless Chromium: choices by keyboard, remembered and saved; meanings on the spot."""

import re
import shutil
import subprocess
from html import unescape
from pathlib import Path

import by_hand
import pytest

from framecheck.report.page import night_page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine: the script is not tried")

DRIVER = """
<script>{
const told = [];
const tell = (name, value) => told.push(`${name}=${value}`);
const press = (key) =>
  document.activeElement.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true, cancelable: true }));
const frames = [...document.querySelectorAll("table.frames tbody tr")];
const chosen = () => document.getElementById("chosen").textContent;
tell("at first", chosen());
frames[0].focus();
press("l");
tell("one left out", chosen());
press("ArrowDown");
tell("moved to", document.activeElement.dataset.file);
press("l");
press("Backspace");
tell("taken back", chosen());
tell("remembered", localStorage.getItem(document.querySelector("table.frames").dataset.memory));
const search = document.getElementById("search");
search.value = "cloud";
search.dispatchEvent(new Event("input"));
tell("found", frames.filter((row) => row.checkVisibility()).length);
document.querySelector(".term").click();
tell("meaning open", document.getElementById("meaning").matches(":popover-open"));
const saved = [];
URL.createObjectURL = (blob) => {
  blob.text().then((text) => {
    saved.push(text);
    document.getElementById("told").textContent = [...told, ...saved].join("\\n");
  });
  return "#";
};
document.getElementById("save-csv").click();
document.getElementById("save-list").click();
}</script><pre id="told"></pre></body>"""


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What the driver saw; the page's policy is taken out of this copy, for it lets no second script run."""
    page = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", night_page(by_hand.judgement(30)))
    folder = tmp_path_factory.mktemp("page")
    file = folder / "report.html"
    file.write_text(page.replace("</body>", DRIVER), encoding="utf-8")
    return unescape(_dom(file, folder).split('<pre id="told">')[1].split("</pre>")[0])


def _dom(file: Path, folder: Path) -> str:
    options = ("--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder}", "--virtual-time-budget=3000")
    command = [str(CHROMIUM), *options, "--dump-dom", file.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    return done.stdout


def test_a_choice_overrides_the_grade_and_can_be_taken_back(told: str) -> None:
    n_keep, n = map(int, re.findall(r"at first=(\d+) of (\d+) frames go into the stack", told)[0])
    assert n == 30
    left_out = f"={n_keep - 1} of 30 frames go into the stack"
    assert re.search(f"one left out{left_out}.*; 1 is your own choice", told)
    assert "moved to=lights/M101_L_002.fits" in told
    assert re.search(f"taken back{left_out}.*; 1 is your own choice", told)
    assert 'remembered={"lights/M101_L_001.fits":"leave out"}' in told


def test_choices_leave_as_csv_and_as_a_plain_list(told: str) -> None:
    assert "file,grade,own_choice,decision" in told
    assert re.search(r"^lights/M101_L_001\.fits,keep,leave out,leave out$", told, flags=re.MULTILINE)
    lines = re.findall(r"^lights/M101_L_\d+\.fits$", told, flags=re.MULTILINE)
    assert "lights/M101_L_001.fits" not in lines
    assert "lights/M101_L_002.fits" in lines


def test_search_and_meanings(told: str) -> None:
    assert 0 < int(re.findall(r"found=(\d+)", told)[0]) < 30
    assert "meaning open=true" in told
