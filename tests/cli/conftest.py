"""Nights built by hand (`by_hand.py`) for the tests of what is shown and written."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parent.parent / "report"))
