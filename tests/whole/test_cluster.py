"""A Dask cluster measures as this machine does, and a worker that dies costs no frame."""

import logging
import os
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from framecheck import pipeline
from framecheck.cli.workforce import Workforce, workforce
from framecheck.errors import UnusableRequest
from framecheck.night.records import Skipped
from framecheck.pipeline import measure_night
from framecheck.read import Rig, find_frames
from framecheck.workers import LOST, side_by_side

distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
PATIENCE_S = 300
"""A busy machine starts a worker in many seconds."""
pytestmark = pytest.mark.filterwarnings("ignore")  # of a server that is killed on purpose


@pytest.fixture(scope="module")
def cluster() -> Iterator["distributed.LocalCluster"]:
    """Two worker processes of one thread each, as on two machines."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        yield cluster


def with_workers(cluster: "distributed.LocalCluster", n: int) -> "distributed.LocalCluster":
    """The cluster as soon as it has so many workers, whatever a test before has done to them."""
    cluster.scale(n)
    with distributed.Client(cluster, set_as_default=False) as client:
        client.wait_for_workers(n, timeout=PATIENCE_S)
    return cluster


@pytest.fixture(scope="module")
def frames(night_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Forty frames: the same few under other names."""
    folder = tmp_path_factory.mktemp("shared")
    lights = sorted((night_folder / "lights").glob("field*.fits"))
    for number in range(40):
        shutil.copy(lights[number % len(lights)], folder / f"light_{number:02}.fits")
    found = find_frames(folder)
    assert len(found) == 40
    return found


def test_workers_of_another_version_are_refused(
    cluster: "distributed.LocalCluster", frames: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("framecheck.logbook.mark.MEASURING", 0)
    with pytest.raises(UnusableRequest, match="Install the same everywhere"), \
         Workforce(scheduler=cluster.scheduler_address).staff(frames):  # fmt: skip
        pass


def test_a_worker_killed_in_the_middle_loses_nothing(cluster: "distributed.LocalCluster", frames: list[Path]) -> None:
    # the truth: the same frames measured in this process
    with ThreadPoolExecutor(1) as here:
        expected = measure_night(frames, executor=here)
    first = next(iter(with_workers(cluster, 2).workers.values()))
    killed: list[int] = []

    def kill_in_the_middle(done: int, total: int, path: Path) -> None:
        if done == total // 4:
            killed.append(first.pid)
            os.kill(first.pid, signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)

    with Workforce(scheduler=cluster.scheduler_address).staff(frames) as executor:
        assert side_by_side(executor) == 2
        measured = measure_night(frames, executor=executor, progress=kill_in_the_middle)
        # what its library says of lost connections, with tracebacks, we say ourselves
        assert not logging.getLogger("distributed.client").isEnabledFor(logging.ERROR)
    assert len(killed) == 1
    assert measured.failures == ()
    assert [r.exposure.file for r in measured.results] == frames
    for one, other in zip(measured.results, expected.results, strict=True):
        assert one.shape == other.shape
        np.testing.assert_array_equal(one.stars.table, other.stars.table)


def test_a_frame_that_kills_its_workers_is_named_and_the_others_are_measured(
    cluster: "distributed.LocalCluster", frames: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Frames that wait for a worker when it dies count, for the scheduler, among those that it may have died of. Here it
    # gives up a frame after one death, not after four: workers that die as they start are not always started again.
    monkeypatch.setattr(with_workers(cluster, 3).scheduler, "allowed_failures", 0)
    wicked = frames[0]

    def deadly(path: Path, rig: Rig) -> Skipped:
        if path == wicked:
            time.sleep(0.5)  # meanwhile others come to wait
            os._exit(1)  # as where the system ends a process that takes all memory
        return Skipped(file=path, kind="dark", why="a test")

    monkeypatch.setattr(pipeline, "measure_file", deadly)
    with Workforce(scheduler=cluster.scheduler_address).staff(frames) as executor:
        measured = measure_night(frames[:8], executor=executor)
    (failure,) = measured.failures
    assert failure.file == str(wicked)
    assert failure.fault.startswith(LOST)
    assert [skipped.file for skipped in measured.skipped] == frames[1:8]


def test_where_no_scheduler_answers_a_sentence_says_so(monkeypatch: pytest.MonkeyPatch, frames: list[Path]) -> None:
    monkeypatch.setattr("framecheck.cli.workforce.CONNECT_S", 1)
    with pytest.raises(UnusableRequest, match="no Dask scheduler answers there"), \
         Workforce(scheduler="tcp://127.0.0.1:9").staff(frames):  # fmt: skip
        pass


def test_without_the_extra_a_sentence_tells_what_to_install(
    frames: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UnusableRequest, match=r"pip install 'framecheck\[cluster\]'"), \
         Workforce(scheduler="tcp://127.0.0.1:9").staff(frames):  # fmt: skip
        pass


def test_options_that_exclude_each_other() -> None:
    for workers, memory in ((2, None), (None, "2GB")):
        with pytest.raises(UnusableRequest, match="--scheduler"):
            workforce(workers, memory, "tcp://host:8786")
    with pytest.raises(UnusableRequest, match="isn't a size"):
        workforce(None, "much", None)
