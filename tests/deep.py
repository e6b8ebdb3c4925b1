"""How much a test tries: a short run in every suite, all of it with `--deep`."""

from __future__ import annotations

import os

import pytest

DEEP = "TAILRACE_DEEP"
"""Set by `pytest --deep`, for this process and for those it starts."""

with_deep = pytest.mark.skipif("not config.getoption('--deep')", reason="with --deep")
"""A test that says once more, another way, what other tests hold."""


def examples(few: int, many: int) -> int:
    """So many inputs: `few`, always the same, or `many` with `--deep`."""
    return many if os.environ.get(DEEP) else few
