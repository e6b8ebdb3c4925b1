"""The rows of the determinations sheet: the month's work, with what was answered before."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pipeline.followup.conclusions import in_new_words
from pipeline.followup.sheets import Cells
from pipeline.store.content_hash import make_contents, make_states
from schemas.case_detail import MOST_CASE_PAGES
from schemas.connection import Connection
from schemas.followup import ANSWERS, PREFILLED, SHEET_COLUMNS
from schemas.frame import Frame

AnswerCells = tuple[Any, ...]
Key = tuple[str, str]
"""A trip, and a rule or '' for the case as a whole."""

ANSWER_CELLS = ("conclusion", "contributed", "status", "refer_to", "action", "due_month")


def determinations_frame(con: Connection, month: str, pending: Iterable[Cells] = ()) -> Frame:
    """One row a trip and rule of the month's work, and of earlier months what is still open.

    Columns as `schemas.followup.DeterminationsSheet`: trips to read and the audit in their order,
    then the batches, a rule at a time. Answers in the store are filled in, and those of `pending`,
    rows of filled sheets that were not read back. Where the trip has changed since, the answer
    cells are empty and `earlier_answer` says what was said. Call after `make_work`.
    """
    given = _given(con, month)
    asked = {key[0]: row["seen"] for key, row in given.items()}
    answers = _stored(con)
    ever_stored = _ever_stored(con)
    for cells in pending:
        _carry_over(cells, given, asked, answers, ever_stored)
    rows = []
    for (trip_id, rule), row in given.items():
        told = [(trip_id, rule)] if rule or (trip_id, rule) in answers else [
            key for key in answers if key[0] == trip_id and key not in given
        ]  # fmt: skip
        rows += [{**row, "rules": key[1] or None, **answers.pop(key, {})} for key in told] or [row]
    # what was said of no flag that is left stands below, with its trip
    by_trip = {row["trip_id"]: {**row, "why": None, "severity": None} for row in rows}
    rows += [{**by_trip[key[0]], "rules": key[1] or None, **said} for key, said in answers.items()]
    return Frame.of_rows(rows, SHEET_COLUMNS)


def _given(con: Connection, month: str) -> dict[Key, dict[str, Any]]:
    """What is filled in beforehand, by trip and rule; the rule is empty for a case as a whole."""
    con.execute(_ASKED, {"month": month, "pages": MOST_CASE_PAGES})
    make_states(con, "sheet_trip")
    found = con.execute("""
        SELECT a.trip_id, coalesce(a.rule, '') AS rule, s.month AS service_month, a.base, a."group",
               a.severity, a.findings, a.why, s.seen, a."case"
        FROM sheet_trip a JOIN trip_state s USING (trip_id) ORDER BY a.place, a.trip_id, a.rule
    """)
    names = [column[0] for column in found.description or []]
    rows = [dict(zip(names, row, strict=True)) for row in found.fetchall()]
    return {(row["trip_id"], row.pop("rule")): row for row in rows}


def _stored(con: Connection) -> dict[Key, dict[str, Any]]:
    """The answers that hold for the trips of the sheet; a note never leaves the store."""
    con.execute("""
        CREATE OR REPLACE TEMP TABLE answered_key AS
        SELECT trip_key FROM answer_now SEMI JOIN trip_state USING (trip_id)
        UNION SELECT trip_key FROM trip_state SEMI JOIN answer_now USING (trip_id)
    """)
    make_contents(con, "answered_content", "answered_key")
    rows = con.execute("""
        SELECT a.trip_id, coalesce(a.rule, ''), a.finding, a.contributed, a.status, a.refer_to,
               a.reviewer, a.action, a.due_month,
               was.content <> now.content
               OR (a.rule IS NOT NULL AND a.verdict IS DISTINCT FROM v.verdict) AS stale
        FROM answer_now a
        JOIN trip_state s USING (trip_id)
        JOIN answered_content was ON was.trip_key = a.trip_key
        JOIN answered_content now ON now.trip_key = s.trip_key
        LEFT JOIN judged.verdict v ON v.trip_key = s.trip_key AND v.rule = a.rule
        WHERE a.holds
        ORDER BY a.trip_id, a.rule, a.determination_no
    """).fetchall()
    answers: dict[Key, dict[str, Any]] = {}
    names = ("conclusion", "contributed", "status", "refer_to", "reviewer", "action", "due_month")
    for trip_id, rule, *cells, stale in rows:
        answer = dict(zip(names, cells, strict=True))
        if stale:
            answer = {"earlier_answer": _earlier(answer)}
        answers[trip_id, rule] = answer
    return answers


def _earlier(answer: dict[str, Any]) -> str:
    words = [answer.get(name) for name in ("conclusion", "contributed", "status", "action")]
    summary = ", ".join(str(word).replace("_", " ") for word in words if word)
    who = f" ({answer['reviewer']})" if answer.get("reviewer") else ""
    return f"{summary}{who}; the record has changed since"


def _ever_stored(con: Connection) -> set[AnswerCells]:
    """Every answer ever stored for the trips of the sheet, to tell those not read back."""
    rows = con.execute("""
        SELECT trip_id, coalesce(rule, ''), finding, contributed, status, refer_to, action,
               due_month
        FROM answer_now SEMI JOIN trip_state USING (trip_id)
    """).fetchall()
    return set(rows)


def _carry_over(
    cells: Cells,
    given: dict[Key, dict[str, Any]],
    asked: dict[str, str | None],
    answers: dict[Key, dict[str, Any]],
    ever_stored: set[AnswerCells],
) -> None:
    """Put an answer that was not read back in the place of what is stored of each of its rules."""
    trip_id = str(cells.get("trip_id"))
    conclusion = in_new_words(cells.get("conclusion"), cells.get("contributed"))
    cells = {**cells, **dict(zip(ANSWER_CELLS, conclusion, strict=False))}
    said = tuple(cells.get(name) for name in ANSWER_CELLS)
    for rule in (cells.get("rules") or "").split() or [""]:
        if not any(said) or (trip_id, rule, *said) in ever_stored:
            continue
        answer: dict[str, Any] = {name: cells.get(name) for name in ANSWERS if name != "rules"}
        if trip_id not in asked:
            # no longer work of the month: the answer stays where its writer finds it
            kept: dict[str, Any] = {name: cells.get(name) for name in PREFILLED} | {"case": None}
            given[trip_id, rule] = kept
        elif cells.get("seen") not in (None, asked[trip_id]):
            answer = {"earlier_answer": _earlier(answer)}
        answers[trip_id, rule] = answer


_ASKED = """
    CREATE OR REPLACE TEMP TABLE sheet_trip AS
    SELECT (1, m.reading_order,
            row_number() OVER (ORDER BY f.severity_rank, f.verdict_rank, f.rule)) AS place,
           m.trip_id, f.rule, m.base, m."group", coalesce(f.severity, m.severity) AS severity,
           m.rules AS findings,
           CASE WHEN f.rule IS DISTINCT FROM m.leading_rule THEN f.reason ELSE m.why END AS why,
           CASE WHEN m.reading_order <= $pages THEN 'open' END AS "case"
    FROM month_case m LEFT JOIN flag_state f USING (trip_id) WHERE m.kind <> 'batch'
    UNION ALL
    SELECT (2, w.place, 0), m.trip_id, w.rule, m.base, m."group", w.severity, m.rules, w.why,
           CASE WHEN m.reading_order <= $pages THEN 'open' END
    FROM month_work w JOIN month_case m USING (trip_id) WHERE w.kind = 'batch'
    UNION ALL
    SELECT (3, row_number() OVER (ORDER BY min(a.due_month), a.trip_id, a.rule), 0), a.trip_id,
           a.rule, t.base, 'follow_up', NULL,
           string_agg(a.rule, ' ' ORDER BY a.rule),
           'Still open from ' || any_value(a.month) || '.', NULL
    FROM answer_now a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    WHERE a.holds AND a.status <> 'closed' AND a.month < $month
      AND a.trip_id NOT IN (SELECT trip_id FROM month_case)
    GROUP BY a.trip_id, a.rule, t.base
"""
