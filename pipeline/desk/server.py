"""Bind, open the browser, answer until told to end, and leave nothing behind."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
import tempfile
import threading
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from pipeline.desk.app import desk_app
from pipeline.desk.doors import Doors
from pipeline.desk.held import Desk

ADDRESS = "127.0.0.1"
"""The one address that is bound; there is no option for another."""
PORT = 8420
SLOWEST_HEAD_S = 10.0
"""A connection that has not sent a whole request by then is closed."""
AT_ONCE = 64
ENDING_S = 5

OPENING = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Tailrace desk</title>
<meta name="referrer" content="no-referrer">
<meta http-equiv="refresh" content="0; url={link}"></head>
<body><p><a href="{link}">Open the desk</a></p></body></html>
"""


class Patient(H11Protocol):
    """As the server's own, but not patient for ever with who sends nothing whole."""

    _late: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take what came, and wait on where it was not a whole request yet."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._stop_waiting()
        elif self._late is None:
            self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Stop waiting."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        self._late = self.loop.call_later(SLOWEST_HEAD_S, self.transport.close)

    def _stop_waiting(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None


class Server(uvicorn.Server):
    """As uvicorn's, but ends cleanly on Ctrl-C, SIGTERM and a closed terminal.

    `announce` is called once it answers, and can be ended.
    """

    def __init__(self, config: uvicorn.Config, announce: Callable[[], None]) -> None:
        super().__init__(config)
        self.announce = announce

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Begin to answer, and say so."""
        await super().startup(sockets=sockets)
        self.announce()

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Let a signal end the serving, and nothing else."""
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        names = ("SIGINT", "SIGTERM", "SIGHUP")
        known = [getattr(signal, name) for name in names if hasattr(signal, name)]
        before = {one: signal.signal(one, self._end) for one in known}
        try:
            yield
        finally:
            for one, handler in before.items():
                signal.signal(one, handler)

    def _end(self, _number: int, _frame: FrameType | None) -> None:
        self.should_exit = True


def bound(port: int | None) -> tuple[socket.socket, str]:
    """A listening socket on this machine alone, and a sentence if the port is another."""
    wanted = PORT if port is None else port
    for number in (wanted, 0):
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((ADDRESS, number))
            found.listen(128)
        except OSError:
            found.close()
            continue
        own = found.getsockname()[1]
        said = "" if wanted in (own, 0) else (
            f"Port {wanted} is in use, so the desk has port {own}."
        )  # fmt: skip
        return found, said
    raise OSError(f"no port of {ADDRESS} can be bound")


def run(desk: Desk, by: str | None, port: int | None, version: str, *, browser: bool) -> None:
    """Serve until Ctrl-C, SIGTERM or a closed terminal; prints the links."""
    listening, said = bound(port)
    doors = Doors(listening.getsockname()[1], by)
    config = uvicorn.Config(
        desk_app(desk, doors, version), http=Patient, ws="none", lifespan="off", log_config=None,
        access_log=False, server_header=False, date_header=False, proxy_headers=False,
        limit_concurrency=AT_ONCE, timeout_keep_alive=5, timeout_graceful_shutdown=ENDING_S,
        h11_max_incomplete_event_size=64 * 1024,
    )  # fmt: skip
    folder = tempfile.TemporaryDirectory(prefix="tailrace-desk-") if browser else nullcontext("")
    with folder as private:

        def announce() -> None:
            if said:
                print(said, file=sys.stderr, flush=True)
            if browser:
                opening = _private_file(Path(private), doors.new_link())
                print(
                    f"Desk: {doors.origin}/ (Enter prints a link for another browser)", flush=True
                )
                webbrowser.open(opening.as_uri())
            else:
                print(f"Desk: {doors.new_link()}", flush=True)
            for beside in (partial(_links_on_demand, doors), _import_ahead):
                threading.Thread(target=beside, daemon=True).start()

        try:
            Server(config, announce).run(sockets=[listening])
        finally:
            listening.close()
    print("The desk is closed.", file=sys.stderr)


def _import_ahead() -> None:
    """Bring in what a case is drawn with, while somebody looks at the list."""
    import reports.case.pages  # noqa: F401 - it is wanted later


def _private_file(folder: Path, link: str) -> Path:
    """A file for its owner alone that hands the one-time link to the browser.

    A link among the arguments of a process could be read by every user of the machine.
    """
    path = folder / "desk.html"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL
    with os.fdopen(os.open(path, flags, 0o600), "w", encoding="ascii") as file:
        file.write(OPENING.format(link=link))
    return path


def _links_on_demand(doors: Doors, lines: Any = None) -> None:
    """Print a new link for each Enter in the terminal."""
    for _ in lines or sys.stdin:
        print(f"Desk: {doors.new_link()}", flush=True)
