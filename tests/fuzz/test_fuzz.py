"""A slice of the campaign of hostile files (`make fuzz` runs the whole): each is measured, or refused in a sentence."""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))
from honest import KINDS
from mutate import honest_file, mutant
from trial import MOST_S, Trial, try_mutant

SEED = 1
HONEST_MB = 60.0
"""Memory of an honest small file while libraries may still be loading. [MB] Chosen; the campaign measures it."""


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_honest_files_of_every_kind_are_measured(kind, tmp_path: Path) -> None:
    hostile = mutant(SEED, 1)
    honest = type(hostile)(number=1, ending=kind.ending, content=honest_file(KINDS.index(kind)), story="honest")
    assert borne(try_mutant(honest, tmp_path, HONEST_MB)).outcome == "measured"


def test_a_mutant_can_be_made_again() -> None:
    assert mutant(SEED, 4711) == mutant(SEED, 4711)
    assert mutant(SEED, 4711) != mutant(SEED + 1, 4711)


def test_hostile_files_are_read_or_refused_in_a_sentence(tmp_path: Path) -> None:
    outcomes = {try_and_clear(number, tmp_path, measure=False).outcome for number in range(600)}
    assert len(outcomes) > 10  # the slice meets most of what a file can be refused for


def test_hostile_files_are_measured_or_refused_by_the_command(tmp_path: Path) -> None:
    outcomes = [try_and_clear(number, tmp_path, measure=True).outcome for number in range(600, 700)]
    assert outcomes.count("measured") > 10


def try_and_clear(number: int, folder: Path, *, measure: bool) -> Trial:
    trial = borne(try_mutant(mutant(SEED, number), folder, HONEST_MB, measure=measure))
    for left in folder.iterdir():
        left.unlink()
    return trial


def borne(trial: Trial) -> Trial:
    assert not trial.bad, f"python tests/fuzz/campaign.py --seed {SEED} --one {trial.number}: {trial}"
    assert trial.seconds < MOST_S
    return trial
