"""Commands run in processes of their own, together, and killed where a test wants it.

The processes are forked from one that has imported everything (`tests.warm`), so each begins
within some hundredths of a second.
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from multiprocessing.context import ForkServerProcess
from pathlib import Path

from tests.forks import forking

WRITES = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "os.chmod",
          "shutil.rmtree", "shutil.copyfile", "ctypes.dlopen"}  # fmt: skip
"""Audit events before which a process may be told to kill itself; `open` for writing alone."""

Before = Callable[[], None]


@dataclass(frozen=True)
class Ended:
    """How a command ended: its exit code, or minus the signal's number, and what it printed."""

    code: int
    out: str
    err: str

    @property
    def fine(self) -> bool:
        """Whether it reported success."""
        return self.code in (0, 4)


@dataclass
class Started:
    """A command that was begun; `end` waits for it."""

    process: ForkServerProcess
    printed: Path

    def end(self, most_s: float = 1800) -> Ended:
        """Wait for it, and say how it ended; a process that hangs is killed, and fails."""
        self.process.join(most_s)
        if self.process.exitcode is None:
            self.process.kill()
            self.process.join()
            raise AssertionError(f"still running after {most_s} s")
        out, err = (self.printed / name for name in ("out", "err"))
        return Ended(self.process.exitcode, *(
            p.read_text(errors="replace") if p.exists() else "" for p in (out, err)))  # fmt: skip

    def kill_after(self, seconds: float) -> Ended:
        """Let it run for so long, then kill it."""
        self.process.join(seconds)
        if self.process.exitcode is None and self.process.pid:
            os.kill(self.process.pid, signal.SIGKILL)
        return self.end()


def start(
    *arguments: object, kill_before: int | None = None, at: float = 0, before: Before | None = None
) -> Started:
    """Begin `tailrace` with these arguments.

    `kill_before`: it kills itself before so many writes to the disk; `at`: not before this time;
    `before`: what it does first (a function of a module).
    """
    printed = Path(tempfile.mkdtemp(prefix="said-"))
    argv = ["tailrace", *map(str, arguments)]
    process = forking().Process(target=_run, args=(argv, printed, kill_before, at, before))
    process.start()
    return Started(process, printed)


def run(*arguments: object, kill_before: int | None = None, before: Before | None = None) -> Ended:
    """Run a command to its end."""
    return start(*arguments, kill_before=kill_before, before=before).end()


def together(*commands: Sequence[object]) -> list[Ended]:
    """Begin commands at the same moment, and wait for all of them."""
    at = time.time() + 0.3
    return [one.end() for one in [start(*command, at=at) for command in commands]]


def writes(*arguments: object, before: Before | None = None) -> int:
    """How many writes to the disk a command makes that `kill_before` counts."""
    printed = run(*arguments, kill_before=-1, before=before)
    assert printed.fine, printed
    return int(printed.err.rsplit("writes:", 1)[1])


def _run(
    argv: list[str], printed: Path, kill_before: int | None, at: float, before: Before | None
) -> None:
    from pipeline.cli import main as cli

    sys.argv = argv
    sys.dont_write_bytecode = True  # a module kept compiled is no write of the command's
    count = 0

    def watch(event: str, given: tuple[object, ...]) -> None:
        nonlocal count
        if event not in WRITES or (event == "open" and not _for_writing(given)):
            return
        count += 1
        if count == kill_before:
            os.kill(os.getpid(), signal.SIGKILL)

    with (
        (printed / "out").open("w", encoding="utf-8", errors="surrogateescape") as out,
        (printed / "err").open("w", encoding="utf-8", errors="surrogateescape") as err,
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        if before:
            before()
        time.sleep(max(0, at - time.time()))
        if kill_before is not None:
            sys.addaudithook(watch)
        try:
            cli.main()
        except SystemExit as ended:
            if kill_before == -1:
                print(f"writes:{count}", file=err, flush=True)
            raise SystemExit(ended.code) from None
        except BaseException:
            import traceback

            traceback.print_exc(file=err)
            raise SystemExit(1) from None


def _for_writing(given: tuple[object, ...]) -> bool:
    _, mode, flags = given
    if isinstance(mode, str):
        return any(letter in mode for letter in "wax+")
    return isinstance(flags, int) and bool(flags & (os.O_WRONLY | os.O_RDWR))
