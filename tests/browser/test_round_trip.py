"""From a flag to the next month's pages, with the commands, the workbook and a browser.

January is reviewed, its workbook filled in and read back, the month published; then two trips of
it come late, and February's pages tell what was restated and what readers confirmed.
"""

from __future__ import annotations

import re
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest
from playwright.sync_api import Browser, Page

import reports
from pipeline import measures
from pipeline.judging import whatif
from reports.render import workbook as sheets
from reports.text import words
from reports.text.case_links import FOLDER, case_file
from tests.acceptance.command_runs import Run
from tests.deep import with_deep
from tests.followup import reviewed_store
from tests.followup.conftest import DRAW, FIGURES, no_curves, no_tables
from tests.followup.test_publish import written
from tests.unscreened import unscreened

JANUARY, FEBRUARY = "2026-01", "2026-02"
SEVERITIES = ("low", "medium", "high")
JUDGED = ("met", "authorised", "borderline", "deviation")
NOTE, ACTION = "the pump was swapped twice", "go through it in the next session"


@dataclass(frozen=True)
class Late:
    """Two trips that come late, and the planted counts of a rule without and with them."""

    trips: list[str]
    rule: str
    then: str
    now: str


@pytest.fixture
def late(clean_delivery: Path) -> Late:
    """A trip with a planted variance, and one that met that rule; counts from the plan alone."""
    months = pd.read_csv(clean_delivery / "trips.csv", dtype=str).set_index("trip_id")
    planted = pd.read_csv(clean_delivery / "planted.csv", dtype=str)
    protocol = tomllib.loads((clean_delivery / "protocol.toml").read_text("utf-8"))["version"][0]
    own = planted[planted["trip_id"].map(months["service_month"]) == JANUARY]
    counts = own[own["verdict"] == "deviation"]["rule"].value_counts()
    often = sorted(counts[counts == counts.max()].index)
    # of several the graver one: a case is told by its gravest variance
    rule = max(often, key=lambda r: SEVERITIES.index(protocol["rules"][r]["severity"]))
    own = own[own["rule"] == rule].set_index("trip_id")["verdict"]
    trips = [own[own == verdict].index[0] for verdict in ("deviation", "met")]

    def made(of: pd.Series[str]) -> str:
        return f"{(of == 'deviation').sum()} of {of.isin(JUDGED).sum()} trips"

    return Late(sorted(trips), str(rule), made(own.drop(trips)), made(own))


@pytest.fixture
def page(browser: Browser, monkeypatch: pytest.MonkeyPatch) -> Iterator[Page]:
    """A page of the browser; what is written is drawn in full, whatever ran before.

    The workbook is without its tables of data, there is no history under other limits, and nothing
    is screened.
    """
    monkeypatch.setattr(reports, "write_pages", DRAW)
    monkeypatch.setattr(measures, "figures", FIGURES)
    monkeypatch.setattr(sheets, "_write_tables", no_tables)
    monkeypatch.setattr(whatif, "main_curves", no_curves)
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    opened.route("**/plotly.min.js", lambda route: route.abort())
    with unscreened():
        yield opened
    opened.close()


def text_of(page: Page, selector: str) -> str:
    """All text within an element, what is folded away included, in single spaces."""
    found = page.evaluate(f"document.querySelector('{selector}').textContent")
    return re.sub(r"\s+", " ", str(found)).strip()


def rows_of(page: Page, selector: str) -> list[str]:
    """The text of every table row within an element."""
    found = page.evaluate(
        f"[...document.querySelectorAll('{selector} tbody tr')].map(r => [...r.cells].map("
        "c => c.textContent.trim()).join(' | '))"
    )
    return [re.sub(r"\s+", " ", row) for row in found]


@dataclass(frozen=True)
class Filled:
    """What a reader answered: a trip's flag confirmed, another rule's flag refuted, the audit."""

    trip: str
    refuted: str
    wrong: str
    audited: int


def fill(workbook: Path, rule: str) -> Filled:
    """Fill the workbook in as a reader would.

    A flag of `rule` is put down to practice and stays open, with an action; one of another rule
    was wrong; every trip of the audit is read, and in one a variance was missed.
    """
    rows = reviewed_store.sheet(workbook)
    flags = {r["rules"]: r["trip_id"] for r in rows if r["group"] == "deviation"}
    audit = [r["trip_id"] for r in rows if r["group"] == "audit"]
    trip = flags.pop(rule)
    refuted = sorted(set(flags) - {"settings-gap"})[0]
    closed = {"status": "closed", "reviewer": "R1"}
    answers = {trip: dict(closed) for trip in audit}
    answers[audit[0]] |= {"conclusion": "missed", "rules": "settings-gap"}
    answers[trip] = {
        **closed, "status": "open", "conclusion": "practice", "refer_to": "education",
        "action": ACTION, "due_month": JANUARY, "note": NOTE,
    }  # fmt: skip
    answers[flags[refuted]] = closed | {"conclusion": "flag_wrong"}
    reviewed_store.fill(workbook, answers)
    return Filled(trip, words.rule_title(refuted), flags[refuted], len(audit))


# else `test_publish.py`, `test_confirmed.py`, `test_workbook.py` and `test_followup_words.py`
# have its steps
@with_deep
def test_a_flag_is_followed_to_the_next_months_pages(
    run: Run, page: Page, clean_delivery: Path, late: Late, tmp_path: Path
) -> None:
    folder, title = tmp_path / "pages", words.rule_title(late.rule)
    begun = reviewed_store.delivery_like(clean_delivery, tmp_path / "begun", without=late.trips)
    assert run("review", begun, "--month", JANUARY, "--into", folder, "--by", "C1").code == 0
    workbook = folder / "sheets" / f"{JANUARY}.xlsx"
    filled = fill(workbook, late.rule)
    told = run("determine", workbook, "--into", folder, "--by", "R1")
    assert (told.code, told.err) == (0, "")
    assert run("publish", JANUARY, "--into", folder, "--by", "D1", "--anyway").code == 0
    published = {k: v for k, v in written(folder).items() if k.startswith((JANUARY, "assets"))}
    look_at_january(page, folder, filled, title)
    after = run("review", clean_delivery, "--month", FEBRUARY, "--into", folder, "--by", "C1")
    assert after.code == 0
    look_at_february(page, folder, filled, title, late)
    rows = reviewed_store.sheet(folder / "sheets" / f"{FEBRUARY}.xlsx")
    still = [(row["trip_id"], row["status"]) for row in rows if row["group"] == "follow_up"]
    assert still == [(filled.trip, "open")]
    # from the store alone, in another place, after all of that
    (tmp_path / "alone").mkdir()
    shutil.copy(folder / "store.duckdb", tmp_path / "alone")
    back = tmp_path / "back"
    assert run("publish", JANUARY, "--into", tmp_path / "alone", "--reproduce", back).code == 0
    assert written(back) == published
    assert b"2026-02/index.html" not in (back / JANUARY / "index.html").read_bytes()
    everything = b"".join(written(folder).values())
    assert NOTE.encode() not in everything
    assert ACTION.encode() in everything
    ledger = run("ledger", "--into", folder)
    assert ledger.code == 0
    assert "whole" in ledger.out


def look_at_january(page: Page, folder: Path, filled: Filled, title: str) -> None:
    """The page that was frozen: answers, the audit and what was confirmed."""
    page.goto((folder / JANUARY / "index.html").as_uri())
    assert "published once" in text_of(page, "#restated")
    (action,) = rows_of(page, "#actions")
    assert action.startswith(f"January 2026 | {ACTION} | {filled.trip}")
    found = text_of(page, "#readers")
    assert f"{filled.audited} read, 1 with" in found
    (rule,) = [row for row in rows_of(page, "#rules") if row.startswith(f"{title}, ")]
    assert "| 1/18 | 1/1 |" in rule  # at variance of judged, confirmed of read
    page.goto((folder / JANUARY / FOLDER / case_file(filled.trip)).as_uri())
    case = text_of(page, "main")
    assert "practice" in case
    assert f"{ACTION} (due January 2026)" in case


def look_at_february(page: Page, folder: Path, filled: Filled, title: str, late: Late) -> None:
    """The next month's pages: what was restated and why, what is overdue, what was confirmed."""
    page.goto((folder / FEBRUARY / "index.html").as_uri())
    restated = text_of(page, "#restated")
    assert "not been published" in restated
    assert "2 trips came late." in restated
    assert all(trip in restated for trip in late.trips)
    (row,) = [
        row for row in rows_of(page, "#restated")
        if row.startswith(f"January 2026 | Variance share, {title} |")
    ]  # fmt: skip
    _, _, then, now, change, why = row.split(" | ")
    assert f"({late.then})" in then
    assert f"({late.now})" in now
    assert change == "+4.4 points"
    assert why == "2 trips came late."
    (action,) = rows_of(page, "#actions")
    assert action.startswith(f"January 2026 overdue | {ACTION} | {filled.trip}")
    page.goto((folder / FEBRUARY / "director.html").as_uri())
    screen = {row.split(" | ")[0]: row.split(" | ")[2:4] for row in rows_of(page, "#screen")}
    assert screen[title] == ["1", "1"]
    # a first reading is nowhere to be seen until the second is there
    drawn = reviewed_store.ask(
        folder, f"select 1 from loop.move where thing = 'second_reading' and key = '{filled.wrong}'"
    )
    assert screen[filled.refuted] == (["0", "0"] if drawn else ["1", "0"])
    page.goto((folder / FEBRUARY / "education.html").as_uri())
    (practice,) = [row for row in rows_of(page, "main") if row.startswith(f"{title} | ")][:1]
    assert practice.endswith("| 1/1 practice of read")
    assert "1 of 1 read" in text_of(page, "h1")  # what was missed is none of the read
    page.goto((folder / FEBRUARY / "index.html").as_uri())
    page.evaluate("document.querySelector('nav a[href=\"../2026-01/index.html\"]').click()")
    page.wait_for_url("**/2026-01/index.html")
