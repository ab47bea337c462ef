"""Real workers: the same bytes from one process, two processes and a cluster that loses one of its workers."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from newel.app.batch import run_batch, tasks_of
from newel.app.batch_work import Outcome, Task
from newel.app.workers import Errand, Workers, on_a_cluster, on_this_machine
from newel.geometry.meshes import write_stl
from newel.geometry.solids import turned_cylinder
from worker_threads import Asking, lost, threads_of

JOB = """format = 1
machine = "light benchtop mill"
[model]
file = "peg.stl"
scale = {scale}
[place]
axis = "x"
[bar]
section = "round"
size_mm = 12
material = "medium tooling board"
[finish]
rest = false
cusp_mm = 0.1
[proof]
resolution_mm = 0.6
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("jobs")
    (folder / "peg.stl").write_bytes(write_stl(turned_cylinder(0.0, 8.0, 4.0, 32)))
    for k, scale in enumerate((1.0, 0.95, 0.9)):
        (folder / f"peg-{k}.toml").write_text(JOB.format(scale=scale))
    (folder / "too-large.toml").write_text(JOB.format(scale=5))
    return folder


def made(folder: Path, out: Path, workers: Workers) -> dict[str, bytes]:
    tasks, _ = tasks_of([folder], [])
    batch = run_batch(tasks, out, workers, lambda *_: None)
    assert [row.end for row in batch.rows][-1] == "refused"
    assert all(row.end in ("proved", "not proved") for row in batch.rows[:-1]), batch.rows
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()}


@pytest.mark.parametrize(("cores", "tasks", "threads"), [(1, 2, "1"), (2, 3, "1"), (2, 1, "2"), (5, 2, "2")])
def test_so_many_workers_use_so_many_cores(cores: int, tasks: int, threads: str) -> None:
    before = dict(os.environ)
    asked = [Asking(f"t{k}") for k in range(tasks)]
    told = [found for _, found in on_this_machine(cores)(Errand(threads_of, lost), asked)]
    assert len(told) == tasks
    for found in told:
        assert {"kernels", "NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "RAYON_NUM_THREADS"} <= set(found)
        assert set(found.values()) == {threads}
    assert dict(os.environ) == before


@pytest.mark.slow
def test_a_job_alone_writes_the_same_bytes_on_one_thread_and_on_two(folder: Path, tmp_path: Path) -> None:
    tasks, _ = tasks_of([folder / "peg-1.toml"], [])
    for cores in (1, 2):
        run_batch(tasks, tmp_path / str(cores), on_this_machine(cores), lambda *_: None)
    one, two = (
        {path.name: path.read_bytes() for path in sorted((tmp_path / cores).rglob("*")) if path.is_file()} for cores in "12"
    )
    assert one == two and "program.ngc" in one


@pytest.mark.slow
def test_two_workers_and_a_cluster_that_loses_one_write_the_bytes_of_one(folder: Path, tmp_path: Path) -> None:
    distributed = pytest.importorskip("distributed")
    one = made(folder, tmp_path / "one", on_this_machine(1))
    assert sum(name.endswith("program.ngc") for name in one) == 3
    assert made(folder, tmp_path / "two", on_this_machine(2)) == one
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
    ) as cluster:
        killed: list[int] = []

        def losing_one(errand: Errand, tasks: Sequence[Task]) -> Iterator[tuple[Task, Outcome]]:
            for ended in on_a_cluster(cluster.scheduler_address)(errand, tasks):
                if not killed:  # one is done, the others are at work
                    killed.append(next(iter(cluster.workers.values())).pid)
                    os.kill(killed[0], signal.SIGKILL)
                yield ended

        assert made(folder, tmp_path / "three", losing_one) == one
        assert killed
