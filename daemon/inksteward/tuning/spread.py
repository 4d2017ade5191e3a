"""Trials spread over processes of this machine or over a cluster, with Dask."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from inksteward.tuning.book import Book
from inksteward.tuning.trials import Trial, run_trial

if TYPE_CHECKING:
    from distributed import Client

START_S = 60
"""How long a scheduler may take to answer."""


class SpreadError(Exception):
    """The cluster cannot be reached; the text says which."""


@contextmanager
def client_of(scheduler: str | None, workers: int) -> Iterator[Client]:
    """A client of the scheduler at that address, or of processes of this machine (0: one a core), bound to loopback and
    without a dashboard. Raises SpreadError."""
    from distributed import Client, LocalCluster

    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=START_S)  # type: ignore[no-untyped-call]
        except (OSError, ValueError) as error:
            raise SpreadError(
                f"--scheduler = {scheduler!r}: {error}: expected the address of a Dask scheduler"
            ) from error
        with client:
            yield client
        return
    count = workers or os.cpu_count() or 1
    with (
        LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=count, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
        ) as cluster,
        Client(cluster, timeout=START_S) as client,  # type: ignore[no-untyped-call]
    ):
        yield client


def search(client: Client, book: Book, progress: Callable[[int, int, Trial], None]) -> None:
    """Run what is left of the book's plan; each trial is put down as it ends, in whatever order. What a trial
    raises is raised here."""
    from distributed import as_completed

    plan, settings = book.plan, book.plan.settings()
    total = len(plan.trials())
    running = {
        client.submit(run_trial, trial, settings[trial.candidate], plan.sheets, plan.pace, pure=False): trial
        for trial in book.left()
    }
    for ended in as_completed(list(running)):  # type: ignore[no-untyped-call]
        trial = running[ended]
        book.put(trial, ended.result())
        ended.release()
        progress(len(book.found), total, trial)
