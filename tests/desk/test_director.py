"""What waits for a director, what stands against publishing, and words to a crew as they read."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import duckdb
import pytest

from pipeline.desk.waiting import signal_piece
from pipeline.followup.ledger_words import ledger
from pipeline.followup.own_signals import SignalNow, stands_at
from tests.deep import examples, with_deep
from tests.followup.reviewed_store import MONTH, flagged, tamper

from .conftest import Visits
from .test_beside_cases import SIGNALS, signal

# ---- the director's list


def test_what_waits_for_a_director_is_one_link_away(visit: Visits, folder: Path) -> None:
    here = visit("R1")
    tamper(folder, "UPDATE delivered.protocol_version SET approved_by = NULL")
    trip = str(flagged(folder)[0][0])
    here.kept("/case", here.case(trip, _all="holds", status="referred", refer_to="director"))
    signal(folder, *SIGNALS["rate"])
    assert 'href="/?for=director"' in here.get("/")
    page = here.get("/?for=director")
    kinds = set(re.findall(r'data-label="Kind">([^<]*)<', page))
    assert kinds == {"Read", "Signal", "Limits", "Publish"}
    assert f"trip={trip}" in page
    assert "Fetch" not in kinds


def test_a_token_that_approves_limits_begins_with_the_directors_list(visit: Visits) -> None:
    here = visit("R1")
    # a token that has done nothing here before is asked whether it is meant
    assert "R2 has done nothing in this store before" in here.text(here.kept("/who", {"by": "R2"}))
    here.kept("/readers", {"readers": "one", "why": "Nobody else is trained yet."})
    assert here.kept("/who", {"by": "R2"}) == "/"
    assert here.kept("/who", {"by": "D1"}) == "/?for=director"


def test_every_piece_has_a_square_or_is_counted(visit: Visits) -> None:
    here = visit("R1")
    page = here.get("/")
    for row in re.findall(r'<tr><th scope="row"><a href="/\?kind=.*?</tr>', page):
        shown = sum(map(len, re.findall(r"[■□]+", row)))
        more = sum(int(n) for n in re.findall(r" and (\d+) more", row))
        cells = [int(n) for n in re.findall(r'class="hidden-text">(\d+)<', row)]
        (whole,) = re.findall(r'<td class="num">(\d+)</td>', row)
        assert shown + more == sum(cells) == int(whole)


# ---- before publishing


# else `test_same_rules.py` refuses to publish with what is left
@with_deep
def test_each_count_before_publishing_leads_to_what_it_counts(visit: Visits, folder: Path) -> None:
    here = visit("R1")
    key = signal(folder, *SIGNALS["rate"])
    page = here.get(f"/publish?month={MONTH}")
    lines = re.findall(r'<a href="(/left[^"]*)">(\d+) ', page)
    assert lines
    for href, count in lines:
        things = re.findall(
            r'<li><a href="/(?:case|signal|action)\?', here.get(href.replace("&amp;", "&"))
        )
        assert len(things) == int(count)
    assert "1 signal is not closed" in here.text(f"/publish?month={MONTH}")
    here.kept("/signal", {"key": key, "go": "looked_into"})
    assert "1 signal is not closed" in here.text(f"/publish?month={MONTH}")
    here.kept("/signal", {"key": key, "go": "closed", "conclusion": "chance", "why": "Nothing.",
                          "unread": "yes"})  # fmt: skip
    assert "signal is not closed" not in here.text(f"/publish?month={MONTH}")


# ---- a case's form


# else `test_a_case_is_not_closed_with_a_finding_left`
@with_deep
def test_no_state_is_chosen_for_a_case_nobody_has_read(visit: Visits, folder: Path) -> None:
    here = visit("R1")
    trip = str(flagged(folder)[0][0])
    chosen = re.compile(r'name="status" value="(\w+)" checked')
    assert chosen.findall(here.get(f"/case?trip={trip}")) == []
    unsaid = here.case(trip, _all="holds")
    del unsaid["status"]
    assert here.send("/case", unsaid).status_code == 409
    assert here.ask("SELECT count(*) FROM loop.determination") == [(0,)]
    here.kept("/case", here.case(trip, _all="holds", status="closed"))
    assert chosen.findall(here.get(f"/case?trip={trip}")) == ["closed"]


# else `test_a_refusal_speaks_of_the_form_and_marks_its_field`
@with_deep
@pytest.mark.usefixtures("with_screen")
@pytest.mark.parametrize(
    ("text", "refused", "beside"),
    [
        ("The mother, Maria Gonzalez, was there.", "Gonzalez", "was there"),
        ("Seen again on 14 March 2026 at night.", "14 March 2026", "at night"),
    ][: examples(1, 2)],
)
def test_a_refusal_quotes_the_words_that_were_refused(
    visit: Visits, folder: Path, text: str, refused: str, beside: str
) -> None:
    here = visit("R1")
    trip = str(flagged(folder)[0][0])
    key = signal(folder, *SIGNALS["rate"])
    for path, fields in (
        ("/case", here.case(trip, note=text)),
        ("/case", here.case(trip, query=text)),
        ("/signal", {"key": key, "go": "looked_into", "why": text}),
        ("/add", {"trip": trip, "why": text}),
    ):
        answer = here.send(path, fields)
        assert answer.status_code == 409, path
        (said,) = re.findall(r'role="alert".*?<ul>(.*?)</ul>', answer.text, re.DOTALL)
        assert refused in said
        assert beside not in said


def test_a_signal_counts_up_to_now_and_its_last_three_months_alone() -> None:
    con = duckdb.connect()
    con.execute("""
        CREATE SCHEMA loop;
        CREATE TABLE loop.signal_month AS
        SELECT unnest([1, 1, 1, 1, 1, 2]) AS worked_no,
               unnest(['2026-01', '2026-02', '2026-03', '2026-04', '2026-05', '2026-03']) AS month,
               'deviation-share' AS measure, 'rule' AS group_by, 'monitoring-gap' AS group_value,
               unnest([1.0, 4, 9, 0, 1, 2]) AS seen,
               unnest([50.0, 58, 60, 40, 45, 61]) AS denominator
    """)
    signal = SignalNow(
        "k", "watch", "2026-02", "deviation-share", "rule", "monitoring-gap", "2026-02", "",
        "open", None, None, None, None, None,
    )  # fmt: skip
    # March was worked out once more: 2 of 61 in place of 9 of 60
    assert stands_at(con, signal, "2026-05") == [
        "Up to May 2026: 7 of 204 trips since February 2026.",
        "The last three months alone: 3 of 146 trips.",
    ]
    assert stands_at(con, dataclasses.replace(signal, month="2026-05"), "2026-05") == [
        "The last three months alone: 3 of 146 trips."
    ]
    assert stands_at(con, dataclasses.replace(signal, group_value="no such"), "2026-05") == []
    con.close()


def test_a_change_is_as_old_as_its_first_headline_not_as_a_watch_before_it() -> None:
    def said(kind: str, month: str) -> SignalNow:
        return SignalNow(month, kind, month, "occlusion-rate", "service", "all", "2025-08", "",
                         "open", None, None, None, None, None)  # fmt: skip

    watch, headline = said("watch", "2025-08"), said("headline", "2026-01")
    piece = signal_piece([headline, said("headline", "2026-03"), watch], "2026-06")
    assert (piece.opened, piece.due, piece.age, piece.n) == ("2026-01", "2026-02", 5, 3)
    assert signal_piece([watch], "2026-06").age == 10


# ---- words to a crew


def test_a_reply_says_what_is_concluded_who_writes_and_how_to_answer(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    trip, rule = flagged(folder)[0]
    here.kept("/case", here.case(trip, query="What did you see?"))
    ((key,),) = here.ask("SELECT key FROM loop.standing WHERE thing = 'query'")
    page = here.get(f"/case?trip={trip}")
    assert f"/letter?name=query&key={key}" in page
    assert "/letter?name=reply" not in page
    here.kept("/query", {"key": str(key), "why": "We were told to wait."})
    reply = f"/letter?name=reply&key={key}"
    assert reply in here.get(f"/case?trip={trip}")
    page = here.text(reply)
    assert "nothing yet" in page
    assert "A first reply" in page
    said = here.case(trip, _all="holds", status="closed", action="Replace the heater",
                     owner="C1")  # fmt: skip
    here.kept("/case", {**said, f"contributed {rule}": ["logistics", "reasonable_care"]})
    here.kept("/query", {"key": str(key), "own": "You did right to stop.", "go": "own"})
    assert here.send("/query", {"key": str(key), "own": "Ask Maria Gonzalez.", "go": "own"}
                     ).status_code == 409  # fmt: skip
    page = here.text(reply)
    assert "A closing reply" in page
    assert (
        "it happened as recorded. What contributed: logistics. The care given was reasonable."
        in page
    )
    assert "We were told to wait." in page
    assert "What we are doing: Replace the heater." in page
    assert "You did right to stop." in page
    ((service,),) = here.ask("SELECT min(service) FROM delivered.delivery")
    assert f"quality review of {service}" in page
    (folder / "letters").mkdir()
    (folder / "letters" / "sender.txt").write_text("Call the desk of $service.", encoding="utf-8")
    assert f"Call the desk of {service}." in here.text(reply)


# else `test_a_reply_says_what_is_concluded_who_writes_and_how_to_answer`
@with_deep
def test_a_query_says_why_the_trip_is_read_and_what_is_concluded_so_far(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    trip = flagged(folder)[0][0]
    here.kept("/case", here.case(trip, query="What did you see?"))
    assert "Nothing is final." in here.text("/letter?name=query&key=Q1")
    here.kept("/case", here.case(trip, _all="not_documented", status="awaiting_crew"))
    assert "the record does not show what was done" in here.text("/letter?name=query&key=Q1")
    ((other, why),) = here.ask(
        "SELECT trip_id, why FROM judged.work WHERE kind = 'read' AND starts_with(why, 'Always')"
        " AND trip_id NOT IN (SELECT trip_id FROM judged.work WHERE kind = 'batch') LIMIT 1"
    )
    here.kept("/case", here.case(str(other), query="How was the child?"))
    assert str(why).removeprefix("Always read: ") in here.text("/letter?name=query&key=Q2")


def test_a_reply_does_not_tell_a_first_reading_that_a_second_waits_for(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    trip = flagged(folder)[0][0]
    here.kept("/case", here.case(trip, query="What did you see?"))
    here.kept("/query", {"key": "Q1", "why": "Nothing odd."})
    here.kept("/case", here.case(trip, _all="holds", status="closed", second="yes"))
    assert "it happened" not in here.text("/letter?name=reply&key=Q1")


# else `test_no_letter_under_limits_that_nobody_approved` has the letter
@with_deep
def test_a_word_on_good_care_says_what_was_good_and_waits_for_an_open_query(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    trip = flagged(folder)[0][0]
    offered = f"/good-care?trip={trip}"
    assert offered in here.get(f"/case?trip={trip}")
    for hollow in ("", "Thanks to Maria Gonzalez, who stayed."):
        assert here.send("/good-care", {"trip": trip, "what": hollow}).status_code == 409
    letter = here.kept("/good-care", {"trip": trip, "what": "The mask was changed in a minute."})
    assert "The mask was changed in a minute." in here.text(letter)
    assert letter.replace("&", "&amp;") in here.get(f"/case?trip={trip}").replace("&", "&amp;")
    here.kept("/case", here.case(trip, query="What did you see?"))
    assert offered not in here.get(f"/case?trip={trip}")
    assert here.send("/good-care", {"trip": trip, "what": "All of it."}).status_code == 409
    assert here.ask("SELECT count(*) FROM loop.move WHERE thing = 'good_care'") == [(1,)]
    assert ledger(folder)[1] == []
