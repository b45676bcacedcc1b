"""Evidence is told with its unit, and a tiny chance is never told as none."""

import pytest

from framecheck.causes.result import Evidence, Finding
from framecheck.words import told, told_healthy


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (1e-21, "percent", "below 0.1 %"),
        (0.0, "percent", "0 %"),
        (51.43, "percent", "51.4 %"),
        (1.0, "frames", "1 frame"),
        (3.0, "frames", "3 frames"),
        (7.2149, "arcsec", "7.21″"),
        (-0.4213, "arcsec/min", "−0.421″ a minute"),
        (2.2399, "long over short axis", "elongation 2.24"),
        (1.0, None, "1"),
        (12.0, "parsec", "12 parsec"),
        (12.0, "<b>\x1b", "12 <b>\\x1b"),
    ],
)
def test_a_number_with_its_unit(value: float, unit: str | None, text: str) -> None:
    assert told(value, unit) == text


@pytest.mark.parametrize(
    ("expected", "unit", "text"),
    [
        ("above 0.5", "percent", "above 0.5 %"),
        ("below 3", "percent of the squared FWHM", "below 3 %"),
        ("no period", "s", "no period"),
        ("below 0.1 with a guider", "arcsec/min", "below 0.1″ a minute with a guider"),
        ("above 2 % under air, below under constant blur", "percent", "above 2 % under air, below under constant blur"),
        ("what refraction makes, below 0.4", "arcsec/min", "what refraction makes, below 0.4″ a minute"),
        ("below 0.25", "ratio", "below 0.25"),
        (0.0, "frames", "none"),
        (0.0, None, "none"),
        (0.0, "px", "0 px"),
        (1.35, "long over short axis", "elongation 1.35"),
    ],
)
def test_what_would_be_good_is_in_the_same_unit(expected: str | float, unit: str | None, text: str) -> None:
    assert told_healthy(expected, unit) == text


def test_the_card_tells_evidence_so() -> None:
    from dataclasses import replace

    import by_hand
    from test_page import Page

    from framecheck.report.page import night_page

    evidence = (
        Evidence(statement="chance that noise shows it", value=1e-19, unit="percent", expected_if_healthy="above 0.5"),
        Evidence(statement="spoilt", value=1.0, unit="frames", expected_if_healthy=0.0),
    )
    finding = Finding(cause="shock", confidence=0.9, affected=frozenset(range(1)), cost=None, evidence=evidence)
    cells = Page(night_page(replace(by_hand.judgement(4), findings=(finding,)))).text["td"]
    assert {"below 0.1\u00a0%", "above 0.5\u00a0%", "1 frame", "none"} <= set(cells)
