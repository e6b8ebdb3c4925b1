"""The answers of a determinations sheet, held against the store: what cannot stand, and why."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial

from pipeline.errors import Problem, in_cell
from pipeline.followup.case_rules import Standing, case_problems, standing_of_cases
from pipeline.followup.conclusions import in_new_words, refused_answer
from pipeline.followup.given import FLAGGED, Answer, Trip
from pipeline.followup.screen_text import screened
from pipeline.followup.sheets import Row, Sheet, cell_problems
from pipeline.followup.states import REFERRED
from pipeline.store.content_hash import make_states
from schemas.connection import Connection
from schemas.findings import MISSED
from schemas.followup import ANSWERS, DeterminationsSheet
from schemas.record import dataclass

FREE_TEXTS = ("action", "note", "reviewer")


@dataclass(frozen=True)
class Checked:
    """A sheet held against the store: answers that can stand, and what is wrong with the rest."""

    answers: list[Answer]
    trips: dict[str, Trip]
    problems: list[Problem]
    rows: int
    standing: Standing


def check_answers(con: Connection, sheet: Sheet, by: str | None) -> Checked:
    """Hold every row that answers something against the model, the store and the other rows."""
    answered = [row for row in sheet.rows if any(row.cells.get(name) for name in ANSWERING_CELLS)]
    problems: list[Problem] = []
    for row in answered:
        problems += cell_problems(sheet, row, DeterminationsSheet)
    problems += screened(con, sheet, answered, FREE_TEXTS, personal=("reviewer",))
    bad = {problem.line for problem in problems}
    trips = trips_of(con, [trip for row in sheet.rows if (trip := row.cells.get("trip_id"))])
    answers = []
    for row in answered:
        if row.line in bad:
            continue
        found = list(_row_problems(sheet.file, row, trips, by))
        problems += found
        if not found:
            answers.append(_answer(row, by))
    standing = standing_of_cases(con)
    for refused in (_contradictions, partial(case_problems, standing, trips)):
        late = list(refused(sheet.file, answers))
        lines = {problem.line for problem in late}
        answers = [answer for answer in answers if answer.line not in lines]
        problems += late
    ordered = sorted(problems, key=lambda p: (p.line or 0, p.column or ""))
    return Checked(answers, trips, ordered, len(answered), standing)


ANSWERING_CELLS = [name for name in ANSWERS if name not in ("rules", "reviewer")]
"""Cells that make a row an answer: the rules and the reviewer may stand there beforehand."""


def trips_of(con: Connection, trip_ids: list[str]) -> dict[str, Trip]:
    """What the store holds of these trips, by trip_id; those it does not hold are left out."""
    con.execute(
        "CREATE OR REPLACE TEMP TABLE answered_trip AS SELECT unnest(?::VARCHAR[]) AS trip_id",
        [sorted(set(trip_ids))],
    )
    make_states(con, "answered_trip")
    rows = con.execute("SELECT trip_id, trip_key, month, seen FROM trip_state").fetchall()
    trips = {trip_id: Trip(key, month, seen) for trip_id, key, month, seen in rows}
    for trip_id, rule, verdict in con.execute("""
        SELECT s.trip_id, v.rule, v.verdict
        FROM judged.verdict v JOIN trip_state s USING (trip_key) ORDER BY ALL
    """).fetchall():
        trips[trip_id].verdicts[rule] = verdict
    return trips


def _rules(row: Row) -> tuple[str, ...]:
    return tuple(dict.fromkeys(re.findall(r"[^\s,;]+", row.cells.get("rules") or "")))


def _answer(row: Row, by: str | None) -> Answer:
    cells = row.cells
    conclusion, contributed = in_new_words(cells.get("conclusion"), cells.get("contributed"))
    return Answer(
        row.line, str(cells["trip_id"]), _rules(row), conclusion,
        str(cells["status"]), cells.get("refer_to"), cells.get("reviewer") or str(by),
        cells.get("action"), cells.get("due_month"), cells.get("note"), cells.get("seen"),
        contributed, cells.get("basis") or "read",
    )  # fmt: skip


def _row_problems(file: str, row: Row, trips: dict[str, Trip], by: str | None) -> Iterator[Problem]:
    """What one row with sound cells leaves out or gets wrong."""
    cells, line = row.cells, row.line
    trip = trips.get(str(cells["trip_id"]))
    if trip is None:
        what = "the store has no such trip"
        yield in_cell("unknown-trip", file, line, "trip_id", what)
        return
    if cells.get("seen") not in (None, trip.seen):
        what = "the trip's record or its verdicts have changed since this sheet was written"
        yield in_cell("stale-answer", file, line, "seen", what)
    for name, wanted in (
        ("reviewer", cells.get("reviewer") or by),
        ("status", cells.get("status")),
    ):
        if wanted is None:
            remedy = "Fill it in." if name == "status" else "Fill it in, or name one with --by."
            yield in_cell("missing-value", file, line, name, "must not be empty", remedy=remedy)
    if cells.get("status") == REFERRED and not cells.get("refer_to"):
        what, remedy = "must say whom the case is referred to", "Name one."
        yield in_cell("missing-value", file, line, "refer_to", what, remedy=remedy)
    if cells.get("due_month") and not cells.get("action"):
        what = "a month is due for no action"
        remedy = "Say what is to be done, or take out the month."
        yield in_cell("missing-value", file, line, "action", what, remedy=remedy)
    said = in_new_words(cells.get("conclusion"), cells.get("contributed"))
    if cells.get("contributed") and (why := refused_answer(*said)):
        remedy = "Correct it, or take it out."
        yield in_cell("contradictory-answer", file, line, "contributed", why, remedy=remedy)
    yield from _rule_problems(file, row, trip)


def _rule_problems(file: str, row: Row, trip: Trip) -> Iterator[Problem]:
    """Where the rules named and the conclusion do not go with the trip's verdicts."""
    rules, conclusion = _rules(row), row.cells.get("conclusion")
    for rule in rules:
        verdict = trip.verdicts.get(rule)
        if verdict is None:
            what, remedy = f'the trip was not judged by a rule "{rule[:40]}"', "Check its name."
            yield in_cell("unknown-rule", file, row.line, "rules", what, remedy=remedy)
        elif conclusion == MISSED and verdict == "deviation":
            what = f"{rule} did flag this trip, so it was not missed"
            remedy = "Conclude something else, or name the rule that should have flagged it."
            yield in_cell("contradictory-answer", file, row.line, "conclusion", what, remedy=remedy)
        elif conclusion not in (None, MISSED) and verdict not in FLAGGED:
            what = f"{rule} did not flag this trip: its verdict is {verdict.replace('_', ' ')}"
            remedy = 'Take the rule out, or conclude "missed" if it should have.'
            yield in_cell("contradictory-answer", file, row.line, "rules", what, remedy=remedy)
    if not rules and conclusion == MISSED:
        what, remedy = "must say which rule should have flagged it", "Name the rule."
        yield in_cell("missing-value", file, row.line, "rules", what, remedy=remedy)
    findings = trip.flags
    if not rules and findings and conclusion != MISSED:
        what = "must say which of the trip's findings the answer is about"
        remedy = f"Name one or more of {', '.join(findings)}."
        yield in_cell("missing-value", file, row.line, "rules", what, remedy=remedy)
    flagged = any(trip.verdicts.get(rule) in FLAGGED for rule in rules)
    if conclusion is None and row.cells.get("status") == "closed" and flagged:
        what, remedy = "a closed case needs a conclusion", "Conclude, or leave the case open."
        yield in_cell("missing-value", file, row.line, "conclusion", what, remedy=remedy)


def _contradictions(file: str, answers: list[Answer]) -> Iterator[Problem]:
    """Rows of one reviewer that answer one rule of a trip in two ways: none of them is used."""
    answers_to: dict[tuple[str, str, str | None], list[Answer]] = {}
    for answer in answers:
        for rule in answer.about:
            answers_to.setdefault((answer.trip_id, answer.reviewer, rule), []).append(answer)
    reported = set()
    for (_, _, rule), same in answers_to.items():
        if len({answer.without_note for answer in same}) < 2:
            continue
        for answer in same:
            if answer.line not in reported:
                reported.add(answer.line)
                others = ", ".join(str(a.line) for a in same if a is not answer)
                what = f"{rule or 'the case'} is answered otherwise in row {others}"
                remedy = "Keep one of the answers."
                yield in_cell(
                    "contradictory-answer", file, answer.line, "rules", what, remedy=remedy
                )
