"""How Python and numpy are set for a command: a short life, and many small things in it."""

from __future__ import annotations

import atexit
import gc
import os

BETWEEN_LOOKS = 500_000
"""Objects made before Python looks for circles among them that nobody uses: a month's pages make
millions that are no circles, and every look walks through all that still stand."""


def spare_processors() -> None:
    """Take no processor time for what does not need it; call before numpy is imported.

    The matrices here are small: threads that wait for their parts of one take more than they save.
    """
    gc.set_threshold(BETWEEN_LOOKS)
    # what stands at the end goes with the process, without a last look through all of it
    atexit.register(gc.freeze)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
