"""The desk as a process of its own, for what only a real one can show."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

import httpx

from tests.forks import forking

TAILRACE = "import sys; from pipeline.cli.main import main; sys.argv[0] = 'tailrace'; main()"


@dataclass
class Running:
    """A desk that runs; `link` is used up by `browser`."""

    link: str

    @property
    def origin(self) -> str:
        return self.link.partition("/enter")[0]

    @property
    def port(self) -> int:
        return int(self.origin.rpartition(":")[2])

    def browser(self, link: str = "") -> httpx.Client:
        """A browser that was let in with the first link, or another."""
        client = httpx.Client(base_url=self.origin, timeout=240)
        assert client.get(link or self.link).status_code == 200
        return client


@dataclass
class Serving(Running):
    """A desk in an interpreter of its own."""

    process: subprocess.Popen[str]


@dataclass
class Forked(Running):
    """A desk in a process that was forked."""

    process: BaseProcess
    terminal: Connection

    def new_link(self) -> str:
        """Press Enter in its terminal; the link that it prints."""
        self.terminal.send("\n")
        return _link(self.terminal)


def _link(terminal: Connection) -> str:
    assert terminal.poll(240)
    return str(terminal.recv().split()[1])


def begin(folder: Path, *more: str, first: str = "") -> subprocess.Popen[str]:
    """Start the desk of a folder; `first`: statements that are run before."""
    command = [sys.executable, "-c", f"{first}\n{TAILRACE}", "desk", "--into", str(folder),
               "--no-open", *more]  # fmt: skip
    return subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True, env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )  # fmt: skip


@contextmanager
def forked(folder: Path, by: str) -> Iterator[Forked]:
    """A desk in a process that begins at once; killed when the block ends."""
    from . import warm

    context = forking()
    ours, theirs = context.Pipe()
    process = context.Process(target=warm.serve, args=(folder, by, theirs), daemon=True)
    process.start()
    try:
        yield Forked(_link(ours), process, ours)
    finally:
        process.kill()
        process.join(60)


@contextmanager
def serving(folder: Path, *more: str, first: str = "") -> Iterator[Serving]:
    """A desk that runs while the block does; ended with SIGTERM if it still does."""
    process = begin(folder, "--port", "0", *more, first=first)
    try:
        assert process.stdout is not None
        first = process.stdout.readline()
        assert first.startswith("Desk: http://127.0.0.1:"), first
        yield Serving(first.split()[1], process)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        try:
            process.communicate(timeout=60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
