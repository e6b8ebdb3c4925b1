"""What a query and a referral do to a case, and what a crew is told of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.desk.frame import a_month
from pipeline.followup.ledger_words import ledger
from tests.deep import with_deep
from tests.followup.reviewed_store import MONTH, drawn_for_a_second, flagged, tamper

from .conftest import Visits
from .visiting import words

STATUS = """SELECT arg_max(status, determination_no), arg_max(refer_to, determination_no)
            FROM loop.determination WHERE trip_id = '{}'"""


@pytest.fixture
def trip(folder: Path) -> str:
    """A trip with a variance that no second reader is drawn for."""
    apart = drawn_for_a_second(folder)
    return min(trip for trip, _ in flagged(folder) if trip not in apart)


def test_a_query_leaves_the_case_to_its_crew_and_is_due_next_month(
    visit: Visits, trip: str
) -> None:
    here = visit("R1")
    asked = here.case(trip, _all="holds", status="closed", query="Was the lamp on?", go="next")
    kept = here.text(here.client.get(here.kept("/case", asked)).headers["location"])
    assert f"Kept: {trip}, awaiting crew; the crew is asked (Q1), due" in kept
    assert here.ask(STATUS.format(trip)) == [("awaiting_crew", None)]
    ((due, opened),) = here.ask("SELECT due_month, opened FROM loop.standing WHERE thing = 'query'")
    year, month = map(int, str(opened).split("-"))
    assert due == f"{year + month // 12:04d}-{month % 12 + 1:02d}"
    # one of an earlier version, without a month, turns late as other work does
    tamper(here.folder, "UPDATE loop.move SET due_month = NULL, month = '2020-01'")
    assert "late" in here.text("/?kind=query")
    assert "February 2020" in here.text("/query?key=Q1")
    assert "1 query to a crew is not answered" in here.text("/publish")


def test_a_new_referral_is_kept_as_referred_and_its_director_may_close(
    visit: Visits, trip: str
) -> None:
    here = visit("R1")
    to = here.kept("/case", here.case(trip, _all="holds", status="closed", refer_to="director"))
    assert f"Kept: {trip}, referred to the director." in here.text(to)
    assert here.ask(STATUS.format(trip)) == [("referred", "director")]
    ((director,),) = here.ask("SELECT max(approved_by) FROM delivered.protocol_version")
    there = visit(str(director))
    form = there.case(trip, _all="holds", status="closed", refer_to="director")
    there.kept("/case", form | {"was_referred": "director"})
    assert there.ask(STATUS.format(trip))[0][0] == "closed"
    page = there.get(f"/case?trip={trip}")
    assert "The case is closed ." in words(page)
    assert '<option value="director" selected' not in page


# else `test_a_query_leaves_the_case_to_its_crew_and_is_due_next_month`
@with_deep
def test_a_case_closed_before_its_crew_answered_says_so(visit: Visits, trip: str) -> None:
    here = visit("R1")
    here.kept("/case", here.case(trip, query="Was the lamp on?"))
    asked_first, so_far = "Nothing is final.", "So far it is read as"
    assert asked_first in here.text("/letter?key=Q1&name=query")
    to = here.kept("/case", here.case(trip, _all="holds", status="closed"))
    assert f"Kept: {trip}, closed; the crew has not answered Q1." in here.text(to)
    letter = here.text("/letter?key=Q1&name=query")
    assert asked_first not in letter
    assert so_far in letter
    assert ledger(here.folder)[1] == []


def test_a_letter_on_a_trip_without_a_finding_says_that_none_was_found(visit: Visits) -> None:
    here = visit("R1")
    ((trip,),) = here.ask(f"""SELECT min(trip_id) FROM judged.trip_window WHERE service_month =
        '{MONTH}' AND trip_key NOT IN (SELECT trip_key FROM judged.verdict WHERE verdict IN
        ('deviation', 'borderline'))""")  # fmt: skip
    here.kept("/case", here.case(str(trip), query="Was the lamp on?"))
    letter = here.text("/letter?key=Q1&name=query")
    assert "we came to this: no rule flagged this trip" in letter


@pytest.mark.parametrize(
    ("text", "month"),
    [("2026-08", "2026-08"), ("2026-8", "2026-08"), ("August 2026", "2026-08"),
     ("aug 2026", "2026-08"), ("2026-13", None), ("soon", None), ("Augst 2026", None),
     ("Ma 2026", None), ("2026-00", None)],
)  # fmt: skip
def test_a_month_is_read_as_the_desk_writes_it(text: str, month: str | None) -> None:
    assert a_month(text) == month


def test_a_month_that_is_none_is_refused_with_what_was_written_kept(
    visit: Visits, trip: str
) -> None:
    here = visit("R1")
    sent = here.send("/case", here.case(trip, query="Was it on?", query_due="soon"))
    assert sent.status_code == 409
    assert "such as 2026-08 or August 2026" in words(sent.text)
    assert here.ask("SELECT count(*) FROM loop.move WHERE thing = 'query'") == [(0,)]
    here.kept("/case", here.case(trip, query="Was it on?", query_due="August 2026",
                                 action="check the heater", due_month="Sep 2026"))  # fmt: skip
    assert sorted(here.ask("SELECT thing, due_month FROM loop.standing WHERE due_month > ''")) == [
        ("action", "2026-09"), ("query", "2026-08"),
    ]  # fmt: skip


# else `test_a_new_referral_is_kept_as_referred_and_its_director_may_close`
@with_deep
def test_a_referral_that_a_second_reader_reads_first_is_not_lost(
    visit: Visits, folder: Path
) -> None:
    trip = drawn_for_a_second(folder)[0]
    here, other = visit("R1"), visit("R2")
    form = here.case(trip, _all="does_not_hold", status="referred", refer_to="director")
    here.kept("/case", form | {"second": "yes"})
    by_whom = "Referred to the director by R1."
    own = here.text("/?kind=referred")
    assert f"{by_whom} A second reader reads it first." in own
    assert f"/case?trip={trip}" in here.get("/?owner=director")
    assert f"{by_whom} To be read without the first reading" in other.text("/?kind=second")
    assert f"/case?trip={trip}" in other.get("/?owner=director")
    assert "does not hold" not in own + other.text("/")
    # it is nothing that its first reader may read on
    following = here.client.get("/next").headers["location"]
    assert trip not in following
    form = other.case(trip, _all="does_not_hold", status="referred", refer_to="director")
    other.kept("/case", form | {"was_referred": "director"})
    assert by_whom not in here.text("/?kind=referred")
    assert by_whom in here.text("/?owner=director")


def test_a_case_that_waits_for_the_director_says_who_referred_it(visit: Visits, trip: str) -> None:
    here = visit("R1")
    here.kept("/case", here.case(trip, _all="holds", refer_to="director"))
    page = here.text("/?owner=director")
    assert "Referred to the director by R1." in page
    assert trip in page


def test_a_refusal_speaks_of_the_form_and_marks_its_field(visit: Visits, trip: str) -> None:
    here = visit("R1")
    sent = here.send("/case", here.case(trip, status="referred", query="Ask", query_due="soon"))
    assert sent.status_code == 409
    page = words(sent.text)
    assert "Refer to: must say whom the case is referred to" in page
    assert "By when: must be a month" in page
    for leaked in ("the form, line", "refer_to:", "query_due:"):
        assert leaked not in page
    for name, wrong in (("refer_to", True), ("query_due", True), ("due_month", False)):
        ((tag,),) = [[t] for t in sent.text.split("<") if f' name="{name}"' in t.partition(">")[0]]
        assert ('aria-invalid="true"' in tag) is wrong, name
    assert "aria-invalid" not in here.get(f"/case?trip={trip}")


def test_what_contributed_goes_when_a_finding_no_longer_holds(visit: Visits, trip: str) -> None:
    here = visit("R1")
    form = here.case(trip, _all="does_not_hold", status="closed")
    here.kept("/case", form | {f"contributed {rule}": ["child"] for rule in form["rule"]})
    found = here.ask(
        f"SELECT DISTINCT finding, contributed FROM loop.reading WHERE trip_id='{trip}'"
    )
    assert found == [("does_not_hold", None)]
