"""A slice of the campaigns of hostile logbooks, journals and night.json, and of commands on a failing disk."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent))
from books import TRIES

SEED = 1


@pytest.mark.parametrize(
    ("what", "first", "n", "fewest_outcomes"), [("logbook", 0, 16, 2), ("journal", 0, 60, 3), ("night.json", 0, 25, 2)]
)
def test_what_is_damaged_or_forged_is_refused_or_does_no_harm(
    tmp_path: Path, what: str, first: int, n: int, fewest_outcomes: int
) -> None:
    attempt = TRIES[what](tmp_path, SEED)
    outcomes = set()
    for number in range(first, first + n):
        trial = attempt(number)
        assert not trial.bad, f"python tests/fuzz/campaign.py --what {what} --seed {SEED} --one {number}: {trial}"
        outcomes.add(trial.outcome)
    assert len(outcomes) >= fewest_outcomes


@pytest.mark.skipif(sys.platform != "linux", reason="forks, and asks proc(5) which file is open")
def test_a_disk_that_fails_at_any_call_costs_nothing() -> None:
    words = ["--what", "sort --move", "sort --undo", "the logbook", "--every", "120"]
    done = subprocess.run(
        [sys.executable, str(Path(__file__).parent / "faults.py"), *words], capture_output=True, check=False,
        timeout=300, text=True,
    )  # fmt: skip
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(told) == 3, done.stderr
    assert all(not summary["bad"] for one in told for summary in one.values()), told
    assert done.returncode == 0
