"""A coordinator's month walked at the desk by keyboard alone, and what it left behind."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, ViewportSize

from pipeline.followup.ledger_words import ledger
from tests.browser import desk_walk
from tests.browser.desk_walk import Hands, Walk
from tests.browser.test_accessibility import checked
from tests.deep import with_deep
from tests.desk.serving import Forked, forked
from tests.followup.reviewed_store import ask, tamper

# one walk of half a minute, that a busy machine draws out
pytestmark = [pytest.mark.browser, pytest.mark.timeout(1200)]

UNAPPROVED = """
    UPDATE delivered.protocol_version SET approved_by = NULL, approved_month = NULL,
    content = regexp_replace(content, '"approved": *[{][^}]*[}]', '"approved":null')"""
TWO_FLAGS = """
    UPDATE judged.verdict SET verdict = 'borderline'
    WHERE rule = 'settings-gap' AND verdict = 'met' AND trip_key = (
        SELECT min(trip_key) FROM judged.trip_window JOIN judged.verdict USING (trip_key)
        WHERE rule = 'fallback-reason' AND verdict = 'deviation'
          AND service_month = '2026-06')"""
"""A trip with two findings, which the sample's month has not; it is the third to be read."""
LOW: ViewportSize = {"width": 1280, "height": 300}
"""Each key draws the window anew; its height changes nothing that the keyboard does."""
PAGES = ("/", "/who", "/add", "/actions", "/signals", "/decisions", "/publish", "/months",
         "/query?key=Q1")  # fmt: skip
CHECKED = ("/", "/decisions", "/publish")
FORMS = {"/add": "button.main-button", "/publish": "button.main-button",
         "/decisions": "[name=folder]"}  # fmt: skip
"""What of them must be within reach of the keyboard, whether or not they are filled in."""


@pytest.fixture(scope="module")
def folder(sample_page: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The reviewed sample under limits that nobody has approved yet."""
    made = tmp_path_factory.mktemp("desk") / "out"
    shutil.copytree(sample_page.parents[1], made)
    # it was written without its tables, and would be taken for a whole one
    (made / "sheets" / "2026-06.xlsx").unlink()
    tamper(made, UNAPPROVED)
    tamper(made, TWO_FLAGS)
    return made


@pytest.fixture(scope="module")
def walk(browser: Browser, folder: Path, sample_page: Path) -> Walk:
    """The month, once; then the desk begun again, and each kind of page looked at."""
    done = Walk(folder)
    page = browser.new_page(viewport=LOW)
    page.on("pageerror", lambda error: done.complaints.append(str(error)))
    with forked(folder, "D1") as desk:
        enter(page, desk)
        hands = Hands(page, folder)
        desk_walk.approve(hands, done)
        desk_walk.read_cases(hands, done)
        desk_walk.ask_a_crew(hands, done)
        if desk_walk.WHOLE:
            for step in (
                desk_walk.conclude_batches, desk_walk.act_on_a_closed_case, desk_walk.add_by_hand,
                desk_walk.settle, desk_walk.close_a_signal,
                desk_walk.publish,
            ):  # fmt: skip
                step(hands, done)
            late = sample_page.parents[2] / "delivery" / "late"
            desk_walk.deliver_late(hands, done, late)
    with forked(folder, "C1") as desk:
        enter(page, desk)
        places = {
            "list": "/", "actions": "/actions", "case": f"/case?trip={done.differently}",
            "asked case": f"/case?trip={done.asked}", "publishing list again": "/publish",
            "month": "/pages/2026-06/index.html",
        }  # fmt: skip
        names = {path: name for name, path in places.items()}
        for path in (*names, *(path for path in PAGES if path not in names)):
            page.goto(desk.origin + path)
            if path in names:
                done.seen[f"{names[path]} reopened"] = str(page.evaluate("document.body.innerText"))
            if path in PAGES or path.startswith("/case"):
                done.complaints += complaints(page, path)
            if path in FORMS:
                Hands(page, folder).tab_to(FORMS[path])
    page.close()
    return done


def enter(page: Page, desk: Forked) -> None:
    """Come to the desk by its first link."""
    page.goto(desk.link)
    page.wait_for_url(f"{desk.origin}/")


def complaints(page: Page, path: str) -> list[str]:
    """What is seriously wrong at either width, and what is wider than the window.

    The checker looks at the narrow page, where more is in the way, of those that differ most; with
    `--deep` at each, and at the wide one, too.
    """
    if desk_walk.WHOLE:
        widths: tuple[int, ...] = (390, 1280)
    else:
        widths = (390,) if path in CHECKED or path.startswith("/case") else ()
    found = checked(page, widths) if widths else {}
    told = [f"{path} at {width}: {issue}" for width, own in found.items() for issue in own]
    for width in (1280, 390):
        page.set_viewport_size({"width": width, "height": 900})
        wide = page.evaluate("document.documentElement.scrollWidth")
        if wide > width:
            told.append(f"{path} at {width} is {wide} wide")
    return told


def test_nothing_serious_at_either_width(walk: Walk) -> None:
    assert walk.complaints == []


def test_cases_are_read_and_one_of_them_in_two_ways(walk: Walk) -> None:
    assert len({*walk.read}) == len(walk.read) >= desk_walk.CASES
    said = ask(walk.folder, f"""SELECT DISTINCT finding, contributed FROM loop.reading
        WHERE trip_id = '{walk.differently}' AND reviewer = 'C1' ORDER BY ALL""")  # fmt: skip
    assert said == [("does_not_hold", None), ("holds", "skill_or_knowledge other")]
    state = ask(walk.folder, f"""SELECT trip_id FROM loop.determination
        WHERE reviewer = 'C1' AND status = 'closed'
          AND trip_id IN ({", ".join(f"'{trip}'" for trip in walk.read)})""")  # fmt: skip
    assert {trip for (trip,) in state} == {*walk.read}


@with_deep
def test_batches_are_concluded_together(walk: Walk) -> None:
    rules = ask(walk.folder, "SELECT DISTINCT rule FROM loop.reading WHERE basis = 'together'")
    assert len(rules) == walk.batches == desk_walk.BATCHES


def test_a_crew_was_asked_after_the_limits_were_approved(walk: Walk) -> None:
    assert "Approve these limits" in walk.seen["before approval"]
    assert "approved by D1" in walk.seen["approved"]
    (standing,) = ask(walk.folder, f"""SELECT state, why FROM loop.standing
        WHERE thing = 'query' AND trip_id = '{walk.asked}'""")  # fmt: skip
    assert standing == ("replied", "It was on, and went out on the way.")
    assert "It was on, and went out on the way." in walk.seen["reply"]
    assert "not for discipline" in walk.seen["reply"]
    assert "awaiting crew" in walk.seen["asked case reopened"]


@with_deep
def test_the_action_on_a_closed_case_is_open_and_the_case_closed(walk: Walk) -> None:
    assert "is closed" in walk.seen["closed case"]
    assert "Check the heater's lamp." in walk.seen["list reopened"]
    (state,) = ask(walk.folder, f"""SELECT arg_max(status, determination_no)
        FROM loop.determination WHERE trip_id = '{walk.acted}'""")  # fmt: skip
    assert state == ("closed",)


@with_deep
def test_a_trip_added_by_hand_was_read(walk: Walk) -> None:
    assert "The crew asked for it." in walk.seen["added"]
    said = ask(walk.folder, f"SELECT status FROM loop.answer WHERE trip_id = '{walk.added}'")
    assert said == [("closed",)]


@with_deep
def test_the_second_reader_did_not_see_the_first_and_a_third_settled_it(walk: Walk) -> None:
    form = walk.seen["second reader"].partition("Findings")[2]
    assert "(C1" not in form
    assert "(C1" in walk.seen["third reader"]
    assert "(R2" in walk.seen["third reader"]
    (row,) = re.findall(rf"{walk.settled}.*", walk.seen["second reader's list"])
    assert "third settles" in row
    (state,) = ask(walk.folder, f"""SELECT state, owner FROM loop.standing
        WHERE thing = 'second_reading' AND key = '{walk.settled}'""")  # fmt: skip
    assert state == ("settled", "R3")


@with_deep
def test_the_signal_is_closed_with_its_conclusion(walk: Walk) -> None:
    assert re.search(r"\d+ trips?: (none|\d+)", walk.seen["signal"])
    closed = ask(walk.folder, "SELECT why, owner FROM loop.standing WHERE state = 'closed'")
    assert closed == [("Equipment or supply: One unit, sent for repair.", "C1")]
    assert "One unit, sent for repair." in walk.seen["signals"]


@with_deep
def test_publishing_was_stopped_once_and_the_ledger_keeps_what_was_left(walk: Walk) -> None:
    assert "Unread: " in walk.seen["publishing list"]
    assert "Not published" in walk.seen["stopped"]
    assert "is published" in walk.seen["published"]
    assert ask(walk.folder, "SELECT month FROM loop.publication") == [("2026-06",)]
    ((detail,),) = ask(walk.folder, "SELECT detail FROM loop.ledger WHERE what = 'publication'")
    assert '"unread"' in str(detail)


@with_deep
def test_the_late_trip_was_looked_at_and_received(walk: Walk) -> None:
    assert "1 of 49 trips" in walk.seen["delivery"]
    assert "is drawn" in walk.seen["received"]
    assert ask(walk.folder, "SELECT count(*) FROM delivered.receipt") == [(2,)]
    late = ask(walk.folder, """SELECT count(*) FROM judged.trip_window
        WHERE service_month = '2026-06'""")  # fmt: skip
    assert late == [(48,)]
    assert "48" in walk.seen["month reopened"]


def test_reopened_everything_is_there_and_the_ledger_is_whole(walk: Walk) -> None:
    assert not desk_walk.WHOLE or "Check the heater's lamp." in walk.seen["actions reopened"]
    assert "does not hold (C1" in walk.seen["case reopened"]
    published = "June 2026 is published" in walk.seen["publishing list again reopened"]
    assert published == desk_walk.WHOLE
    assert ledger(walk.folder)[1] == []


def test_a_case_takes_few_keys(walk: Walk) -> None:
    """For each finding two answers and a step, and two keys for the case."""
    assert max(walk.keys_of_cases) <= 20
