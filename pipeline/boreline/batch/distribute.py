"""Jobs to workers: Dask decides who does what, here or on a cluster; each job runs in a child process of its worker."""

from __future__ import annotations

import logging
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from boreline.batch.job import Ending, Job, Outcome
from boreline.batch.work import work
from boreline.errors import InputRefused

_CONNECT_S = 20
_THIS_MACHINE = "127.0.0.1:0"
_KEEP_LITTLE = {
    "distributed.worker.profile.enabled": False,
    "distributed.admin.log-length": 100,
    "distributed.admin.low-level-log-length": 100,
    "distributed.admin.system-monitor.log-length": 10,
    "distributed.admin.system-monitor.gil.enabled": False,
    "distributed.diagnostics.computations.max-history": 1,
}
"""Dask keeps profiles and logs of hours; a batch that runs for days would grow by them."""


def run_jobs(jobs: Sequence[Job], *, workers: int, scheduler: str | None = None) -> Iterator[Outcome]:
    """Run all jobs and yield each outcome as it comes.

    Parameters
    ----------
    workers
        Local workers of one thread each; ignored with `scheduler`.
    scheduler
        Address of a running Dask scheduler whose workers see the same files.

    Raises
    ------
    InputRefused
        The scheduler does not answer.
    """
    if not jobs:
        return
    from distributed import as_completed

    with _client(workers, scheduler) as client:
        futures = client.map(work, list(jobs), pure=False, retries=0)
        job_of = {future.key: job for future, job in zip(futures, jobs, strict=True)}
        for future in as_completed(futures):
            if future.status == "finished":
                yield future.result()
            else:
                job = job_of[future.key]
                yield Outcome(job.name, job.key, Ending.FAILED_FOR_NOW, "analysis", "the worker was lost")
            future.release()


@contextmanager
def _client(workers: int, scheduler: str | None) -> Iterator[Any]:
    import dask
    from distributed import Client, LocalCluster

    logging.getLogger("distributed").setLevel(logging.ERROR)
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=_CONNECT_S)
        except (OSError, ValueError) as cause:
            raise InputRefused(
                f"no Dask scheduler answers at {scheduler}: {cause}",
                tag="--scheduler",
                remedy="start one or leave it out",
            ) from None
        with client:
            yield client
        return
    # The workers only wait for child processes, so threads of this process serve as workers. Dask opens a status server
    # in any case, on all interfaces if not told otherwise.
    with (
        dask.config.set(_KEEP_LITTLE),
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=False,
            dashboard_address=_THIS_MACHINE,
            worker_dashboard_address=_THIS_MACHINE,
            memory_limit=0,
        ) as cluster,
        Client(cluster) as client,
    ):
        yield client
