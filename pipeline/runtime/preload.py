"""Import a slow library while the database works, so that nobody waits for it later."""

from __future__ import annotations

import contextlib
import importlib
import threading
from collections.abc import Callable, Iterator

REGRESSION = "statsmodels.genmod.generalized_linear_model"
"""Takes over a second to import, and only statistics want it."""


@contextlib.contextmanager
def importing(
    module: str, waits: Callable[[], None] = lambda: None
) -> Iterator[Callable[[], None]]:
    """Import `module` in a thread of its own once what is yielded is called.

    It is there when the block ends. From the call on the block must import nothing that `module` is
    made of: two threads inside one package could see each other's halves. A failed import is raised
    where the module is really used. `waits` is called when the block is over and the import perhaps
    is not.
    """

    def run() -> None:
        with contextlib.suppress(Exception):
            importlib.import_module(module)

    thread = threading.Thread(target=run, name="import")
    try:
        yield thread.start
        if thread.ident:
            waits()
    finally:
        if thread.ident:
            thread.join()
