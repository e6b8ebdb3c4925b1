"""What a director rests on: deaths in words, nothing left out, nothing said that nobody said."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.followup.ledger_words import ledger
from tests.deep import examples, with_deep
from tests.followup.reviewed_store import (
    MONTH,
    answer,
    drawn_for_a_second,
    flagged,
    flags,
    read_back,
    tamper,
)

from .conftest import Visits
from .test_crew_and_referral import STATUS, trip
from .visiting import words

assert trip


def grave_trip(folder: Path) -> str:
    """A trip of the month that a second reader is not drawn for, made one on which a child died."""
    trip = next(t for t, _ in flagged(folder) if t not in drawn_for_a_second(folder))
    tamper(folder, f"UPDATE delivered.trips SET outcome = 'died' WHERE trip_id = '{trip}'")
    return trip


@pytest.mark.parametrize("way", ["desk", "sheet"][: examples(1, 2)])
def test_a_death_is_closed_with_a_conclusion_in_words(
    visit: Visits, folder: Path, way: str
) -> None:
    trip = grave_trip(folder)
    here = visit("R1")
    rules = " ".join(flags(folder, trip))
    if way == "desk":
        sent = here.send("/case", here.case(trip, _all="holds", status="closed"))
        assert sent.status_code == 409
        assert "outcome is died" in words(sent.text)
        here.kept("/case", here.case(trip, _all="holds", status="closed", note="Nothing helped."))
    else:
        row = answer(trip, rules, "holds")
        (problem,) = read_back(folder, [row]).problems
        assert (problem.code, problem.column) == ("missing-value", "note")
        assert read_back(folder, [row | {"note": "Nothing helped."}]).stored == 1
        # a sheet that is read once more says nothing new, and is not refused
        assert read_back(folder, [row]).problems == []
    assert "Nothing helped." in here.text(f"/case?trip={trip}")
    assert here.ask(STATUS.format(trip)) == [("closed", None)]


def test_nothing_is_said_to_be_missed_or_not_in_a_readers_name(visit: Visits, folder: Path) -> None:
    here = visit("R1")
    ((trip,),) = here.ask(f"SELECT min(trip_id) FROM loop.audit_trip WHERE month = '{MONTH}'")
    page = here.get(f"/case?trip={trip}")
    assert '<option value="">not answered</option>' in page
    assert "selected" not in page.partition('name="missed"')[2].partition("</select>")[0]
    sent = here.send("/case", here.case(str(trip), status="closed"))
    assert sent.status_code == 409
    assert "something was missed" in words(sent.text)
    here.kept("/case", here.case(str(trip), status="closed", missed="nothing"))
    assert "nothing missed" in here.text(f"/case?trip={trip}")
    assert here.ask(STATUS.format(trip)) == [("closed", None)]


def test_what_must_be_read_comes_first_before_publishing_with_why(
    visit: Visits, folder: Path
) -> None:
    ((trip,),) = visit("R1").ask(f"""SELECT min(trip_id) FROM judged.trip_window WHERE
        service_month = '{MONTH}' AND trip_key NOT IN (SELECT trip_key FROM judged.verdict
        WHERE verdict IN ('deviation', 'borderline'))""")  # fmt: skip
    tamper(folder, f"UPDATE delivered.trips SET outcome = 'died' WHERE trip_id = '{trip}'")
    here = visit("R1")
    left = here.text(f"/publish?month={MONTH}").partition("What is left")[2]
    assert left.index(f"{trip} : outcome died") < left.index("other trip")
    assert f"{trip} : outcome died" in left.partition("Unread")[2].partition("Unread")[0]
    here.kept("/case", here.case(str(trip), status="closed", note="Nothing could be done."))
    assert f"{trip} :" not in here.text(f"/publish?month={MONTH}")


# else `test_work.py` has the first and the second reading
@with_deep
def test_the_first_reader_may_amend_until_the_second_has_read(
    visit: Visits, trip: str, folder: Path
) -> None:
    here, other = visit("R1"), visit("R2")
    drawn = drawn_for_a_second(folder)[0]
    note = "Seen by two."
    asked = here.case(drawn, _all="holds", query="Was it on?", note=note)
    here.kept("/case", asked)
    assert here.ask("SELECT count(*) FROM loop.standing WHERE thing = 'second_reading'") == [(0,)]
    assert "awaiting crew" in here.text("/?kind=read")
    here.kept("/query", {"key": "Q1", "why": "It was off, we saw it late."})
    assert "answered" in here.text("/?kind=read")
    assert "It was off, we saw it late." in here.text(f"/case?trip={drawn}")
    here.kept("/case", here.case(drawn, _all="cannot_say", status="closed", note=note))
    assert here.ask("SELECT state FROM loop.standing WHERE thing = 'second_reading'") == [
        ("asked",)
    ]
    # found out late, and nobody has read it since
    here.kept("/case", here.case(drawn, _all="does_not_hold", status="closed", note=note))
    to = other.kept("/case", other.case(drawn, _all="holds", status="closed", note=note))
    page = other.text(to)
    assert "The case is open ; second reading: differs" in page
    assert "closed" not in page.partition("Kept:")[2].partition(".")[0]
    for reader in ("R1", "R2", "D1"):
        assert f"/case?trip={drawn}" in visit(reader).get("/?for=director"), reader
    assert drawn not in here.client.get("/next").headers["location"]
    assert f"/case?trip={drawn}" in visit("R3").get("/?kind=second")


# else `test_a_new_referral_is_kept_as_referred_and_its_director_may_close`
@with_deep
def test_a_referral_stays_the_directors_through_a_query_and_its_answer(
    visit: Visits, trip: str
) -> None:
    here = visit("R1")
    here.kept("/case", here.case(trip, _all="holds", refer_to="director", note="Please look."))
    ((token,),) = here.ask("SELECT max(approved_by) FROM delivered.protocol_version")
    director = visit(str(token))
    form = director.case(trip, status="awaiting_crew", query="Was it on?", refer_to="director")
    director.kept("/case", form | {"was_referred": "director"})
    assert director.ask(STATUS.format(trip))[0][0] == "awaiting_crew"
    for said in (None, "It was."):
        if said:
            here.kept("/query", {"key": "Q1", "why": said})
        assert f"/case?trip={trip}" in here.get("/?owner=director")
    assert "answered" in here.text("/?owner=director")
    closing = here.case(trip, _all="holds", status="closed", note="Done.")
    assert here.send("/case", closing).status_code == 409
    rules = " ".join(flags(here.folder, trip))
    assert [p.code for p in read_back(here.folder, [answer(trip, rules, "holds")]).problems] == [
        "case-move"
    ]
    director.kept("/case", director.case(trip, _all="holds", status="closed", note="Done."))
    assert director.ask(STATUS.format(trip))[0][0] == "closed"
    assert f"/case?trip={trip}" not in here.get("/?owner=director")


def test_months_before_are_told_of_and_taken_up_and_one_case_takes_up_none(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    ((before,),) = here.ask("SELECT min(service_month) FROM judged.trip_window")
    assert before < MONTH
    page = here.text("/")
    ((unread,),) = here.ask("SELECT count(*) FROM judged.earlier")
    assert f"hold {unread} unread cases" in page.replace("holds", "hold")
    trip = min(t for t, _ in flagged(folder, str(before)))
    late = page.partition("Open work ·")[2].partition(" late")[0]
    here.kept("/case", here.case(trip, _all="holds", status="closed", note="Looked at."))
    assert here.text("/").partition("Open work ·")[2].partition(" late")[0] == late
    assert here.ask("SELECT count(*) FROM loop.move WHERE thing = 'month'") == [(0,)]
    assert here.send("/earlier", {"month": MONTH}).status_code == 404
    here.kept("/earlier", {"month": str(before)})
    assert "Work is counted from" not in here.text("/")
    taken = here.ask(f"SELECT count(*) FROM judged.work WHERE month = '{before}' AND kind = 'read'")
    assert taken == [(unread,)]
    assert ledger(folder)[1] == []


def test_a_published_month_says_so_by_whom_and_what_was_left(visit: Visits) -> None:
    here = visit("C7")
    page = here.get(f"/publish?month={MONTH}")
    assert "Not published yet." in words(page)
    assert 'data-busy="' in page
    here.kept("/publish", {"month": MONTH, "sure": "yes"})
    page = here.text(f"/publish?month={MONTH}")
    assert "is published, by C7; left then:" in page
    assert "unread" in page.partition("left then:")[2].partition(".")[0]


def test_decisions_show_the_limits_in_force_and_who_approved_them(visit: Visits) -> None:
    here = visit("R1")
    ((version, by),) = here.ask("SELECT id, approved_by FROM delivered.protocol_version")
    page = here.text("/decisions")
    assert f"Protocol version {version}, from" in page
    assert f"approved by {by}" in page
    assert f"What version {version} asks" in page
