"""How many inputs a generative test tries: a short run in every suite, many more with `--deep`."""

from __future__ import annotations

import os

DEEP = "TAILRACE_DEEP"
"""Set by `pytest --deep`, for this process and for those it starts."""


def examples(few: int, many: int) -> int:
    """So many inputs: `few`, always the same, or `many` with `--deep`."""
    return many if os.environ.get(DEEP) else few
