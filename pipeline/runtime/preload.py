"""Import slow libraries while the database works, so that nobody waits for them later."""

from __future__ import annotations

import contextlib
import importlib
import threading
from collections.abc import Callable, Iterator, Sequence

NUMBERS = ("pipeline.statistics.compiled",)
"""Takes a sixth of a second to import, and only what follows the verdicts wants it."""


@contextlib.contextmanager
def importing(
    modules: Sequence[str], waits: Callable[[], None] = lambda: None
) -> Iterator[Callable[[], None]]:
    """Import `modules` in a thread of its own once what is yielded is called.

    They are there when the block ends. From the call on it must import nothing that they are made
    of: two threads inside one package could see each other's halves. A failed import is raised
    where the module is really used. `waits` is called when the block is over and the import perhaps
    is not.
    """

    def run() -> None:
        with contextlib.suppress(Exception):
            for module in modules:
                importlib.import_module(module)

    thread = threading.Thread(target=run, name="import")
    try:
        yield thread.start
        if thread.ident:
            waits()
    finally:
        if thread.ident:
            thread.join()
