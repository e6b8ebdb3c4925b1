"""What waits for a director, what stands against publishing, and words to a crew as they read."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.followup.ledger_words import ledger
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


@pytest.mark.usefixtures("with_screen")
@pytest.mark.parametrize(
    ("text", "refused", "beside"),
    [
        ("The mother, Maria Gonzalez, was there.", "Gonzalez", "was there"),
        ("Seen again on 14 March 2026 at night.", "14 March 2026", "at night"),
    ],
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


# ---- words to a crew


def test_a_reply_says_what_is_concluded_who_writes_and_how_to_answer(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    trip, rule = flagged(folder)[0]
    here.kept("/case", here.case(trip, query="What did you see?"))
    ((key,),) = here.ask("SELECT key FROM loop.standing WHERE thing = 'query'")
    assert f"/letter?name=query&key={key}" in here.get(f"/case?trip={trip}")
    assert "/letter?name=reply" not in here.get(f"/case?trip={trip}")
    here.kept("/query", {"key": str(key), "why": "We were told to wait."})
    reply = f"/letter?name=reply&key={key}"
    assert reply in here.get(f"/case?trip={trip}")
    assert "nothing yet" in here.text(reply)
    said = here.case(trip, _all="holds", status="closed")
    here.kept("/case", {**said, f"contributed {rule}": ["logistics"]})
    page = here.text(reply)
    assert "it was so; what contributed: logistics." in page
    assert "We were told to wait." in page
    ((service,),) = here.ask("SELECT min(service) FROM delivered.delivery")
    assert f"quality review of {service}" in page
    (folder / "letters").mkdir()
    (folder / "letters" / "sender.txt").write_text("Call the desk of $service.", encoding="utf-8")
    assert f"Call the desk of {service}." in here.text(reply)


def test_a_reply_does_not_tell_a_first_reading_that_a_second_waits_for(
    visit: Visits, folder: Path
) -> None:
    here = visit("R1")
    trip = flagged(folder)[0][0]
    here.kept("/case", here.case(trip, query="What did you see?"))
    here.kept("/query", {"key": "Q1", "why": "Nothing odd."})
    here.kept("/case", here.case(trip, _all="holds", status="closed", second="yes"))
    assert "it was so" not in here.text("/letter?name=reply&key=Q1")


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
