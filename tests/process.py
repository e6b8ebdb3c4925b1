"""Code run in a process of its own, which is forked off a server that has imported the program.

A new interpreter takes most of its time to import; what dies, waits or holds a store here is a
whole process all the same, with its own number, memory and open files.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import traceback
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess
from typing import IO

from tests.forks import forking


def _run(code: str, arguments: list[str], out: Connection) -> None:
    """Run the code as `python -c` would; what it prints, and its traceback, go to `out`."""
    os.dup2(out.fileno(), 1)
    os.dup2(out.fileno(), 2)
    sys.stdout = sys.stderr = os.fdopen(1, "w", encoding="utf-8", closefd=False)
    sys.argv = ["-c", *arguments]
    try:
        exec(compile(code, "<code>", "exec"), {"__name__": "__main__"})
    except SystemExit:
        raise
    except BaseException:
        traceback.print_exc()
        sys.exit(1)
    finally:
        sys.stdout.flush()


@dataclass(frozen=True)
class Running:
    """A process that runs, and what it prints."""

    process: ForkServerProcess
    printed: IO[str]

    @property
    def pid(self) -> int:
        assert self.process.pid is not None
        return self.process.pid

    def kill(self) -> None:
        """Kill it as a power cut would, and wait until it is gone."""
        os.kill(self.pid, signal.SIGKILL)
        self.process.join()

    def wait(self, timeout_s: float = 60) -> int:
        """Wait for its end; its exit code, or minus the signal that killed it."""
        self.process.join(timeout_s)
        if self.process.exitcode is None:
            self.kill()
            raise TimeoutError(f"the process did not end within {timeout_s} s")
        return self.process.exitcode


def started(code: str, *arguments: object) -> Running:
    """Start code in a process of its own; `sys.argv[1:]` are the arguments as text."""
    read, write = forking().Pipe(duplex=False)
    process = forking().Process(
        target=_run, args=(code, list(map(str, arguments)), write), daemon=True
    )
    process.start()
    write.close()
    with contextlib.closing(read):
        return Running(process, os.fdopen(os.dup(read.fileno()), "r", encoding="utf-8"))
