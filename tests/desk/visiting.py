"""A browser's part of a visit to the desk, without a browser: pages, forms and their tokens."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from pathlib import Path

import httpx
from starlette.testclient import TestClient

from pipeline.desk.app import desk_app
from pipeline.desk.doors import Doors, Visitor, form_token
from pipeline.desk.guard import Guard
from pipeline.desk.held import Desk
from tests.followup.reviewed_store import ask

PORT = 8420
ORIGIN = f"http://127.0.0.1:{PORT}"


@dataclass(frozen=True)
class Opened:
    """A desk that is open, in this process."""

    folder: Path
    app: Guard
    doors: Doors


def opened(folder: Path, *, begun: bool = False) -> Opened:
    """Open the desk of a folder without a socket; `begun`: it was open there before."""
    desk, doors = Desk(folder), Doors(PORT)
    if not begun:
        desk.begin()
    return Opened(folder, desk_app(desk, doors, "0"), doors)


@dataclass(frozen=True)
class Visit:
    """One reader's browser."""

    client: httpx.Client
    visitor: Visitor
    folder: Path

    @staticmethod
    def of(desk: Opened, by: str) -> Visit:
        """Let a browser in with a new link, and say who works in it."""
        client = TestClient(desk.app, base_url=ORIGIN, follow_redirects=False)
        assert client.get(desk.doors.new_link().removeprefix(ORIGIN)).status_code == 200
        visitor = desk.doors.visitor(client.cookies[desk.doors.cookie])
        assert visitor is not None
        visitor.by = by
        return Visit(client, visitor, desk.folder)

    def get(self, path: str) -> str:
        """A page's HTML; it must be there."""
        answer = self.client.get(path)
        assert answer.status_code == 200, (path, answer.status_code, answer.text[:300])
        return answer.text

    def asks(self, path: str) -> set[str]:
        """The names of what a page has to be filled in or ticked."""
        return set(re.findall(r'name="([^"]+)"', self.get(path)))

    def text(self, path: str) -> str:
        """A page's words."""
        return words(self.get(path))

    def send(self, path: str, fields: dict[str, str | list[str]]) -> httpx.Response:
        """Send a form with its token, as a browser does."""
        body = {"form": form_token(self.visitor, path), **fields}
        return self.client.post(path, data=body, headers={"origin": ORIGIN})

    def kept(self, path: str, fields: dict[str, str | list[str]]) -> str:
        """Send a form that must be kept; where it goes on to."""
        answer = self.send(path, fields)
        assert answer.status_code == 303, words(answer.text)[:600]
        return answer.headers["location"]

    def case(self, trip: str, **said: str | list[str]) -> dict[str, str | list[str]]:
        """The fields of a trip's form as it is opened, with what is said in it.

        `_all`: a conclusion for every finding; names with spaces are written with two underscores.
        """
        page = self.get(f"/case?trip={trip}")
        rules = re.findall(r'name="rule" value="([^"]*)"', page)
        mark = re.search(r'name="mark" value="([^"]*)"', page)
        shown = re.search(r'name="shown" value="([^"]*)"', page)
        assert mark is not None
        assert shown is not None
        fields: dict[str, str | list[str]] = {
            "trip": trip, "mark": html.unescape(mark[1]), "shown": shown[1],
            "rule": rules, "status": "open",
            "go": "stay",
        }  # fmt: skip
        if "_all" in said:
            conclusion = said.pop("_all")
            fields |= {f"finding {rule}": conclusion for rule in rules}
        return fields | {name.replace("__", " "): value for name, value in said.items()}

    def ask(self, sql: str) -> list[tuple[object, ...]]:
        """The rows of a query over the store."""
        return ask(self.folder, sql)


def words(page: str) -> str:
    """The words of a page."""
    body = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", body))).strip()
