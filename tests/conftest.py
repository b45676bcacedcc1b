"""Before anything else: tests run side by side, so that matrices need not."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
