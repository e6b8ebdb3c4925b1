"""A batch concluded together, a signal looked into and closed, a delivery received late."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote_plus

import pytest

from pipeline.followup.actions import follow_ups, year_actions
from pipeline.followup.ledger_words import ledger
from pipeline.followup.own_signals import close_ended
from pipeline.store.answers_view import make_answers
from pipeline.store.session import store_in
from schemas.signals import SIGNAL
from tests.deep import examples, with_deep
from tests.followup.reviewed_store import MONTH, delivery_like, tamper
from tests.frames import frame_of

from .conftest import Visits
from .visiting import Visit, opened

# ---- a batch


RULE = "settings-gap"
"""A rule of low severity: alone on a trip, its flag asks for no reading."""


@pytest.fixture
def batch(folder: Path) -> tuple[Visit, str, list[str]]:
    """A reader, a rule, and the four trips or more that it alone flags."""
    tamper(folder, f"""
        UPDATE judged.verdict SET verdict = 'deviation' WHERE rule = '{RULE}' AND trip_key IN (
            SELECT trip_key FROM judged.trip_window w WHERE service_month = '{MONTH}'
              AND trip_id NOT IN (SELECT trip_id FROM loop.audit_trip)
              AND NOT EXISTS (SELECT 1 FROM judged.verdict v WHERE v.trip_key = w.trip_key
                              AND v.verdict IN ('deviation', 'borderline'))
            ORDER BY trip_id LIMIT 3)""")  # fmt: skip
    tamper(folder, "DELETE FROM judged.work_mark")  # verdicts change with what they are made of
    here = Visit.of(opened(folder), "R1")
    ((trips,),) = here.ask(f"""
        SELECT list(trip_id ORDER BY place) FROM judged.work
        WHERE kind = 'batch' AND month = '{MONTH}' AND rule = '{RULE}'""")
    assert isinstance(trips, list)
    assert len(trips) > 3
    return here, RULE, trips


def test_a_batch_is_concluded_together_but_for_those_left_out(
    batch: tuple[Visit, str, list[str]],
) -> None:
    """A batch is kept whole, or not at all."""
    here, rule, trips = batch
    page = f"/batch?month={MONTH}&rule={rule}"
    shown = here.text(page)
    assert all(trip in shown for trip in trips)
    assert {"trip", "conclusion", "contributed", "basis"} <= here.asks(page)
    whole: dict[str, str | list[str]] = {
        "month": MONTH, "rule": rule, "trip": trips, "conclusion": "holds", "basis": "sample",
    }  # fmt: skip
    for wrong in (
        {"trip": [*trips, "T-none"]}, {"trip": []}, {"conclusion": ""},
        {"conclusion": "cannot_say", "contributed": ["logistics"]},
    ):  # fmt: skip
        assert here.send("/batch", {**whole, **wrong}).status_code == 409
    assert here.ask("SELECT count(*) FROM loop.determination") == [(0,)]
    sent: dict[str, str | list[str]] = {
        "month": MONTH, "rule": rule, "trip": trips[1:], "conclusion": "holds",
        "contributed": ["logistics", "child"], "basis": "together",
    }  # fmt: skip
    here.kept("/batch", sent)
    found = here.ask(f"""SELECT trip_id, finding, contributed, basis, reviewer FROM loop.reading
                         WHERE rule = '{rule}' ORDER BY trip_id""")
    assert found == [(t, "holds", "logistics child", "together", "R1") for t in sorted(trips[1:])]
    left = here.text(page)
    assert [trip for trip in trips if trip in left] == trips[:1]
    # the same form once more: none of its trips waits
    again = here.send("/batch", sent)
    assert again.status_code == 409
    assert trips[1] in again.text
    assert len(here.ask("SELECT * FROM loop.determination")) == len(trips) - 1
    assert ledger(here.folder)[1] == []


# ---- signals

SIGNALS = {
    "rate": ("occlusion-rate", "service", "all"),
}


def signal(
    folder: Path, measure: str, group_by: str, group_value: str, *, month: str = MONTH,
    number: int = 1,
) -> str:  # fmt: skip
    """Put a signal into the store that holds since the first month; its key."""
    row = dict.fromkeys(SIGNAL.columns, None) | {
        "signal_no": number, "month": month, "said_in": MONTH, "kind": "headline",
        "measure": measure, "group_by": group_by, "group_value": group_value, "side": "worse",
        "since": "2026-01", "since_low": "2026-01", "since_high": MONTH, "certainty": "sure",
        "missing": 0,
        "found": True, "sentence": "More than there were.",
    }  # fmt: skip
    cells = ", ".join("NULL" if v is None else repr(v) for v in row.values())
    tamper(folder, f"INSERT INTO loop.signal VALUES ({cells})")
    return "|".join((month, measure, group_by, group_value))


def test_a_rate_lists_the_trips_with_events(visit: Visits, folder: Path) -> None:
    here = visit("R1")
    key = signal(folder, *SIGNALS["rate"])
    trips = here.ask("""
        SELECT DISTINCT trip_id FROM judged.occlusion JOIN judged.trip_window USING (trip_key)
        WHERE not_counted_because IS NULL""")
    others = here.ask("""
        SELECT trip_id FROM judged.trip_window WHERE trip_key NOT IN (
            SELECT trip_key FROM judged.occlusion)""")
    page = here.text(f"/signal?key={key}")
    assert trips
    assert all(str(trip) in page for (trip,) in trips)
    assert not any(str(trip) in page for (trip,) in others)


def test_a_share_lists_its_variances_and_what_readers_said(visit: Visits, folder: Path) -> None:
    here = visit("R1")
    ((rule, trips),) = here.ask("""
        SELECT rule, list(DISTINCT trip_id ORDER BY trip_id) FROM judged.verdict
        JOIN judged.trip_window USING (trip_key) WHERE verdict = 'deviation'
        GROUP BY rule ORDER BY count(*) DESC, rule LIMIT 1""")
    assert isinstance(trips, list)
    key = signal(folder, "deviation-share", "rule", str(rule))
    page = here.text(f"/signal?key={key}")
    assert [trip for trip in trips if trip not in page] == []
    assert page.count("unread") == len(trips)


def test_a_signal_is_looked_into_before_a_person_closes_it(visit: Visits, folder: Path) -> None:
    here = visit("R1")
    key = signal(folder, *SIGNALS["rate"])
    closing: dict[str, str | list[str]] = {
        "key": key, "go": "closed", "conclusion": "equipment", "why": "One cannula of one base.",
        "unread": "yes",
    }  # fmt: skip
    assert "More than there were." in here.text("/?kind=signal")
    assert here.send("/signal", closing).status_code == 409
    here.kept("/signal", {"key": key, "go": "looked_into", "owner": "R2"})
    assert "R2" in here.text("/?kind=signal")
    assert {"conclusion", "why", "unread"} <= here.asks(f"/signal?key={key}")
    for without in ("conclusion", "why", "unread"):
        short = {name: value for name, value in closing.items() if name != without}
        assert here.send("/signal", short).status_code == 409, without
    assert here.send("/signal", {**closing, "conclusion": "whatever"}).status_code == 409
    assert here.ask("SELECT state FROM loop.standing WHERE thing = 'signal'") == [("looked_into",)]
    here.kept("/signal", {**closing, "what": "Look at the cannulas.", "due_month": "2026-09"})
    assert "More than there were." not in here.text("/?kind=signal")
    for page in (f"/signal?key={key}", "/signals"):
        shown = here.text(page)
        assert "Equipment or supply: One cannula of one base." in shown
        assert " R1 " in shown
    assert here.ask("SELECT owner FROM loop.standing WHERE thing = 'signal'") == [("R2",)]
    assert here.ask("SELECT what, owner, due_month FROM loop.standing WHERE thing = 'action'") == [
        ("Look at the cannulas.", "R1", "2026-09")
    ]
    assert ledger(folder)[1] == []
    # an action of no trip is on the month's pages and the year's, too
    with store_in(folder, read_only=True) as con:
        make_answers(con)
        for asked in (follow_ups(con, MONTH), year_actions(con, MONTH)):
            assert list(asked["action"]) == ["Look at the cannulas."]


def test_a_signal_has_an_owner_once_it_is_looked_into_and_counts_its_trips(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    ((rule, trips),) = here.ask("""
        SELECT rule, list(DISTINCT trip_id ORDER BY trip_id) FROM judged.verdict
        JOIN judged.trip_window USING (trip_key) WHERE verdict = 'deviation'
        GROUP BY rule ORDER BY count(*) DESC, rule LIMIT 1""")
    assert isinstance(trips, list)
    key = signal(folder, "deviation-share", "rule", str(rule))
    trip = str(trips[0])
    here.kept("/readers", {"readers": "one", "why": "There is one."})
    here.kept("/case", here.case(trip, _all="holds", status="closed"))
    here.kept("/signal", {"key": key, "go": "looked_into"})
    many = f"{len(trips)} trips: 1 read, 1 held." if len(trips) > 1 else "1 trip: 1 read, 1 held."
    for page in (f"/signal?key={key}", "/signals"):
        assert many in here.text(page)
    assert here.ask("SELECT owner FROM loop.standing WHERE thing = 'signal'") == [("R1",)]
    assert f"/signal?key={quote_plus(key)}" in here.get(f"/case?trip={trip}").replace("%20", "+")


# else `test_a_signal_has_an_owner_once_it_is_looked_into_and_counts_its_trips`
@with_deep
def test_a_signal_is_late_the_month_after_it_was_said_unless_its_owner_says_another(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    key = signal(folder, *SIGNALS["rate"], month="2025-12")
    assert 'class="late"' in here.get("/?kind=signal")
    assert "January 2026 late" in here.text("/?kind=signal")
    here.kept("/signal", {"key": key, "go": "looked_into", "due_month": "2027-01"})
    assert 'class="late"' not in here.get("/?kind=signal")


# else `test_a_change_is_as_old_as_its_first_headline_not_as_a_watch_before_it`
@with_deep
def test_signals_that_share_their_trips_are_one_thing_to_look_into(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    ((size,),) = here.ask("""
        SELECT o.cannula FROM judged.occlusion o WHERE not_counted_because IS NULL
        GROUP BY 1 ORDER BY count(*) DESC LIMIT 1""")
    service = signal(folder, *SIGNALS["rate"])
    of_size = signal(folder, "occlusion-rate", "cannula", str(size), number=2)
    other = signal(folder, "incomplete-log-share", "base", "nowhere", number=3)
    assert here.get("/?kind=signal").count('class="piece"') == 2
    assert "2 signals" in here.text("/?kind=signal")
    assert here.get("/signals").count('class="piece"') == 2
    page = here.get(f"/signal?key={service}")
    assert of_size in page
    assert other not in page
    # each can be closed by itself, or with what is the same
    here.kept("/signal", {"key": service, "go": "looked_into", "also": [of_size, other]})
    assert here.ask("SELECT key FROM loop.standing WHERE thing = 'signal' ORDER BY 1") == sorted(
        [(service,), (of_size,)]
    )
    closing: dict[str, str | list[str]] = {
        "go": "closed", "conclusion": "chance", "why": "Looked at.", "unread": "yes",
    }  # fmt: skip
    here.kept("/signal", {"key": of_size, **closing})
    assert here.get("/?kind=signal").count('class="piece"') == 2


# else `test_a_signal_is_looked_into_before_a_person_closes_it`
@with_deep
def test_closing_a_signal_closes_what_was_said_of_its_chart_before(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    first = signal(folder, *SIGNALS["rate"], month="2026-01")
    again = signal(folder, *SIGNALS["rate"], number=2)
    assert here.get("/?kind=signal").count('class="piece"') == 1
    here.kept("/signal", {"key": again, "go": "looked_into"})
    here.kept("/signal", {"key": again, "go": "closed", "conclusion": "care", "why": "So it was.",
                          "unread": "yes"})  # fmt: skip
    assert here.get("/?kind=signal").count('class="piece"') == 0
    assert "So it was." in here.text(f"/signal?key={first}")
    # a mistake: both are there again, with what is said now
    taken_up = {"key": first, "go": "again"}
    assert here.send("/signal", taken_up).status_code == 409
    why = {"why": "Another base was meant."}
    # a form that was open before it was closed takes nothing up
    assert here.send("/signal", {**why, "key": again, "go": "looked_into"}).status_code == 409
    here.kept("/signal", {**taken_up, **why})
    assert here.get("/?kind=signal").count('class="piece"') == 1
    assert "Another base was meant." in here.text(f"/signal?key={again}")
    assert ledger(folder)[1] == []


@pytest.mark.parametrize("before", ["looked_into", "open"][: examples(1, 2)])
def test_a_signal_that_ended_is_stored_as_closed_once(
    visit: Visits, folder: Path, before: str
) -> None:
    here = visit("R1")
    key = signal(folder, *SIGNALS["rate"])
    if before == "looked_into":
        here.kept("/signal", {"key": key, "go": before})
    row = dict(zip(("month", "measure", "group_by", "group_value"), key.split("|"), strict=True))
    other = {"month": "2026-01", "standing": "stands"}
    frame = frame_of(
        [row | {"side": "worse", "standing": "ended"}, row | {"side": "worse"} | other]
    )
    with store_in(folder) as con:
        assert (close_ended(con, frame), close_ended(con, frame)) == (1, 0)
    taken_up = {"key": key, "go": "again", "why": "We think otherwise."}
    assert here.send("/signal", taken_up).status_code == 409
    said = here.ask("SELECT key, state, recorded_by FROM loop.standing WHERE thing = 'signal'")
    assert said == [(key, "closed", None)]
    assert "More than there were." not in here.text("/?kind=signal")
    assert "Twelve months are at the level before it." in here.text(f"/signal?key={key}")
    assert ledger(folder)[1] == []


# ---- a late delivery


def test_a_late_delivery_is_checked_looked_at_and_received(
    visit: Visits, clean_delivery: Path, folder: Path, tmp_path: Path
) -> None:
    here = visit("C1")
    ((trip,),) = here.ask(f"""
        SELECT min(trip_id) FROM judged.trip_window JOIN judged.verdict USING (trip_key)
        WHERE verdict = 'deviation' AND service_month = '{MONTH}'""")
    old = here.case(str(trip), _all="holds")
    others = here.ask(f"SELECT trip_id FROM delivered.holding WHERE trip_id <> '{trip}'")
    late = delivery_like(
        clean_delivery, tmp_path / "late", without=[str(t) for (t,) in others],
        edits={("trips", str(trip)): {"weight_kg": "9.9"}},
    )  # fmt: skip
    ((before,),) = here.ask("SELECT list(mark) FROM judged.work_mark")
    assert "folder" in here.asks("/decisions")
    checked = here.send("/deliver", {"folder": str(late), "go": "check"})
    assert checked.status_code == 200
    assert "can be reviewed" in checked.text
    assert here.ask("SELECT count(*) FROM delivered.receipt") == [(1,)]
    assert "Receive it" in checked.text
    assert "is drawn" in here.kept("/deliver", {"folder": str(late), "go": "receive"}).replace(
        "+", " "
    )
    assert here.ask("SELECT count(*) FROM delivered.receipt") == [(2,)]
    # a form from before is of another record now
    assert here.send("/case", old).status_code == 409
    assert "9.9 kg" in here.text(f"/case?trip={trip}")
    assert here.ask("SELECT list(mark) FROM judged.work_mark") != [(before,)]
    assert ledger(folder)[1] == []


def test_a_delivery_that_is_none_is_a_sentence(visit: Visits, tmp_path: Path) -> None:
    here = visit("C1")
    for go in ("check", "receive"):
        answer = here.send("/deliver", {"folder": str(tmp_path / "nowhere"), "go": go})
        assert answer.status_code == 409
        assert "nowhere" in answer.text
    assert here.ask("SELECT count(*) FROM delivered.receipt") == [(1,)]
