"""What a notebook shows of a frame, a night and a finding: the same words as everywhere, and nothing that runs."""

import sys
from dataclasses import replace
from pathlib import Path

sys.path += [str(Path(__file__).parent / room) for room in ("report", "logbook")]
import by_hand

from framecheck.notebook import small_table


def test_a_judged_night_shows_the_first_screen() -> None:
    night = by_hand.judgement(20)
    shown = night._repr_html_()
    for text in (night.morning.verdict, night.morning.action.todo, night.morning.figures[0].value):
        assert text in shown
    assert "19 frames" in night.night._repr_html_() or "20 frames" in night.night._repr_html_()


def test_a_frame_shows_its_figures_with_errors_and_both_clocks() -> None:
    result = by_hand.judgement(1).night.frames[0].result
    assert result.shape is not None
    shown = replace(result, exposure=replace(result.exposure, site_longitude_deg=-75.0))._repr_html_()
    assert f"{result.shape.fwhm_px:.2f} ± {result.shape.fwhm_px_error:.2f} px" in shown
    assert "19:40:00 UTC, 14:40 local mean time" in shown  # 75 deg west: five hours behind Greenwich


def test_a_finding_shows_its_evidence_against_what_is_normal() -> None:
    finding = by_hand.with_causes(by_hand.judgement(20)).findings[0]
    shown = finding._repr_html_()
    assert f"{finding.confidence * 100:.0f} %" in shown
    assert "(normal: " in shown
    assert finding.cures[0].split("'")[0] in shown


def test_text_from_headers_stays_text() -> None:
    hostile = "<script>alert(1)</script>\u202e"
    assert "<script" not in small_table(hostile, [(hostile, hostile)], about=hostile)
    assert "\u202e" not in small_table(hostile, [(hostile, hostile)], about=hostile)
