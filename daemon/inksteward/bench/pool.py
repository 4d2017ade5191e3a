"""Many runs side by side on all cores."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from typing import TypeVar

Asked = TypeVar("Asked")
Given = TypeVar("Given")


def side_by_side(
    work: Callable[[Asked], Given],
    jobs: Sequence[Asked],
    workers: int,
    progress: Callable[[int, int, Asked], None],
) -> dict[Asked, Given]:
    """What ``work`` gives for each job, in their order; ``progress`` is told of each that ended (how many, of how many,
    which).

    The result does not depend on the number of processes (0: one a core). What a job raises is raised here.
    """
    found: dict[Asked, Given] = {}
    with ProcessPoolExecutor(workers or os.cpu_count() or 1, mp_context=get_context("spawn")) as pool:
        running = {pool.submit(work, job): job for job in jobs}
        for ended in as_completed(running):
            found[running[ended]] = ended.result()
            progress(len(found), len(jobs), running[ended])
    return {job: found[job] for job in jobs}
