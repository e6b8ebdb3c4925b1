"""`tailrace determine`: read a filled determinations sheet back into the store."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.errors import Problem
from pipeline.followup.answers import Checked, check_answers
from pipeline.followup.conclusions import in_old_word
from pipeline.followup.given import Answer
from pipeline.followup.screen_text import check_by
from pipeline.followup.second_reading import follow_second_readings
from pipeline.followup.sheets import Sheet, read_sheet
from pipeline.store.database import transaction
from pipeline.store.followup_tables import check_judged, ensure_followup_tables, insert, next_number
from pipeline.store.ledger import record_stored
from pipeline.store.session import store_in
from schemas.connection import Connection
from schemas.followup import DeterminationsSheet
from schemas.record import dataclass

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
    check_by(by)
    sheet = read_sheet(file, DeterminationsSheet, TAB)
    with store_in(folder) as con:
        check_judged(con)
        with transaction(con):
            ensure_followup_tables(con)
            done = store_answers(con, check_answers(con, sheet, by), sheet, TAB, by)
    return done


def store_answers(
    con: Connection, checked: Checked, sheet: Sheet, way: str, by: str | None
) -> Determined:
    """Store those of the checked answers that are new, with their entry; in a transaction.

    `way`: how they came in, `determinations` for a sheet, `desk` for the desk.
    """
    new, replaced, differing = _compare(con, checked)
    if new:
        number = next_number(con, "determination", "determination_no")
        _store(con, checked, new, (way, sheet.sha256), by)
        follow_second_readings(con, number)
    waiting = con.execute(
        "SELECT key FROM loop.standing WHERE thing = 'second_reading' AND state = 'asked'"
    ).fetchall()
    # what the first reader said is not to be seen before the second has said all
    shown = [words for trip_id, words in differing if (trip_id,) not in waiting]
    return Determined(
        checked.rows, len(new), len(checked.answers) - len(new), replaced, shown, checked.problems
    )


def _compare(
    con: Connection, checked: Checked
) -> tuple[list[Answer], list[str], list[tuple[str, str]]]:
    """Answers not stored yet, what each replaces, and where another reader concluded otherwise."""
    held = _held(con)
    new: list[Answer] = []
    replaced: list[str] = []
    differing: list[tuple[str, str]] = []
    for answer in checked.answers:
        verdicts = checked.trips[answer.trip_id].verdicts
        before = [held.get((answer.trip_id, rule, answer.reviewer)) for rule in answer.about]
        same = [
            b is not None
            and b[:6] == answer.without_note
            and answer.note in (None, b[6])
            and b[7] == verdicts.get(rule or "")
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
        differing += [(answer.trip_id, words) for words in _differing(answer, held)]
    return new, replaced, differing


AnswerCells = tuple[Any, ...]
Held = dict[tuple[str, str | None, str], AnswerCells]


def _held(con: Connection) -> Held:
    """The last answer of each reviewer to each rule of the trips that were checked."""
    rows = con.execute("""
        SELECT trip_id, rule, reviewer, finding, contributed, status, refer_to, action, due_month,
               note, verdict
        FROM case_reading WHERE latest_of_reviewer
    """).fetchall()
    return {(row[0], row[1], row[2]): row[3:] for row in rows}


def _words(conclusion: str | None, contributed: str | None, status: str) -> str:
    causes = f" ({', '.join(contributed.split())})" if contributed else ""
    return f"{conclusion or 'no conclusion'}{causes}, {status}".replace("_", " ")


def _replaced(answer: Answer, rule: str | None, before: AnswerCells) -> str:
    now = _words(answer.conclusion, answer.contributed, answer.status)
    then = _words(*before[:3])
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
    con: Connection, checked: Checked, new: list[Answer], way: tuple[str, str], by: str | None
) -> None:
    kind, sha256 = way
    sheet_no = next_number(con, "sheet", "sheet_no")
    number = next_number(con, "determination", "determination_no")
    insert(con, "sheet", [(sheet_no, kind, sha256, by, checked.rows, len(new))])
    for place, answer in enumerate(new, start=number):
        trip = checked.trips[answer.trip_id]
        insert(con, "determination", [(
            place, sheet_no, answer.line, answer.trip_id, trip.trip_key, trip.month,
            in_old_word(answer.conclusion, answer.contributed), answer.status, answer.refer_to,
            answer.reviewer, answer.action, answer.due_month, answer.note,
        )])  # fmt: skip
        insert(con, "finding", [
            (place, rule, answer.conclusion, answer.contributed, answer.basis)
            for rule in answer.about
        ])  # fmt: skip
        insert(con, "determination_rule", [
            (place, rule, trip.verdicts.get(rule) if rule else None) for rule in answer.about
        ])  # fmt: skip
    record_stored(con, TAB, sheet_no, {
        "by": by, "way": None if kind == TAB else kind, "sha256": sha256,
        "rows_read": checked.rows, "rows_kept": len(new),
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
