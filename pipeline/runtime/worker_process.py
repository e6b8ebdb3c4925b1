"""Python work in other processes, while this one goes on with other work."""

from __future__ import annotations

import importlib
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

from pipeline.runtime.sparing import spare_processors

Wait = Callable[[], Any]
Submit = Callable[..., Wait]
"""Begins the work given to it, a function and its arguments; what it returns is called for the
result, or raises the work's error."""


@contextmanager
def second_process(*modules: str, worth: bool) -> Iterator[Submit]:
    """Start a process that imports `modules`, and yield how to give it work.

    Where there are more processors and more work, further processes are started.

    Work and arguments must be picklable. Unless it is `worth` it and there is a second processor
    the work is done here, when its result is asked for; so it is, too, if the process was killed.
    The processes have ended when the block is over.
    """
    if not worth or processors() < 2:
        yield partial
        return
    from concurrent.futures import ProcessPoolExecutor
    from concurrent.futures.process import BrokenProcessPool
    from multiprocessing import get_context

    def submit(work: Callable[..., Any], *arguments: Any) -> Wait:
        here = partial(work, *arguments)
        try:
            future = pool.submit(work, *arguments)
        except BrokenProcessPool:
            return here

        def result() -> Any:
            try:
                return future.result()
            except BrokenProcessPool:
                return here()

        return result

    # a new interpreter: the threads of the database do not survive in a copy of this one
    pool = ProcessPoolExecutor(
        processors() - 1, get_context("spawn"), initializer=_begin, initargs=modules
    )
    try:
        pool.submit(_begin)
        yield submit
    finally:
        pool.shutdown(cancel_futures=True)


def _begin(*modules: str) -> None:
    """Import what the work needs; an interruption is for the process that waits for it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    spare_processors()
    for module in modules:
        importlib.import_module(module)


def processors() -> int:
    """How many this process may use."""
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:
        return os.cpu_count() or 1
