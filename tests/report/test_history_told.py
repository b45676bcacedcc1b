"""What is said and drawn of months of nights is what was found."""

import json
import re
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

sys.path.append(str(Path(__file__).parent.parent / "decision"))
from past_nights import night, with_rig

from framecheck.decision.compare import compare
from framecheck.decision.history import RigHistory, histories
from framecheck.document import json_text
from framecheck.report.comparison_document import comparison_document
from framecheck.report.history_page import history_page
from framecheck.report.history_picture import history_picture
from framecheck.report.history_words import cause_words, history_document, rig_title, summary, trends_words


def months() -> RigHistory:
    (found,) = histories([
        night(seed=k, days=10 * k, smear=0.9**k, smear_scatter=0.0, n_frames=12, causes=("periodic-error",) * (k < 4))
        for k in range(10)
    ])  # fmt: skip
    return found


def test_nights_are_summed_up() -> None:
    # 10 nights of 12 frames of 120 s, 11 of each kept and worth 100 s
    assert summary(months()) == (
        "10 nights, 12 September 2025 to 11 December 2025: 4 h shot; the 110 kept of 120 frames are worth "
        "3 h 3 min of perfect exposure."
    )
    assert rig_title(months()) == "530 mm, aperture 106 mm, pixels of 3.76 µm, mount: equatorial"


def test_a_trend_is_said_with_its_interval() -> None:
    told = trends_words(months())
    assert "Motion inside an exposure: 27.1 % less in thirty days (−27.1 to −27.1 %): it gets better." in told


def test_too_few_nights_are_said_once() -> None:
    (found,) = histories([night(seed=k, days=10 * k) for k in range(3)])
    (told,) = trends_words(found)
    assert told.startswith("Too few nights to tell. They make 3 spells of weather")


def test_a_cause_that_comes_back_is_laid_to_the_rig() -> None:
    (cause,) = months().causes
    told = cause_words(cause)
    # Clopper and Pearson, 4 of 10: 12.2 to 73.8 % (statistical tables)
    assert told.startswith("Periodic error on 4 of 10 nights (12 % to 74 % of such nights): it comes back")
    assert "the rig" in told
    # the nights with it are the first four, ten days apart
    assert told.endswith("Last on 12 October 2025, not in 6 nights since.")


def test_weather_that_comes_back_is_not_the_rigs() -> None:
    (found,) = histories([night(seed=k, days=10 * k, causes=("cloud",)) for k in range(3)])
    assert "the place or the season" in cause_words(found.causes[0])


def test_the_document_is_plain() -> None:
    document = json.loads(json_text(history_document([months()])))
    (rig,) = document["rigs"]
    assert rig["nights"][0]["start_utc"] == "2025-09-12T19:40:00.000Z"
    assert rig["unit"] == "arcsec"
    assert [one["verdict"] for one in rig["trends"]][1] == "better"


def test_a_night_by_the_cameras_clock_is_not_told_as_utc() -> None:
    frames = night().frames
    by_camera = [replace(one, start_utc=None, start_local=one.start.replace(tzinfo=None).isoformat()) for one in frames]
    local = replace(night(), frames=tuple(by_camera))
    (found,) = histories([local])
    assert [one.by_utc for one in found.nights] == [False]
    assert [one.by_utc for one in histories([night()])[0].nights] == [True]
    document = comparison_document(compare([local, night(seed=2)]))
    assert document["reference"]["start_utc"] is None
    assert document["reference"]["start_local"].startswith("2025-09-12T19:40")


def test_one_night_alone_can_be_drawn() -> None:
    (found,) = histories([night()])
    ET.fromstring(history_picture(found))


def test_the_page_is_whole_and_loads_nothing() -> None:
    odd = with_rig(night(seed=99, days=5), focal_length_mm=1000.0, pixel_scale_arcsec=0.78, mount_type="<script>")
    page = history_page(histories([*(night(seed=k, days=k) for k in range(3)), odd]))
    assert page.count("<section") == 2
    assert "<script>" not in page
    assert not re.findall(r'(?:src|href)="(?!#)', page)
    names = re.findall(r' id="([^"]+)"', page)
    assert len(names) == len(set(names))


def test_one_night_says_what_will_be_shown_and_when_and_draws_nothing() -> None:
    html = history_page(histories([night(seed=1)]))
    assert "One night so far. With the second night" in html
    assert "Trends need 6 nights at least 3 days apart, so 15 days from now" in html
    assert "<svg" not in html.split("<main")[1]
    assert "Does it get better?" not in html
    two = history_page(histories([night(seed=1), night(seed=2, days=4)]))
    assert "<svg" in two.split("<main")[1]
