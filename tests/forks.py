"""One server for all tests of a worker, from which processes are forked that begin at once.

`multiprocessing` has one for each process, and what it imports is settled when it is first asked
for anything: were there several lists, the first test to ask would decide for all that follow.
"""

from __future__ import annotations

from functools import cache
from multiprocessing import get_context
from multiprocessing.context import ForkServerContext


@cache
def forking() -> ForkServerContext:
    """Where processes are forked that have imported and compiled everything."""
    context = get_context("forkserver")
    context.set_forkserver_preload(["tests.warm"])
    return context
