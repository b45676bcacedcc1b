"""Nights and frames built by hand (`by_hand.py`, `kept_frames.py`) for the tests of what is shown and written."""

import sys
from pathlib import Path

for folder in ("report", "logbook"):
    sys.path.append(str(Path(__file__).parent.parent / folder))
