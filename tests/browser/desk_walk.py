"""A coordinator's month at the desk by keyboard alone: what was done, for the tests to look at."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Page

from tests.deep import examples
from tests.followup.reviewed_store import ask

MOST_TABS = 400
STOPS_BEFORE = """selector => {
    const here = document.activeElement;
    const stops = [...document.querySelectorAll(
        'a[href], button, input, select, textarea, summary, [tabindex]'
    )].filter(e => e.checkVisibility() && !e.disabled && e.tabIndex >= 0 && e.type !== 'radio'
        && (here === document.body
            || here.compareDocumentPosition(e) & Node.DOCUMENT_POSITION_FOLLOWING));
    return Math.max(0, stops.findIndex(e => e.matches(selector)));
}"""
"""Stops of the keyboard that are surely before the first that is meant; of radio buttons, of which
a group is one stop, none is counted."""
WHOLE = bool(examples(0, 1))
"""Where it is not, limits are approved, cases read and a crew asked; the other forms are filled in
by `tests/desk/test_work.py` and `test_beside_cases.py`."""
CASES = examples(3, 8)
BATCHES = 2
TO_READ_AGAIN = """SELECT key FROM loop.standing
    WHERE thing = 'second_reading' AND state = 'asked' ORDER BY key"""


@dataclass
class Hands:
    """A keyboard before a page of the desk; nothing is clicked."""

    page: Page
    folder: Path
    keys: int = 0

    def press(self, *keys: str) -> None:
        """Press keys that lead nowhere."""
        for key in keys:
            self.page.keyboard.press(key)
        self.keys += len(keys)

    def go(self, key: str) -> None:
        """Press a key that leads to another page."""
        with self.page.expect_navigation(timeout=60_000):
            self.press(key)

    def write(self, text: str) -> None:
        """Type into the field that has the focus."""
        self.page.keyboard.type(text)

    def tab_to(self, selector: str) -> None:
        """Press Tab until the focus is on what the selector names.

        It is asked for once it may be there: to ask after each key takes longer than the keys.
        """
        asked = f"document.activeElement.matches({json.dumps(selector)})"
        self.press(*["Tab"] * int(self.page.evaluate(STOPS_BEFORE, selector)))
        for _ in range(MOST_TABS):
            self.press("Tab")
            if self.page.evaluate(asked):
                return
        pytest.fail(f"the keyboard does not reach {selector} on {self.page.url}")

    def fill(self, **fields: str) -> None:
        """Type into fields by their names, in the order of the page."""
        for name, text in fields.items():
            self.tab_to(f"[name={name}]")
            self.press("Control+A")
            self.write(text)

    def follow(self, href: str) -> None:
        """Go along a link whose address begins so."""
        self.tab_to(f'a[href^="{href}"]')
        self.go("Enter")

    def send(self) -> None:
        """Press the form's main button."""
        self.tab_to("button.main-button")
        self.go("Enter")

    def become(self, token: str) -> None:
        """Say who works."""
        self.follow("/who")
        self.fill(by=token)
        self.go("Enter")

    def to_list(self, kind: str = "") -> None:
        """Open the list, or one kind of it."""
        if urlsplit(self.page.url).path != "/":
            self.follow("/")
        if kind:
            self.follow(f"/?kind={kind}")

    def open_trip(self, trip: str) -> None:
        """Open a trip by its token, from the list."""
        self.to_list()
        self.press("t")
        self.write(trip)
        self.go("Enter")

    @property
    def findings(self) -> int:
        """How many findings the case at hand has."""
        return int(self.page.evaluate("document.querySelectorAll('.finding').length"))

    @property
    def trip(self) -> str:
        """The trip of the case at hand."""
        return str(self.page.evaluate("document.querySelector('[name=trip]').value"))

    @property
    def words(self) -> str:
        """The words of the page."""
        return str(self.page.evaluate("document.body.innerText"))

    def conclude(self, *said: str) -> None:
        """Answer each finding, the last answer for those that are left; `said`: keys."""
        for place in range(self.findings):
            self.press(*said[min(place, len(said) - 1)])
            self.press("n")

    def close(self) -> None:
        """Keep the case as closed, with a conclusion in words where the form asks for one."""
        self.press("c")
        if "to be written before the case is closed" in self.words:
            self.fill(note="Nothing else could be done.")
            self.press("Escape")
        self.go("s")


@dataclass
class Walk:
    """What the month's walk did and saw."""

    folder: Path
    read: list[str] = field(default_factory=list)
    differently: str = ""
    batches: int = 0
    asked: str = ""
    acted: str = ""
    added: str = ""
    settled: str = ""
    seen: dict[str, str] = field(default_factory=dict)
    keys_of_cases: list[int] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


def approve(hands: Hands, walk: Walk) -> None:
    """The director approves the limits, and the coordinator takes over."""
    hands.follow("/decisions")
    walk.seen["before approval"] = hands.words
    hands.send()
    walk.seen["approved"] = hands.words
    hands.become("C1")


def read_cases(hands: Hands, walk: Walk) -> None:
    """Cases, the findings of one differently; each from the one before.

    So many at least, and with `--deep` until one of them is drawn for a second reading.
    """
    hands.to_list()
    hands.go("b")
    while len(walk.read) < CASES or (WHOLE and not ask(hands.folder, TO_READ_AGAIN)):
        before, trip = hands.keys, hands.trip
        if hands.findings > 1 and not walk.differently:
            walk.differently = trip
            hands.conclude("1qi", "3")
        else:
            hands.conclude("1w")
        hands.close()
        walk.read.append(trip)
        walk.keys_of_cases.append(hands.keys - before)


def conclude_batches(hands: Hands, walk: Walk) -> None:
    """Low findings that wait in batches, each batch together."""
    for _ in range(BATCHES):
        hands.to_list("batch")
        hands.press("j")
        hands.go("Enter")
        hands.tab_to("[name=conclusion]")
        hands.write("holds")
        hands.send()
        walk.batches += 1


def ask_a_crew(hands: Hands, walk: Walk) -> None:
    """A query on the case that the last one led to, its answer, and the closing reply."""
    walk.asked = hands.trip
    hands.press("a")
    hands.tab_to(".case-state summary")
    hands.press("Enter")
    hands.fill(query="Was the heater's lamp on?", query_due="2026-08")
    hands.go("Control+Enter")
    hands.to_list("query")
    hands.press("j")
    hands.go("Enter")
    hands.fill(why="It was on, and went out on the way.")
    hands.send()
    hands.follow("/letter?key=Q1&name=reply")
    walk.seen["reply"] = hands.words
    hands.follow("/query?key=Q1")
    hands.tab_to("button[value=reply]")
    hands.go("Enter")


def act_on_a_closed_case(hands: Hands, walk: Walk) -> None:
    """An action that is asked for after the case was closed."""
    walk.acted = next(trip for trip in walk.read if _plain(hands.folder, trip))
    hands.open_trip(walk.acted)
    walk.seen["closed case"] = hands.words
    hands.tab_to(".case-state summary")
    hands.press("Enter")
    hands.fill(action="Check the heater's lamp.", owner="E1", due_month="2026-08")
    hands.go("Control+Enter")


def _plain(folder: Path, trip: str) -> bool:
    """Whether nobody reads the trip a second time."""
    return not ask(folder, f"SELECT 1 FROM loop.standing WHERE key = '{trip}'")


def add_by_hand(hands: Hands, walk: Walk) -> None:
    """A trip that nothing asks to be read, added and read."""
    ((walk.added,),) = ask(hands.folder, """
        SELECT min(trip_id) FROM judged.trip_window
        WHERE service_month = (SELECT max(service_month) FROM judged.trip_window)
          AND trip_id NOT IN (SELECT trip_id FROM judged.work)""")  # fmt: skip
    hands.follow("/add")
    hands.fill(trip=walk.added, why="The crew asked for it.")
    hands.send()
    walk.seen["added"] = hands.words
    hands.close()


def settle(hands: Hands, walk: Walk) -> None:
    """A second reader differs from the first, and a third settles it."""
    (walk.settled,) = ask(hands.folder, TO_READ_AGAIN)[0]
    hands.become("R2")
    hands.open_trip(walk.settled)
    walk.seen["second reader"] = hands.words
    hands.conclude("3")
    hands.go("s")
    hands.to_list()
    walk.seen["second reader's list"] = hands.words
    hands.become("R3")
    hands.to_list("second")
    hands.open_trip(walk.settled)
    walk.seen["third reader"] = hands.words
    hands.conclude("1")
    hands.close()
    hands.become("C1")


def close_a_signal(hands: Hands, walk: Walk) -> None:
    """A signal is looked into with its trips, and closed with a conclusion."""
    hands.follow("/signals")
    hands.follow("/signal?")
    walk.seen["signal"] = hands.words
    hands.fill(owner="C1", why="Its trips were read together.")
    hands.send()
    hands.follow("/signal?")
    hands.tab_to("[name=conclusion]")
    hands.press("e")
    hands.fill(why="One unit, sent for repair.")
    if "Close it all the same" in hands.words:
        hands.tab_to("[name=unread]")
        hands.press("Space")
    hands.send()
    walk.seen["signals"] = hands.words


def publish(hands: Hands, walk: Walk) -> None:
    """Stopped by the list, then published over it."""
    hands.follow("/publish")
    walk.seen["publishing list"] = hands.words
    hands.send()
    walk.seen["stopped"] = hands.words
    hands.tab_to("[name=sure]")
    hands.press("Space")
    hands.send()
    walk.seen["published"] = hands.words


def deliver_late(hands: Hands, walk: Walk, late: Path) -> None:
    """A delivery that came late is checked, looked at and received."""
    hands.follow("/decisions")
    hands.fill(folder=str(late))
    hands.go("Enter")
    walk.seen["delivery"] = hands.words
    hands.send()
    walk.seen["received"] = hands.words
