"""What takes long to make is made once in a run, and found by every worker."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """The folder of this name, made by the first worker that asks for it; the others wait.

    It is for all of them: a test that changes it copies it first.
    """
    top = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        top = top.parent  # of this run
    folder, whole = top / "made-once" / name, top / "made-once" / f"{name}.whole"
    folder.parent.mkdir(exist_ok=True)
    with (folder.parent / f"{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not whole.exists():
            folder.mkdir()
            make(folder)
            whole.touch()
    return folder
