"""Before anything else: tests run side by side, so that matrices need not; and none meets the user's logbook."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ["FRAMECHECK_LOGBOOK"] = "none"
