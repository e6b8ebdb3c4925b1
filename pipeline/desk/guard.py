"""What stands before every page: which host, whose cookie, what size, how slow; and the headers.

A plain ASGI layer: nothing of a refused request reaches a page.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from pipeline.desk.doors import Doors

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

LARGEST_BODY = 256 * 1024
"""A filled form is a few thousand bytes; a note may hold 4,000 characters."""
SLOWEST_BODY_S = 10.0
CHANGING = ("POST",)
READING = ("GET", "HEAD")

TOO_MUCH = "This is more than any form of the desk holds."
NOT_LET_IN = (
    "This browser has not been let in. Use a new link: press Enter in the terminal that runs the"
    " desk, and open what it prints."
)

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; base-uri 'none';"
    " form-action 'self'; connect-src 'self'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    # no less: a browser then says "null" for where a form comes from
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Lets through what comes from a browser that was let in, and refuses the rest."""

    def __init__(self, app: App, doors: Doors) -> None:
        self.app, self.doors = app, doors

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request, or hand it on with its visitor and its whole body."""
        if scope["type"] != "http":
            return
        given = [(k.decode("latin-1").lower(), v.decode("latin-1")) for k, v in scope["headers"]]
        if refused := self._refused(scope, given):
            await _say(send, *refused)
            return
        body = b""
        if scope["method"] in CHANGING:
            try:
                body = await asyncio.wait_for(_whole(receive), SLOWEST_BODY_S)
            except TooLarge:
                await _say(send, 413, TOO_MUCH)
                return
            except TimeoutError:
                await _say(send, 408, "The form did not come within the time there is for it.")
                return
        await self.app(scope, _again(body, receive), _with_headers(send))

    def _refused(self, scope: Message, given: list[tuple[str, str]]) -> tuple[int, str] | None:
        """Why a request is not answered: a status and a sentence; sets the scope's visitor."""
        if found := self._strange(scope["method"], given):
            return found
        length = next((v for k, v in given if k == "content-length"), "0")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            return 413, TOO_MUCH
        if scope["path"] == "/enter" and scope["method"] == "GET":
            return None
        scope["visitor"] = self.doors.visitor(_cookie(given, self.doors.cookie))
        return None if scope["visitor"] else (403, NOT_LET_IN)

    def _strange(self, method: str, given: list[tuple[str, str]]) -> tuple[int, str] | None:
        """What is wrong with where a request comes from, or with what it asks to be done."""
        host = self.doors.origin.removeprefix("http://")
        if [v for k, v in given if k == "host"] != [host]:
            return 400, f"Only {host} is answered."
        if method not in (*READING, *CHANGING):
            return 405, "Pages are read, and forms are sent; nothing else is done here."
        origins = [v for k, v in given if k == "origin"]
        if method in CHANGING and origins != [self.doors.origin]:
            return 403, "A change must come from a form of this desk."
        if any(origin != self.doors.origin for origin in origins):
            return 403, "Only pages of this desk may ask."
        return None


class TooLarge(Exception):  # noqa: N818 - it is what the body is
    """A body with more bytes than are read."""


async def _whole(receive: Receive) -> bytes:
    parts, size = [], 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return b""
        part = message.get("body", b"")
        size += len(part)
        if size > LARGEST_BODY:
            raise TooLarge
        parts.append(part)
        if not message.get("more_body"):
            return b"".join(parts)


def _again(body: bytes, receive: Receive) -> Receive:
    """Gives the body that was read, once, and then what comes."""
    left = [{"type": "http.request", "body": body, "more_body": False}]

    async def receiving() -> Message:
        return left.pop() if left else await receive()

    return receiving


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = [(k.encode(), v.encode()) for k, v in HEADERS.items()]
            message = {**message, "headers": [*message["headers"], *own]}
        await send(message)

    return sending


async def _say(send: Send, status: int, sentence: str) -> None:
    """Answer with a sentence as plain text, and close the connection: the body was not read."""
    text = f"{sentence}\n".encode()
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(text)).encode()),
        (b"connection", b"close"),
    ]
    await _with_headers(send)({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": text})


def _cookie(given: list[tuple[str, str]], name: str) -> str:
    """The value of our cookie; empty without one, or where there are two of that name."""
    found = []
    for key, value in given:
        if key == "cookie":
            try:
                read = SimpleCookie(value)
            except CookieError:
                continue
            found += [read[name].value] if name in read else []
    return found[0] if len(found) == 1 else ""
