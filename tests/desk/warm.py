"""The desk in a process that is forked, with a pipe for a terminal."""

import sys
from collections.abc import Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import pipeline.desk.command


class Terminal:
    """What whoever forked the desk types into it, and reads of it, a line at a time."""

    def __init__(self, pipe: Connection) -> None:
        self.pipe, self.line = pipe, ""

    def write(self, text: str) -> int:
        """Send what is a whole line."""
        self.line += text
        if self.line.endswith("\n"):
            self.pipe.send(self.line)
            self.line = ""
        return len(text)

    def flush(self) -> None:
        """Nothing waits."""

    def __iter__(self) -> Iterator[str]:
        """The lines that are typed."""
        while True:
            yield self.pipe.recv()


def serve(folder: Path, by: str, pipe: Connection) -> None:
    """The desk of a folder, as the command opens it."""
    sys.stdout = sys.stdin = Terminal(pipe)  # type: ignore[assignment]
    pipeline.desk.command.desk(folder, None, by, 0, browser=False)
