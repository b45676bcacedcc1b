"""A slice of the campaign of hostile raws and pictures: each is measured, or refused in a sentence."""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))
from mutate import Mutant
from raws import HONEST_MB, RAW_KINDS, RawKind, honest_raw, raw_mutant, raws
from trial import MOST_S, try_mutant

SEED = 1


@pytest.mark.parametrize("kind", RAW_KINDS, ids=lambda kind: kind.name)
def test_honest_raws_and_pictures_of_every_kind_are_read(kind: RawKind, tmp_path: Path) -> None:
    content = honest_raw(RAW_KINDS.index(kind))
    honest = Mutant(number=1, ending=kind.ending, content=content, story="honest")
    trial = try_mutant(honest, tmp_path, HONEST_MB, measure=False)
    assert (trial.outcome == "read") != kind.refused, trial


def test_hostile_raws_are_read_or_refused_in_a_sentence(tmp_path: Path) -> None:
    attempt = raws(tmp_path, SEED)
    trials = [attempt(number) for number in range(1, 240, 2)]
    for trial in trials:
        assert not trial.bad, f"python tests/fuzz/campaign.py --what raws --seed {SEED} --one {trial.number}: {trial}"
        assert trial.seconds < MOST_S
    assert len({trial.outcome for trial in trials}) > 5
    assert raw_mutant(SEED, 4711) == raw_mutant(SEED, 4711)


def test_stars_that_no_form_fits_are_measured_without_a_word(tmp_path: Path) -> None:
    # all that a pixel's worth of light tells of the size lies on the far side of the best form
    trial = raws(tmp_path, 2828)(2590)
    assert not trial.bad, trial
