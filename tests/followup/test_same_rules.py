"""What the sheet and the commands may and may not do: the rules that the desk holds to as well."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from pipeline.errors import EXIT_REFUSED, Refused
from pipeline.followup import by_hand
from pipeline.followup.case_states import GRAVE
from pipeline.followup.ledger_words import ledger
from pipeline.store.answers_view import VIEWS
from tests.followup.test_commands import Run, run

from . import reviewed_store
from .reviewed_store import MONTH, answer, ask, drawn_for_a_second, flagged, flags, read_back

assert run

STATES = """SELECT trip_id, rule, finding, contributed, status, holds FROM loop.answer
            ORDER BY determination_no, rule"""


@pytest.fixture
def plain(folder: Path) -> tuple[str, list[str]]:
    """A trip with two findings or more that no second reader is drawn for."""
    apart = drawn_for_a_second(folder)
    trips = [trip for trip, _ in flagged(folder) if trip not in apart]
    trip = next(t for t in trips if len(flags(folder, t)) > 1)
    return trip, flags(folder, trip)


def codes(done: object) -> list[tuple[int | None, str | None, str]]:
    return [(p.line, p.column, p.code) for p in done.problems]  # type: ignore[attr-defined]


# ---- two questions, in the words of 0.1.0 and in the new


def test_answers_are_read_in_both_tongues(folder: Path, plain: tuple[str, list[str]]) -> None:
    trip, (first, second, *_) = plain
    rows = [
        answer(trip, first, "practice", status="open"),
        answer(trip, second, "holds", status="open") | {"contributed": "child, logistics"},
    ]
    rows[0]["contributed"] = ""
    assert read_back(folder, rows).problems == []
    assert ask(folder, STATES) == [
        (trip, first, "holds", "skill_or_knowledge", "open", True),
        (trip, second, "holds", "logistics child", "open", True),
    ]
    told = ask(folder, "SELECT conclusion FROM loop.answer ORDER BY determination_no")
    assert told == [("practice",), ("logistics",)]


def test_a_store_of_0_1_0_is_read_in_the_new_words(folder: Path) -> None:
    words = ["practice", "logistics", "justified", "record_gap", "equipment", "protocol_unclear",
             "flag_wrong", "missed"]  # fmt: skip
    trip, rule = flagged(folder)[0]
    reviewed_store.tamper(folder, f"""
        DROP VIEW loop.answer; DROP VIEW loop.reading; DROP VIEW loop.standing;
        DROP TABLE loop.finding; DROP TABLE loop.move; DROP TABLE loop.draft;
        INSERT INTO loop.determination
        SELECT n, 1, n, '{trip}', 1, '{MONTH}', word, 'closed', NULL, 'R' || n, NULL, NULL, NULL
        FROM (SELECT unnest({words}) AS word, unnest(range(1, 9)) AS n);
        INSERT INTO loop.determination_rule
        SELECT n, '{rule}', 'deviation' FROM (SELECT unnest(range(1, 9)) AS n)""")  # fmt: skip
    from pipeline.store.database import open_store
    from pipeline.store.followup_tables import ensure_followup_tables

    con = open_store(folder / "store.duckdb")
    ensure_followup_tables(con)
    found = con.execute("SELECT finding, contributed FROM loop.answer ORDER BY reviewer").fetchall()
    con.close()
    assert found == [
        ("holds", "skill_or_knowledge"), ("holds", "logistics"), ("holds", "reasonable_care"),
        ("not_documented", None), ("holds", "equipment"), ("holds", "protocol_unclear"),
        ("does_not_hold", None), ("missed", None),
    ]  # fmt: skip
    assert len(VIEWS) == 3


@pytest.mark.parametrize(
    ("conclusion", "contributed"),
    [("holds", "luck"), ("does_not_hold", "logistics"), ("cannot_say", "child")],
)
def test_what_contributed_goes_with_what_holds(
    folder: Path, plain: tuple[str, list[str]], conclusion: str, contributed: str
) -> None:
    row = answer(plain[0], plain[1][0], conclusion, status="open") | {"contributed": contributed}
    done = read_back(folder, [row])
    assert codes(done) == [(2, "contributed", "contradictory-answer")]


# ---- states of a case


def test_a_case_is_closed_with_its_last_finding(folder: Path, plain: tuple[str, list[str]]) -> None:
    trip, (first, *rest) = plain
    assert codes(read_back(folder, [answer(trip, first, "holds")])) == [(2, "status", "case-move")]
    assert read_back(folder, [answer(trip, first, "holds", status="open")]).stored == 1
    assert read_back(folder, [answer(trip, " ".join(rest), "record_gap")]).problems == []


def test_an_empty_answer_never_overrides(folder: Path, plain: tuple[str, list[str]]) -> None:
    trip, rules = plain
    read_back(folder, [answer(trip, " ".join(rules), "holds")])
    again = answer(trip, " ".join(rules), "", status="awaiting_crew")
    assert read_back(folder, [again]).stored == 1
    assert [row[2:] for row in ask(folder, STATES) if row[5]] == [
        ("holds", None, "awaiting_crew", True)
    ] * len(rules)


def test_a_referred_case_is_the_directors(folder: Path, plain: tuple[str, list[str]]) -> None:
    trip, rules = plain
    whole = " ".join(rules)
    referred = answer(trip, whole, "holds", status="referred", refer_to="director")
    assert codes(read_back(folder, [referred | {"refer_to": ""}])) == [
        (2, "refer_to", "missing-value")
    ]
    assert read_back(folder, [referred]).problems == []
    assert codes(read_back(folder, [answer(trip, whole, "holds")])) == [(2, "status", "case-move")]
    ((director,),) = ask(folder, "SELECT DISTINCT approved_by FROM delivered.protocol_version")
    assert read_back(folder, [answer(trip, whole, "holds", reviewer=director)]).stored == 1


def test_nobody_reads_a_trip_that_carries_their_token(folder: Path) -> None:
    trip, rule = flagged(folder)[0]
    ((crew,),) = ask(folder, f"""SELECT min(crew_member) FROM delivered.crew
        JOIN delivered.holding USING (trip_key) WHERE trip_id = '{trip}'""")  # fmt: skip
    done = read_back(folder, [answer(trip, rule, "holds", status="open", reviewer=crew)])
    assert codes(done) == [(2, "reviewer", "own-trip")]


# ---- the second reading


def test_a_first_reading_is_not_to_be_seen_before_the_second_is_there(folder: Path) -> None:
    trip = drawn_for_a_second(folder)[0]
    rules = " ".join(flags(folder, trip))
    read_back(folder, [answer(trip, rules, "holds")])
    assert ask(folder, "SELECT state, what FROM loop.standing") == [("asked", "drawn")]
    assert ask(folder, STATES) == []
    done = read_back(folder, [answer(trip, rules, "holds", reviewer="R2")])
    assert done.differing == []
    assert ask(folder, "SELECT state FROM loop.standing") == [("agreed",)]
    assert len(ask(folder, STATES)) == 2 * len(rules.split())


def test_a_difference_counts_as_unread_until_a_third_settles_it(folder: Path) -> None:
    trip = drawn_for_a_second(folder)[0]
    rules = " ".join(flags(folder, trip))
    read_back(folder, [answer(trip, rules, "holds")])
    read_back(folder, [answer(trip, rules, "cannot_say", reviewer="R2", status="open")])
    assert ask(folder, "SELECT state FROM loop.standing") == [("differs",)]
    assert not any(row[5] for row in ask(folder, STATES))
    again = read_back(folder, [answer(trip, rules, "cannot_say", status="open")])
    assert codes(again) == [(2, "reviewer", "case-move")]
    assert read_back(folder, [answer(trip, rules, "holds", reviewer="R3")]).problems == []
    assert ask(folder, "SELECT state FROM loop.standing") == [("settled",)]
    assert {row[2] for row in ask(folder, STATES) if row[5]} == {"holds"}
    assert ledger(folder)[1] == []


# ---- by hand, approving, publishing


def test_a_trip_is_added_its_words_are_screened_and_it_is_read_in_its_month(
    folder: Path, run: Run
) -> None:
    from pipeline.judging.versions import versions_in_store
    from pipeline.month.cases import cases, month_words
    from pipeline.store.database import open_store

    ((trip,),) = ask(folder, f"""SELECT min(trip_id) FROM judged.trip_window WHERE service_month =
        '{MONTH}' AND trip_key NOT IN (SELECT trip_key FROM judged.verdict WHERE verdict IN
        ('deviation', 'borderline'))""")  # fmt: skip
    ran = run("add", trip, "--why", "the crew asked for it", "--by", "C1", "--into", folder)
    assert (ran.code, trip in ran.out) == (0, True)
    assert ask(folder, "SELECT thing, key, what FROM loop.standing") == [
        ("added", trip, "the crew asked for it")
    ]
    for words, named in (("ask Mary Jones", trip), ("of no trip", "T-none")):
        assert run("add", named, "--why", words, "--into", folder).code == EXIT_REFUSED
    assert len(ask(folder, "FROM loop.move")) == 1
    assert ledger(folder)[1] == []
    con = open_store(folder / "store.duckdb")
    versions = versions_in_store(con)
    month_words(con, versions, MONTH)
    cases(con, versions, MONTH)
    found = con.execute("SELECT kind, why FROM month_case WHERE trip_id = ?", [trip]).fetchall()
    con.close()
    assert found == [("read", "Always read: added by hand.")]


def test_limits_are_approved_once(folder: Path, run: Run) -> None:
    from pipeline.judging.versions import versions_in_store
    from pipeline.store.database import open_store

    ((version,),) = ask(folder, "SELECT id FROM delivered.protocol")
    reviewed_store.tamper(
        folder,
        """UPDATE delivered.protocol_version SET approved_by = NULL,
        approved_month = NULL, content = json_merge_patch(content, '{"approved": null}')""",
    )
    assert run("approve", version, "--by", "D7", "--into", folder).code == 0
    assert "before" in run("approve", version, "--by", "D8", "--into", folder).out
    assert run("approve", "no-such", "--by", "D7", "--into", folder).code == EXIT_REFUSED
    con = open_store(folder / "store.duckdb")
    (kept,) = versions_in_store(con)
    con.close()
    assert kept.version.approved is not None
    assert (kept.version.approved.by, kept.version.approved.month) == ("D7", MONTH)


def test_publishing_is_refused_with_what_is_left(folder: Path, run: Run) -> None:
    before = ask(folder, "SELECT count(*) FROM loop.publication")
    ran = run("publish", MONTH, "--into", folder)
    assert ran.code == EXIT_REFUSED
    ((always,),) = ask(folder, f"""SELECT count(*) FROM judged.trip_window w
        JOIN delivered.trips t USING (trip_key) WHERE w.service_month = '{MONTH}'
        AND (outcome IN {GRAVE} OR outcome_24h = 'died')""")  # fmt: skip
    named = re.findall(r"(\w+) \(([^)]*)\)", ran.err.partition("unread: ")[2].partition("\n")[0])
    assert always <= len(named) > 0
    graves = [why.startswith(("outcome", "died")) for _, why in named]
    assert graves == sorted(graves, reverse=True)
    others = {t for v in ("deviation", "borderline") for t, _ in flagged(folder, verdict=v)}
    others -= {trip for trip, _ in named}
    assert f"unread: {len(others)} other trips have findings" in ran.err
    assert ask(folder, "SELECT count(*) FROM loop.publication") == before
    assert run("publish", MONTH, "--into", folder, "--anyway", "--by", "C1").code == 0
    (text,) = ask(folder, "SELECT detail FROM loop.ledger WHERE what = 'publication'")[0]
    assert json.loads(text)["anyway"]["unread"] >= len(named) + len(others)
    assert "anyway: " in ledger(folder)[0]


def test_a_trip_that_is_not_there_is_refused_in_the_function_too(folder: Path) -> None:
    with pytest.raises(Refused):
        by_hand.add(folder, "T-none", "why")
