"""A filled sheet read back: what is stored, what is set aside and why, what a later one does."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import CODES, EXIT_REFUSED, EXIT_USAGE, Refused, Usage
from pipeline.followup.determine import determine, determined_words
from pipeline.measures.rule_shares import verdict_counts
from pipeline.store.database import open_store
from schemas.findings import CONTRIBUTED, FINDINGS, SAID
from schemas.followup import REFER_TO, STATUSES

from . import reviewed_store
from .test_work import with_work

ANSWERS = "SELECT * EXCLUDE (note) FROM loop.answer ORDER BY determination_no, rule"
SHORT = """SELECT trip_id, rule, conclusion, status, reviewer, latest_of_reviewer, holds
           FROM loop.answer ORDER BY determination_no, rule"""


def codes(done: object) -> list[tuple[int | None, str | None, str]]:
    return [(p.line, p.column, p.code) for p in done.problems]  # type: ignore[attr-defined]


@pytest.fixture
def one(folder: Path) -> tuple[str, str]:
    """A trip of the month with one variance, and its rule."""
    found = reviewed_store.flagged(folder)
    trips = [trip for trip, _ in found]
    return next(pair for pair in found if trips.count(pair[0]) == 1)


@pytest.fixture
def several(folder: Path) -> tuple[str, list[str]]:
    """A trip with more than one variance, and the rules."""
    found = reviewed_store.flagged(folder, "%")
    trip = next(t for t, _ in found if sum(o == t for o, _ in found) > 1)
    return trip, [rule for t, rule in found if t == trip]


# ---- what is stored


def test_one_cause_may_explain_several_flags(folder: Path, several: tuple[str, list[str]]) -> None:
    trip, rules = several
    done = reviewed_store.read_back(folder, [reviewed_store.answer(
        trip, ", ".join(rules), "equipment", status="awaiting_crew", refer_to="director",
        action="check the heater", due_month="2026-04", note="the heater was replaced",
    )])  # fmt: skip
    assert (done.answered, done.stored, done.problems) == (1, 1, [])
    assert reviewed_store.ask(folder, SHORT) == [
        (trip, rule, "equipment", "awaiting_crew", "R1", True, True) for rule in sorted(rules)
    ]
    assert reviewed_store.ask(folder, "SELECT verdict FROM loop.answer") == [("deviation",)] * len(
        rules
    )


def test_the_same_sheet_again_stores_nothing(folder: Path, one: tuple[str, str]) -> None:
    rows = [reviewed_store.answer(*one, "practice"), reviewed_store.answer(*one, "practice")]
    first = reviewed_store.read_back(folder, rows)
    entries = reviewed_store.ask(folder, "FROM loop.ledger")
    again = reviewed_store.read_back(folder, rows)
    assert (first.stored, first.unchanged, again.stored, again.unchanged) == (1, 1, 0, 2)
    assert reviewed_store.ask(folder, "FROM loop.ledger") == entries
    assert len(reviewed_store.ask(folder, "FROM loop.sheet")) == 1


def test_a_later_answer_replaces_and_both_are_kept(folder: Path, one: tuple[str, str]) -> None:
    reviewed_store.read_back(
        folder, [reviewed_store.answer(*one, "", status="open", action="ask the crew")]
    )
    done = reviewed_store.read_back(folder, [reviewed_store.answer(*one, "logistics")])
    assert done.replaced == [
        f"{one[0]}, {one[1]}: R1 said no conclusion, open, now says holds (logistics), closed."
    ]
    assert reviewed_store.ask(folder, SHORT) == [
        (*one, None, "open", "R1", False, False),
        (*one, "logistics", "closed", "R1", True, True),
    ]
    back = reviewed_store.read_back(
        folder, [reviewed_store.answer(*one, "", status="open", action="ask the crew")]
    )
    assert (back.stored, len(reviewed_store.ask(folder, SHORT))) == (1, 3)


def test_two_readers_may_differ_and_it_is_said(folder: Path, one: tuple[str, str]) -> None:
    reviewed_store.read_back(folder, [reviewed_store.answer(*one, "practice")])
    done = reviewed_store.read_back(
        folder, [reviewed_store.answer(*one, "record_gap", reviewer="")], by="R2"
    )
    assert done.replaced == []
    assert done.differing == [f"{one[0]}, {one[1]}: R2 concluded not documented, R1 holds."]
    assert "Two readers differ" in determined_words(done)
    assert reviewed_store.ask(folder, SHORT) == [
        (*one, "practice", "closed", "R1", True, False),
        (*one, "record_gap", "closed", "R2", True, True),
    ]


def test_an_audit_trip_closed_without_conclusion_was_read(folder: Path) -> None:
    ((trip,),) = reviewed_store.ask(folder, "SELECT min(trip_id) FROM loop.audit_trip")
    assert reviewed_store.read_back(folder, [reviewed_store.answer(trip, "", "")]).stored == 1
    done = reviewed_store.read_back(
        folder, [reviewed_store.answer(trip, "wall-oxygen-time", "missed", reviewer="R2")]
    )
    assert (done.stored, done.problems) == (1, [])


def test_an_audit_trip_with_what_could_not_be_told_is_closed_as_it_stands(folder: Path) -> None:
    """Nothing was missed and nothing is flagged: a conclusion is on the case as a whole."""
    rule = "cannula-kept"
    ((trip,),) = reviewed_store.ask(folder, "SELECT min(trip_id) FROM loop.audit_trip")
    reviewed_store.tamper(folder, f"""
        UPDATE judged.verdict SET verdict = 'cannot_tell' WHERE rule = '{rule}' AND trip_key =
            (SELECT trip_key FROM judged.trip_window WHERE trip_id = '{trip}')""")  # fmt: skip
    done = reviewed_store.read_back(folder, [reviewed_store.answer(trip, "", "")])
    assert (done.stored, done.problems) == (1, [])
    done = reviewed_store.read_back(folder, [reviewed_store.answer(trip, "", "record_gap")])
    assert (done.stored, done.problems) == (1, [])


def test_a_note_stays_in_the_store(folder: Path, one: tuple[str, str]) -> None:
    from pipeline.followup.month import followup_review
    from pipeline.store.months import months_in_store

    marked = "saw the heater lamp blink"
    reviewed_store.read_back(folder, [reviewed_store.answer(*one, "equipment", note=marked)])
    assert reviewed_store.ask(folder, "SELECT note FROM loop.determination") == [(marked,)]
    con = open_store(folder / "store.duckdb")
    assert months_in_store(con)
    assert with_work(con).items
    from schemas.frame import Frame
    from schemas.outputs import Measures

    nothing = Frame.of_rows([], Measures.to_schema().columns)
    con.execute(verdict_counts(), {"month": reviewed_store.MONTH})
    _, followup = followup_review(con, reviewed_store.MONTH, nothing)
    con.close()
    assert len(followup.determinations) == 1
    assert marked not in repr(vars(followup))
    assert "note" not in {column for frame in vars(followup).values() for column in
                          getattr(frame, "columns", [])}  # fmt: skip


# ---- what is set aside


def test_every_problem_is_told_with_row_and_column(folder: Path, one: tuple[str, str]) -> None:
    trip, rule = one
    good = reviewed_store.answer(trip, rule, "practice")
    met = reviewed_store.flagged(folder, verdict="met")
    other = next(r for t, r in met if t == trip)
    spoiled = [
        good,
        {**good, "conclusion": "guilty"},
        {**good, "status": ""},
        {**good, "reviewer": ""},
        {**good, "refer_to": "police"},
        {**good, "due_month": "March 2026", "action": "talk"},
        {**good, "due_month": "2026-04"},
        {**good, "trip_id": "T-none"},
        {**good, "rules": "no-such-rule"},
        {**good, "rules": other},
        {**good, "conclusion": "missed"},
        {**good, "rules": ""},
        {**good, "conclusion": ""},
        {**good, "trip_id": ""},
    ]
    done = reviewed_store.read_back(folder, spoiled)
    assert done.stored == 1
    assert codes(done) == [
        (3, "conclusion", "not-a-code"),
        (4, "status", "missing-value"),
        (5, "reviewer", "missing-value"),
        (6, "refer_to", "not-a-code"),
        (7, "due_month", "not-a-token"),
        (8, "action", "missing-value"),
        (9, "trip_id", "unknown-trip"),
        (10, "rules", "unknown-rule"),
        (11, "rules", "contradictory-answer"),
        (12, "conclusion", "contradictory-answer"),
        (13, "rules", "missing-value"),
        (14, "conclusion", "missing-value"),
        (15, "trip_id", "missing-value"),
    ]
    for problem in done.problems:
        assert CODES[problem.code].kind > EXIT_USAGE
        assert problem.remedy.endswith(".")
        assert problem.file == "answers.csv"


def test_rows_that_contradict_each_other_are_all_set_aside(
    folder: Path, several: tuple[str, list[str]]
) -> None:
    trip, rules = several
    done = reviewed_store.read_back(folder, [
        reviewed_store.answer(trip, " ".join(rules), "practice"),
        reviewed_store.answer(trip, rules[0], "justified"),
        reviewed_store.answer(trip, rules[1], "justified", reviewer="R2", status="open"),
    ])  # fmt: skip
    assert done.stored == 1
    assert codes(done) == [
        (2, "rules", "contradictory-answer"), (3, "rules", "contradictory-answer"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("column", "text"),
    [
        ("note", "rang on 2026-02-14 about it"),
        ("note", "Dr Marlow agreed"),
        ("note", "call 555 123 4567"),
        ("action", "mail someone@example.org"),
        ("reviewer", "Jane Marlow"),
    ],
)
@pytest.mark.usefixtures("with_screen")
def test_what_may_identify_a_person_is_set_aside_unrepeated(
    folder: Path, one: tuple[str, str], column: str, text: str
) -> None:
    done = reviewed_store.read_back(
        folder, [reviewed_store.answer(*one, "practice", **{column: text})]
    )
    assert done.stored == 0
    assert codes(done) == [(2, column, "private-content")]
    assert text not in done.problems[0].sentence()


@pytest.mark.usefixtures("with_screen")
def test_ordinary_notes_pass_the_screen(folder: Path, one: tuple[str, str]) -> None:
    note = "Heater failed 12 min into the trip; crew waited for the second unit. Seen on the log."
    assert (
        reviewed_store.read_back(
            folder, [reviewed_store.answer(*one, "equipment", note=note)]
        ).problems
        == []
    )


def test_a_stale_answer_is_set_aside(folder: Path, one: tuple[str, str]) -> None:
    path = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    rows = {row["trip_id"]: row for row in reversed(reviewed_store.sheet(path))}
    row = rows[one[0]] | {"conclusion": "practice", "status": "closed", "reviewer": "R1"}
    fresh = reviewed_store.read_back(folder, [row])
    assert (fresh.stored, fresh.problems) == (1, [])
    stale = reviewed_store.read_back(folder, [{**row, "seen": "0" * 12, "conclusion": "logistics"}])
    assert stale.stored == 0
    assert codes(stale) == [(2, "seen", "stale-answer")]


# ---- sheets that cannot be read at all


def refusal(path: Path, folder: Path) -> list[tuple[int | None, str | None, str]]:
    with pytest.raises(Refused) as caught:
        determine(path, folder)
    for problem in caught.value.problems:
        assert CODES[problem.code].kind == EXIT_REFUSED
        assert problem.remedy.endswith(".")
    return [(p.line, p.column, p.code) for p in caught.value.problems]


def test_sheets_that_cannot_be_read_are_refused(folder: Path, tmp_path: Path) -> None:
    def text(content: bytes, name: str = "a.csv") -> Path:
        (tmp_path / name).write_bytes(content)
        return tmp_path / name

    assert refusal(tmp_path / "none.csv", folder) == [(None, None, "not-found")]
    assert refusal(tmp_path, folder) == [(None, None, "not-a-file")]
    assert refusal(text(b""), folder) == [(1, None, "empty-file")]
    assert refusal(text(b"trip_id;rules\n"), folder) == [(1, None, "wrong-delimiter")]
    assert refusal(text(b"a,b\n1,2\n"), folder) == [(1, None, "missing-header")]
    assert refusal(text(b"rules,rules,mood\n"), folder) == [
        (1, "rules", "repeated-column"), (1, "mood", "unknown-column"),
        (1, "trip_id", "missing-column"),
    ]  # fmt: skip
    assert refusal(text(b"trip_id,note\nT1,\xff\n"), folder) == [(2, None, "not-utf8")]
    assert refusal(text(b'trip_id,note\nT1,"a\n'), folder) == [(2, None, "open-quote")]
    assert refusal(text(b"PK\x03\x04 no", "a.xlsx"), folder) == [(None, None, "not-a-workbook")]


def test_a_workbook_without_the_sheet_is_refused(folder: Path, tmp_path: Path) -> None:
    from openpyxl import Workbook

    Workbook().save(tmp_path / "other.xlsx")
    assert refusal(tmp_path / "other.xlsx", folder) == [(None, None, "missing-sheet")]


def test_a_folder_without_store_or_a_strange_token_is_told(tmp_path: Path, folder: Path) -> None:
    path = reviewed_store.write_csv(tmp_path / "a.csv", [reviewed_store.answer("T1", "", "")])
    assert refusal(path, tmp_path / "nowhere") == [(None, None, "store-missing")]
    with pytest.raises(Usage):
        determine(path, folder, by="two\nlines")


def test_codes_are_those_a_reader_may_choose() -> None:
    assert FINDINGS == ["holds", "not_documented", "does_not_hold", "cannot_say"]
    assert CONTRIBUTED == ["skill_or_knowledge", "logistics", "equipment", "protocol_unclear",
                           "reasonable_care", "child", "other"]  # fmt: skip
    of_0_1_0 = ["practice", "logistics", "justified", "equipment", "record_gap",
                "protocol_unclear", "flag_wrong", "missed"]  # fmt: skip
    assert set(SAID) == {*of_0_1_0, *FINDINGS}
    assert STATUSES == ["open", "awaiting_crew", "referred", "closed"]
    assert REFER_TO == ["coordinator", "director", "education"]
