"""Import slow libraries while the database works, so that nobody waits for them later."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import sys
import threading
from collections.abc import Callable, Iterator, Sequence

NUMBERS = ("pandas", "scipy.special")
"""Take half a second to import, and only what follows the verdicts wants them."""

UNUSED = ("numpy.f2py", "numpy.testing")
"""Parts of numpy that scipy copies the names of, and neither it nor this program uses."""


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
            for module in UNUSED:
                put_off(module)
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


def put_off(name: str) -> None:
    """Import a module once something of it is asked for, and not when it is merely named."""
    if name in sys.modules or not (spec := importlib.util.find_spec(name)) or not spec.loader:
        return
    parent, _, own = name.rpartition(".")
    spec.loader = importlib.util.LazyLoader(spec.loader)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    setattr(sys.modules[parent], own, module)
