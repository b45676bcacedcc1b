"""Before anything else: tests run side by side, so that matrices need not; none meets the user's logbook or a clock."""

import os

import pytest
from hypothesis import HealthCheck, settings

from framecheck.memory import keep_freed_memory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ["FRAMECHECK_LOGBOOK"] = "none"

keep_freed_memory()  # as the product does before it measures or judges

# a shared machine is slow at times
settings.register_profile("calm", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("calm")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Of `-n auto`: one more than cores, for some tests wait most of their time, such as for a file to come to rest."""
    return (os.cpu_count() or 1) + 1
