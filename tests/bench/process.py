"""Run a command as a process of its own, and say what it cost."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

TAILRACE = (sys.executable, "-m", "pipeline.cli.main")
TOP = Path(__file__).parents[2]
PAGE = os.sysconf("SC_PAGE_SIZE")
COMPILED = {n: v for n, v in os.environ.items() if n != "PYTHONDONTWRITEBYTECODE"}
"""Modules stay compiled from one command to the next, as those of an installed program do."""


@dataclass(frozen=True)
class Cost:
    """What a process took: seconds by the clock and of CPU, most memory held, most disk spilled.

    A process that it started counts with it.
    """

    wall_s: float
    cpu_s: float
    memory_gb: float
    spilled_gb: float = 0.0
    output: str = ""


def run(command: Sequence[str | Path], spill: Path | None = None) -> Cost:
    """Run `command` in the repository; what it prints is kept. Raises if it fails.

    `spill`: a folder that may appear while it runs, whose largest size is taken down.
    """
    begun = time.perf_counter()
    process = subprocess.Popen(
        [str(part) for part in command], cwd=TOP, text=True, env=COMPILED,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    assert process.stdout is not None
    with _Watch(process.pid, spill) as watch:
        printed = process.stdout.read()
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - begun
    process.returncode = os.waitstatus_to_exitcode(status)
    process.stdout.close()
    if process.returncode:
        raise RuntimeError(f"{' '.join(map(str, command))} ended with {status}:\n{printed}")
    cpu = used.ru_utime + used.ru_stime
    memory = max(used.ru_maxrss / 2**20, watch.most_held / 2**30)
    return Cost(wall, cpu, memory, watch.most_spilled / 2**30, printed)


def tailrace(*arguments: str | Path, spill: Path | None = None) -> Cost:
    """Run the command of that name."""
    return run([*TAILRACE, *arguments], spill)


def python(code: str, *arguments: str | Path) -> Cost:
    """Run a text of Python in a fresh interpreter."""
    return run([sys.executable, "-c", code, *arguments])


def module(name: str, *arguments: str | Path, spill: Path | None = None) -> Cost:
    """Run a module of Python as a program."""
    return run([sys.executable, "-m", name, *arguments], spill)


def steps(printed: str) -> dict[str, tuple[float, float]]:
    """Wall and CPU seconds of every step that `review --timings` printed."""
    found: dict[str, tuple[float, float]] = {}
    lines = printed.splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("step "))
    for line in lines[first + 1 :]:
        name, wall, cpu = line.rsplit(maxsplit=2)
        found[name.strip()] = (float(wall), float(cpu))
    return found


class _Watch:
    """The most memory and disk that another process and its children have, each 0.2 s."""

    def __init__(self, process: int, spill: Path | None) -> None:
        self.process, self.spill = process, spill
        self.most_held = self.most_spilled = 0
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)

    def __enter__(self) -> _Watch:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _look(self) -> None:
        while not self._over.wait(0.2):
            self.most_held = max(self.most_held, _held(self.process))
            if self.spill:
                self.most_spilled = max(self.most_spilled, _size(self.spill))


def _held(process: int) -> int:
    """Bytes of memory that a process and its children hold now; pages they share count twice."""
    of = Path("/proc") / str(process)
    own, children = 0, list[str]()
    with contextlib.suppress(OSError, IndexError):
        own = int((of / "statm").read_text().split()[1]) * PAGE
    for thread in of.glob("task/*/children"):
        with contextlib.suppress(OSError):
            children += thread.read_text().split()
    return own + sum(_held(int(child)) for child in children)


def _size(folder: Path) -> int:
    """Bytes of the files of a folder; those that go meanwhile count nothing."""
    size = 0
    for path in folder.glob("*"):
        with contextlib.suppress(OSError):
            size += path.stat().st_size
    return size
