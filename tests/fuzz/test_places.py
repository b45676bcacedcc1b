"""A slice of hostile folders, lists, rig files and guiding records (`python tests/fuzz/places.py` tries thousands)."""

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))
from places import KINDS, try_one

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links, pipes and alarms of POSIX")
SEED = 2


@pytest.mark.parametrize("kind", KINDS)
def test_hostile_places_are_read_or_refused_in_a_sentence(kind: str) -> None:
    outcomes = set()
    for number in range(40):
        outcome, wrong, _ = try_one(kind, SEED, number)
        assert not wrong, f"python tests/fuzz/places.py --seed {SEED} --kind '{kind}' --one {number}: {wrong}"
        outcomes.add(outcome)
    assert len(outcomes) > 1
