"""What is said in the desk is in the store, under the rules of the sheet; nothing is lost."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pytest

from pipeline.followup.ledger_words import ledger
from tests.deep import examples, with_deep
from tests.followup import reviewed_store
from tests.followup.reviewed_store import (
    MONTH,
    answer,
    drawn_for_a_second,
    flagged,
    flags,
    flags_of_each,
    read_back,
)

from .conftest import Visits
from .visiting import Visit, words

ANSWERS = """SELECT rule, finding, contributed, reviewer, status FROM loop.reading
             WHERE trip_id = '{}' ORDER BY determination_no, rule"""


def plain_trips(folder: Path) -> list[str]:
    """Trips with a variance that no second reader is drawn for, those with most flags first."""
    apart = drawn_for_a_second(folder)
    trips = {trip for trip, _ in flagged(folder) if trip not in apart}
    rules = flags_of_each(folder)
    return sorted(trips, key=lambda trip: (-len(rules[trip]), trip))


@pytest.fixture
def trip(folder: Path) -> str:
    return plain_trips(folder)[0]


# ---- reading


# else `test_desk_walk.py` reads a case in two ways
@with_deep
def test_two_findings_are_concluded_differently_and_the_case_closes(
    visit: Visits, trip: str
) -> None:
    here = visit("R1")
    fields = here.case(trip)
    first, *rest = fields["rule"]
    fields |= {f"finding {first}": "holds", f"contributed {first}": ["child", "logistics"]}
    fields |= {f"finding {rule}": "cannot_say" for rule in rest}
    here.kept("/case", fields | {"status": "closed", "note": "a lamp blinked"})
    found = here.ask(ANSWERS.format(trip))
    assert sorted(found) == sorted(
        [(first, "holds", "logistics child", "R1", "closed")]
        + [(rule, "cannot_say", None, "R1", "closed") for rule in rest]
    )
    assert here.ask("SELECT kind FROM loop.sheet") == [("desk",)]
    page = here.text(f"/case?trip={trip}")
    assert "The case is closed" in page
    assert page.count("Note: a lamp blinked ( R1 )") == 1
    assert f"/case?trip={trip}" not in here.get("/")
    assert ledger(here.folder)[1] == []


def test_a_case_is_not_closed_with_a_finding_left(visit: Visits, trip: str) -> None:
    here = visit("R1")
    fields = here.case(trip)
    # nor is a form kept in which nothing is said
    assert here.send("/case", fields | {"status": ""}).status_code == 409
    first = fields["rule"][0]
    half = {f"finding {first}": "holds", "note": "half done", "status": "closed"}
    sent = here.send("/case", fields | half)
    assert sent.status_code == 409
    assert "not concluded" in words(sent.text)
    assert here.ask("SELECT count(*) FROM loop.determination") == [(0,)]
    # what was written is a draft, and stands in the form
    again = here.get(f"/case?trip={trip}")
    assert "half done" in again
    assert "did not save" in words(again)
    assert f'name="finding {first}" value="holds" checked' in again


# else `test_desk_walk.py` reads each case from the one before
@with_deep
def test_keep_go_on_leads_to_the_next_case(visit: Visits, trip: str) -> None:
    here = visit("R1")
    order = list(dict.fromkeys(re.findall(r'href="/case\?trip=([^"&]+)"', here.get("/"))))
    place = order.index(trip)
    kept = here.kept("/case", here.case(trip, _all="holds", status="closed", go="next"))
    following = here.client.get(kept).headers["location"]
    # the one after it, though it has left the list itself; what was passed over waits
    assert following.partition("&")[0] == f"/case?trip={[*order, *order][place + 1]}"
    assert f"Kept: {trip}, closed." in here.text(following)


def test_a_trip_with_the_readers_token_is_not_shown_for_reading(visit: Visits, trip: str) -> None:
    ((crew,),) = visit("R1").ask(f"""SELECT min(crew_member) FROM delivered.crew
        JOIN delivered.holding USING (trip_key) WHERE trip_id = '{trip}'""")  # fmt: skip
    here = visit(str(crew))
    assert f"/case?trip={trip}" not in here.get("/")
    other = visit("R1")
    other.kept("/case", other.case(trip, note="a lamp blinked"))
    page = here.get(f"/case?trip={trip}")
    assert 'name="mark"' not in page
    assert "a lamp blinked" not in page
    fields = visit("R1").case(trip, _all="holds")
    before = here.ask("SELECT count(*) FROM loop.determination")
    assert here.send("/case", fields).status_code == 409
    assert here.ask("SELECT count(*) FROM loop.determination") == before


# ---- drafts and conflicts


def test_a_draft_is_kept_in_the_store_and_dropped_when_saved(visit: Visits, trip: str) -> None:
    here = visit("R1")
    assert here.send("/draft", here.case(trip, note="begun")).status_code == 204
    (kept,) = here.ask("SELECT fields FROM loop.draft")
    assert json.loads(str(kept[0]))["note"] == ["begun"]
    assert "begun" in visit("R1").get(f"/case?trip={trip}")
    assert "begun" not in visit("R2").get(f"/case?trip={trip}")
    form = here.case(trip, _all="holds", note="begun", action="check the heater")
    here.kept("/case", form)
    assert here.ask("SELECT count(*) FROM loop.draft") == [(0,)]
    a_draft_that_arrives_after_its_form_was_saved_is_none(here, trip, form)


# else the answer and the action of `test_a_draft_is_kept_in_the_store_and_dropped_when_saved`
@with_deep
def test_a_draft_of_a_form_that_added_an_action_alone_is_none(visit: Visits, trip: str) -> None:
    here = visit("R1")
    here.kept("/case", here.case(trip, _all="holds"))
    form = here.case(trip, _all="holds", action="check the heater")
    here.kept("/case", form)
    a_draft_that_arrives_after_its_form_was_saved_is_none(here, trip, form)


def a_draft_that_arrives_after_its_form_was_saved_is_none(
    here: Visit, trip: str, form: dict[str, str | list[str]]
) -> None:
    assert here.send("/draft", form).status_code == 204
    assert here.ask("SELECT count(*) FROM loop.draft") == [(0,)]
    assert "Your draft" not in here.text(f"/case?trip={trip}")
    # what is begun in the form that is opened then is one
    assert here.send("/draft", here.case(trip, note="more")).status_code == 204
    assert here.ask("SELECT count(*) FROM loop.draft") == [(1,)]


@pytest.mark.parametrize("way", ["desk", "sheet"][: examples(1, 2)])
def test_what_another_said_meanwhile_is_shown_and_nothing_is_lost(
    visit: Visits, trip: str, way: str
) -> None:
    here, other = visit("R1"), visit("R2")
    mine = here.case(trip, _all="holds", note="mine")
    if way == "desk":
        other.kept("/case", other.case(trip, _all="cannot_say"))
    else:
        rules = " ".join(flags(here.folder, trip))
        row = answer(trip, rules, "cannot_say", status="open", reviewer="R2")
        assert read_back(here.folder, [row]).stored == 1
    sent = here.send("/case", mine)
    assert sent.status_code == 409
    page = words(sent.text)
    assert "changed after this form was opened" in page
    assert "cannot say (R2" in page.replace("( ", "(")
    assert "mine" in sent.text
    assert {row[3] for row in here.ask(ANSWERS.format(trip))} == {"R2"}
    again = here.case(trip, _all="holds", note="mine")
    here.kept("/case", again)
    assert {row[3] for row in here.ask(ANSWERS.format(trip))} == {"R1", "R2"}
    assert ledger(here.folder)[1] == []


def test_a_changed_verdict_makes_stale_and_refuses_an_older_form(visit: Visits, trip: str) -> None:
    here = visit("R1")
    here.kept("/case", here.case(trip, _all="holds", status="closed"))
    old = here.case(trip, _all="holds")
    reviewed_store.tamper(
        here.folder,
        f"""UPDATE judged.verdict SET verdict = 'borderline' WHERE verdict = 'deviation' AND
            trip_key = (SELECT trip_key FROM judged.trip_window WHERE trip_id = '{trip}')""",
    )
    assert here.send("/case", old).status_code == 409
    page = here.text("/")
    assert trip in page
    assert "stale" in page
    assert "the record has changed since" in here.text(f"/case?trip={trip}")


# ---- second reading


def test_the_first_reading_is_nowhere_until_the_second_is_there(
    visit: Visits, folder: Path, tmp_path: Path
) -> None:
    from pipeline.review import draw_anew

    trip = drawn_for_a_second(folder)[0]
    first, second, third = visit("R1"), visit("R2"), visit("R3")
    first.kept("/case", first.case(trip, _all="does_not_hold", note="the first said so",
                                   status="closed"))  # fmt: skip
    for reader in (first, second):
        assert "does not hold" not in _shown(reader, trip)
    draw_anew(folder, MONTH)
    assert _written(folder, trip) == ([], {"0"}, {""})
    second.kept("/case", second.case(trip, _all="holds"))
    for reader in (first, second):
        page = reader.text(f"/case?trip={trip}")
        assert all(told in page for told in ("differs", "does not hold", "settles that"))
        assert f"/case?trip={trip}" not in reader.get("/?kind=second")
    assert f"/case?trip={trip}" in third.get("/?kind=second")
    third.kept("/case", third.case(trip, _all="holds", status="closed"))
    assert third.ask("SELECT state FROM loop.standing WHERE thing = 'second_reading'") == [
        ("settled",)
    ]
    assert ledger(folder)[1] == []


def _shown(reader: Visit, trip: str) -> str:
    page = reader.get(f"/case?trip={trip}")
    assert "the first said so" not in page
    said = page.partition('id="read-heading"')[2]
    answers = [part.partition("</p>")[0] for part in said.split('class="answered">')[1:]]
    return words(" ".join(answers) + reader.get("/") + reader.get("/?kind=second"))


def _written(folder: Path, trip: str) -> tuple[list[str], set[str], set[str]]:
    """What the data files and the sheet tell of the trip: answers, flags read, conclusions."""
    data = folder / MONTH / "data"
    told = [line for line in (data / "determinations.csv").read_text("utf-8").splitlines()
            if trip in line]  # fmt: skip
    with (data / "screen_quality.csv").open(encoding="utf-8") as file:
        read = {row["reviewed"] for row in csv.DictReader(file)}
    book = max((folder / "sheets").glob("*.xlsx"))
    rows = [row for row in reviewed_store.sheet(book) if row["trip_id"] == trip]
    return told, read, {row["conclusion"] for row in rows}


# else `test_the_first_reading_is_nowhere_until_the_second_is_there` has the case of several
@with_deep
def test_with_one_reader_none_that_is_drawn_is_waited_for(visit: Visits, folder: Path) -> None:
    trips = drawn_for_a_second(folder)
    only = visit("R1")
    only.kept("/case", only.case(trips[0], _all="does_not_hold", status="closed"))
    assert "second reading" in only.text(f"/publish?month={MONTH}")
    assert "does not hold" not in _shown(only, trips[0])
    assert only.send("/readers", {"readers": "one"}).status_code == 409
    assert only.send("/readers", {"readers": "none", "why": "x"}).status_code == 409
    only.kept("/readers", {"readers": "one", "why": "Nobody else is trained yet."})
    assert "does not hold" in only.text(f"/case?trip={trips[0]}")
    assert "second reading" not in only.text(f"/publish?month={MONTH}")
    # neither is another drawn; one that somebody asks for is waited for
    only.kept("/case", only.case(trips[1], _all="holds", status="closed", second="yes",
                                 note="The crew did what could be done."))  # fmt: skip
    assert only.ask("SELECT key FROM loop.standing WHERE thing = 'second_reading'") == [(trips[1],)]
    assert "second reading" in only.text(f"/publish?month={MONTH}")
    only.kept("/readers", {"readers": "several", "why": "There are two of us now."})
    assert "does not hold" not in _shown(only, trips[0])
    assert ledger(folder)[1] == []


# ---- beside the case


def test_an_action_on_a_closed_case_has_a_life_of_its_own(visit: Visits, trip: str) -> None:
    here = visit("R1")
    here.kept("/case", here.case(trip, _all="holds", status="closed"))
    assert {"action", "owner", "due_month"} <= here.asks(f"/case?trip={trip}")
    here.kept("/case", here.case(trip, status="closed", _all="holds",
                                 action="check the heater", due_month="2026-01"))  # fmt: skip
    assert "check the heater" in here.text("/")
    assert "late" in here.text("/?kind=action")
    sent = here.send("/action", {"key": "A1", "what": "check the heater", "state": "not_pursued"})
    assert sent.status_code == 409
    for state in ("under_way", "done", "under_way", "done"):
        here.kept("/action", {"key": "A1", "what": "check the heater", "state": state})
    assert "check the heater" not in here.text("/?kind=action")
    assert "done" in here.text("/actions")
    assert ledger(here.folder)[1] == []


def test_an_action_of_a_sheet_goes_on_in_the_desk(visit: Visits, trip: str) -> None:
    here = visit("R1")
    rules = " ".join(flags(here.folder, trip))
    row = answer(trip, rules, "holds", action="call the maker", due_month="2026-04")
    assert read_back(here.folder, [row]).stored == 1
    assert "call the maker" in here.text("/actions")
    ((key,),) = here.ask("SELECT 'D' || min(determination_no) FROM loop.determination")
    here.kept("/action", {"key": str(key), "what": "call the maker", "state": "under_way"})
    assert "under way" in here.text("/actions")


def test_a_query_its_answer_and_its_letters(visit: Visits, trip: str) -> None:
    here = visit("R1")
    here.kept("/case", here.case(trip, status="awaiting_crew", query="Was the lamp on?",
                                 query_due="2026-03"))  # fmt: skip
    letter = here.text("/letter?key=Q1&name=query")
    assert "Was the lamp on?" in letter
    assert "not for discipline" in letter
    here.kept("/query", {"key": "Q1", "why": "It was on, and it blinked."})
    assert "It was on" in here.text("/letter?key=Q1&name=reply")
    here.kept("/query", {"key": "Q1", "go": "reply"})
    assert here.ask("SELECT state FROM loop.standing WHERE thing = 'query'") == [("replied",)]
    assert here.send("/query", {"key": "Q1", "why": "again"}).status_code == 409
    (here.folder / "letters").mkdir()
    (here.folder / "letters" / "query.txt").write_text("Our own words on $trip.\n\n$asked")
    assert f"Our own words on {trip}." in here.text("/letter?key=Q1&name=query")


def test_no_letter_under_limits_that_nobody_approved(visit: Visits, trip: str) -> None:
    here = visit("R1")
    reviewed_store.tamper(
        here.folder,
        """UPDATE delivered.protocol_version SET approved_by = NULL,
        approved_month = NULL, content = json_merge_patch(content, '{"approved": null}')""",
    )
    sent = here.send("/case", here.case(trip, query="Was it on?", status="awaiting_crew"))
    assert sent.status_code == 409
    assert here.client.get(f"/good-care?trip={trip}").status_code == 409
    ((version,),) = here.ask("SELECT id FROM delivered.protocol")
    assert str(version) in here.text("/decisions")
    visit("D7").kept("/approve", {"version": str(version)})
    assert "What was good" in here.text(f"/good-care?trip={trip}")
    assert here.ask("SELECT key, recorded_by FROM loop.standing WHERE thing = 'approval'") == [
        (version, "D7")
    ]


# else `test_same_rules.py` adds trips, `test_doors.py` fills in the form
@with_deep
def test_a_trip_by_hand_stands_in_the_list(visit: Visits) -> None:
    here = visit("R1")
    ((trip,),) = here.ask(f"""SELECT min(trip_id) FROM judged.trip_window WHERE service_month =
        '{MONTH}' AND trip_key NOT IN (SELECT trip_key FROM judged.verdict WHERE verdict IN
        ('deviation', 'borderline')) AND trip_id NOT IN (SELECT trip_id FROM loop.audit_trip)
        """)  # fmt: skip
    assert {"trip", "why"} <= here.asks("/add")
    here.kept("/add", {"trip": str(trip), "why": "the crew told of it"})
    assert "added by hand" in here.text("/")
    assert "the crew told of it" in here.text(f"/case?trip={trip}")
    assert here.send("/add", {"trip": "T-none", "why": "x"}).status_code == 409
    assert here.send("/case", here.case(str(trip), status="closed")).status_code == 409
    here.kept("/case", here.case(str(trip), status="closed", note="The crew was right to call."))
    assert f"/case?trip={trip}" not in here.get("/?kind=read")


def test_the_publishing_list_stops_and_is_asked_once_more(visit: Visits) -> None:
    here = visit("C1")
    page = here.text(f"/publish?month={MONTH}")
    assert "Unread: " in page
    stopped = here.kept("/publish", {"month": MONTH})
    assert "said=Not" in stopped
    assert "sure" in here.asks(stopped)
    assert here.ask("SELECT count(*) FROM loop.publication") == [(0,)]
    here.kept("/publish", {"month": MONTH, "sure": "yes"})
    assert here.ask("SELECT count(*) FROM loop.publication") == [(1,)]
    ((detail,),) = here.ask("SELECT detail FROM loop.ledger WHERE what = 'publication'")
    assert json.loads(str(detail))["anyway"]["unread"]
    assert json.loads(str(detail))["by"] == "C1"


def test_the_store_is_let_go_between_pages(visit: Visits, trip: str) -> None:
    """Another command may open it for writing while the desk stands open."""
    here = visit("R1")
    here.get("/")
    rules = " ".join(flags(here.folder, trip))
    assert read_back(here.folder, [answer(trip, rules, "holds", reviewer="R2")]).stored == 1
    assert trip not in here.text("/?kind=read")


def test_while_another_holds_the_store_the_desk_says_so(
    visit: Visits, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.desk import held
    from pipeline.errors import refused

    here = visit("R1")

    def locked(*_: object, **__: object) -> object:
        raise refused("store-locked", None, "process 7 is using this store")

    monkeypatch.setattr(held, "open_waiting", locked)
    answer_ = here.client.get("/")
    assert answer_.status_code == 409
    assert "process 7 is using this store" in words(answer_.text)
