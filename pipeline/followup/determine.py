"""`tailrace determine`: read a filled determinations sheet back into the store."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Problem
from pipeline.followup.answers import Answer, Checked, check_answers
from pipeline.followup.sheets import read_sheet
from pipeline.store.database import transaction
from pipeline.store.followup_tables import check_judged, ensure_followup_tables, insert, next_number
from pipeline.store.ledger import record_stored
from pipeline.store.session import check_token, store_in
from schemas.followup import DeterminationsSheet

if TYPE_CHECKING:
    import duckdb

TAB = "determinations"


@dataclass(frozen=True)
class Determined:
    """What reading a sheet did: counts of answers, and sentences on what a reader should know."""

    answered: int
    stored: int
    unchanged: int
    replaced: list[str]
    differing: list[str]
    problems: list[Problem]


def determine(file: Path, folder: Path, by: str | None = None) -> Determined:
    """Store the answers of a filled sheet that are new; set aside those that cannot stand.

    One transaction: all answers that can stand, or none. An answer the same reviewer gave before
    is stored beside it if it says something else, and not again if it says the same. Refused if
    the sheet as a whole cannot be read.
    """
    check_token(by)
    sheet = read_sheet(file, DeterminationsSheet, TAB)
    with store_in(folder) as con:
        check_judged(con)
        with transaction(con):
            ensure_followup_tables(con)
            checked = check_answers(con, sheet, by)
            new, replaced, differing = _compare(con, checked)
            if new:
                _store(con, checked, new, sheet.sha256, by)
    return Determined(
        checked.rows, len(new), len(checked.answers) - len(new), replaced, differing,
        checked.problems,
    )  # fmt: skip


def _compare(
    con: duckdb.DuckDBPyConnection, checked: Checked
) -> tuple[list[Answer], list[str], list[str]]:
    """Answers not stored yet, what each replaces, and where another reader concluded otherwise."""
    held = _held(con, checked)
    new, replaced, differing = [], [], []
    for answer in checked.answers:
        verdicts = checked.trips[answer.trip_id].verdicts
        before = [held.get((answer.trip_id, rule, answer.reviewer)) for rule in answer.about]
        same = [
            b is not None
            and b[:5] == answer.without_note
            and answer.note in (None, b[5])
            and b[6] == verdicts.get(rule or "")
            for b, rule in zip(before, answer.about, strict=True)
        ]
        if all(same):
            continue
        new.append(answer)
        for rule, b, unchanged in zip(answer.about, before, same, strict=True):
            held[answer.trip_id, rule, answer.reviewer] = (
                *answer.without_note, answer.note, verdicts.get(rule or "")
            )  # fmt: skip
            if b is not None and not unchanged:
                replaced.append(_replaced(answer, rule, b))
        differing += _differing(answer, held)
    return new, replaced, differing


AnswerCells = tuple[Any, ...]
Held = dict[tuple[str, str | None, str], AnswerCells]


def _held(con: duckdb.DuckDBPyConnection, checked: Checked) -> Held:
    """The last answer of each reviewer to each rule of the trips in the sheet."""
    rows = con.execute("""
        SELECT trip_id, rule, reviewer, conclusion, status, refer_to, action, due_month, note,
               verdict
        FROM loop.answer SEMI JOIN answered_trip USING (trip_id) WHERE latest_of_reviewer
    """).fetchall()
    return {(row[0], row[1], row[2]): row[3:] for row in rows}


def _words(conclusion: str | None, status: str) -> str:
    return f"{conclusion or 'no conclusion'}, {status}".replace("_", " ")


def _replaced(answer: Answer, rule: str | None, before: AnswerCells) -> str:
    now, then = _words(answer.conclusion, answer.status), _words(before[0], before[1])
    more = "" if now != then else " (details)"
    return (
        f"{answer.trip_id}, {rule or 'the case'}: {answer.reviewer} said {then}, now says"
        f" {now}{more}."
    )


def _differing(answer: Answer, held: Held) -> list[str]:
    """Where another reviewer's last conclusion on the same rule is another one."""
    if answer.conclusion is None:
        return []
    return [
        f"{answer.trip_id}, {rule or 'the case'}: {answer.reviewer} concluded"
        f" {answer.conclusion}, {other} {cells[0]}.".replace("_", " ")
        for (trip_id, rule, other), cells in sorted(held.items(), key=str)
        if trip_id == answer.trip_id
        and rule in answer.about
        and other != answer.reviewer
        and cells[0] not in (None, answer.conclusion)
    ]


def _store(
    con: duckdb.DuckDBPyConnection,
    checked: Checked,
    new: list[Answer],
    sha256: str,
    by: str | None,
) -> None:
    sheet_no = next_number(con, "sheet", "sheet_no")
    number = next_number(con, "determination", "determination_no")
    insert(con, "sheet", [(sheet_no, TAB, sha256, by, checked.rows, len(new))])
    for place, answer in enumerate(new, start=number):
        trip = checked.trips[answer.trip_id]
        insert(con, "determination", [(
            place, sheet_no, answer.line, answer.trip_id, trip.trip_key, trip.month,
            answer.conclusion, answer.status, answer.refer_to, answer.reviewer, answer.action,
            answer.due_month, answer.note,
        )])  # fmt: skip
        insert(con, "determination_rule", [
            (place, rule, trip.verdicts.get(rule) if rule else None) for rule in answer.about
        ])  # fmt: skip
    record_stored(con, TAB, sheet_no, {
        "by": by, "sha256": sha256, "rows_read": checked.rows, "rows_kept": len(new),
    })  # fmt: skip


def determined_words(done: Determined) -> str:
    """What a reading did, for the terminal; the problems come on their own."""
    lines = [
        f"{done.answered} answers read: {done.stored} stored, {done.unchanged} said before,"
        f" {done.answered - done.stored - done.unchanged} set aside."
    ]
    if done.replaced:
        lines += ["Earlier answers that these replace; both are kept:", *done.replaced]
    if done.differing:
        lines += ["Two readers differ; the later answer holds in the figures:", *done.differing]
    if done.stored:
        lines.append("The pages show them after the next review, or when the month is published.")
    return "\n".join(lines)
