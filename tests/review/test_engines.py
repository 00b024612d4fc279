"""The same tables, byte for byte, from a process pool and from a Dask cluster with two workers."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest
from distributed import LocalCluster

from ebbmark.review.model import Options
from ebbmark.review.report import tables_of, write_tables
from ebbmark.review.run import Start, dask_cluster, process_pool, run

pytestmark = [
    pytest.mark.live,
    pytest.mark.filterwarnings("default"),  # of the cluster's own machinery, none of ours
]


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as started:  # type: ignore[no-untyped-call]
        yield started


def written(record: Path, folder: Path, start: Start) -> dict[str, bytes]:
    options = Options()
    reviewed = run(record, folder / "work", options=options, start=start)
    assert reviewed.failed == 0
    write_tables(tables_of(reviewed, options=options, smallest=1), folder / "tables")
    return {one.name: one.read_bytes() for one in sorted((folder / "tables").iterdir())}


def test_a_process_pool_and_a_cluster_of_two_workers_give_the_same_bytes(
    few: Path, cluster: LocalCluster, tmp_path: Path
) -> None:
    on_this_machine = written(few, tmp_path / "pool", process_pool(2))
    on_a_cluster = written(few, tmp_path / "cluster", dask_cluster(cluster.scheduler_address))

    assert len(on_this_machine) > 30
    assert on_a_cluster == on_this_machine


def test_a_worker_of_the_pool_that_is_killed_loses_and_doubles_nothing(few: Path, tmp_path: Path) -> None:
    killed: list[int] = []

    def told(step: str, *_: int) -> None:
        if step == "review_part" and not killed:
            # The workers are children of the fork server, which is a child of ours.
            workers = [child for child in psutil.Process().children(recursive=True) if child.children() == []]
            killed.append(max(workers, key=lambda one: one.memory_info().rss).pid)
            os.kill(killed[0], signal.SIGKILL)

    reviewed = run(few, tmp_path / "work", options=Options(), start=process_pool(2), on_progress=told)

    assert killed
    assert reviewed.failed == 0
    assert len({Path(folder).name[:5] for folder in reviewed.folders}) == len(reviewed.folders) == reviewed.made
