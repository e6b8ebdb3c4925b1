"""The rows of the determinations sheet: the month's cases, with what was answered before."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from pipeline.store.content_hash import contents, make_states
from schemas.followup import ANSWERS, PREFILLED

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from pipeline.followup.sheets import Cells

AnswerCells = tuple[Any, ...]
ANSWER_CELLS = ("conclusion", "status", "refer_to", "action", "due_month")


def determinations_frame(
    con: duckdb.DuckDBPyConnection, month: str, pending: Iterable[Cells] = ()
) -> pd.DataFrame:
    """One row a case of the month, and a case of an earlier month that is still open.

    Columns as `schemas.followup.DeterminationsSheet`. Answers in the store are filled in, and those
    of `pending`, rows of filled sheets that were not read back. Where the trip has changed since,
    the answer cells are empty and `earlier_answer` says what was said. Call after `cases`.
    """
    import pandas as pd

    cases = _cases(con, month)
    answers = _stored(con)
    ever_stored = _ever_stored(con)
    for cells in pending:
        _carry_over(cells, cases, answers, ever_stored)
    rows = []
    for trip_id, case in cases.items():
        leading = case.pop("leading_rule")
        held = answers.get(trip_id, [])
        stale = [a["earlier_answer"] for a in held if a.get("earlier_answer")]
        valid = [a for a in held if not a.get("earlier_answer")] or [{"rules": leading}]
        earlier = " / ".join(dict.fromkeys(stale)) or None
        rows += [{**case, "earlier_answer": earlier, **answer} for answer in valid]
    return pd.DataFrame(rows, columns=[*PREFILLED, *ANSWERS], dtype=object)


def _cases(con: duckdb.DuckDBPyConnection, month: str) -> dict[str, dict[str, Any]]:
    con.execute(_ASKED, {"month": month})
    make_states(con, "sheet_trip")
    found = con.execute("""
        SELECT a.trip_id, s.month AS service_month, a.base, a."group", a.severity, a.findings,
               a.why, s.seen, a.leading_rule
        FROM sheet_trip a JOIN trip_state s USING (trip_id) ORDER BY a.place, a.trip_id
    """)
    names = [column[0] for column in found.description or []]
    return {row[0]: dict(zip(names, row, strict=True)) for row in found.fetchall()}


def _stored(con: duckdb.DuckDBPyConnection) -> dict[str, list[dict[str, Any]]]:
    """The answers that hold for the trips of the sheet; a note never leaves the store."""
    con.execute("""
        CREATE OR REPLACE TEMP TABLE answered_key AS
        SELECT DISTINCT trip_key FROM loop.answer SEMI JOIN trip_state USING (trip_id)
        UNION SELECT trip_key FROM trip_state
    """)
    rows = con.execute(f"""
        WITH content AS ({contents("answered_key")})
        SELECT a.determination_no, a.trip_id, string_agg(a.rule, ' ' ORDER BY a.rule) AS rules,
               a.conclusion,
               a.status, a.refer_to, a.reviewer, a.action, a.due_month,
               bool_or(was.content <> now.content) OR
               coalesce(bool_or(a.verdict IS DISTINCT FROM v.verdict AND a.rule IS NOT NULL),
                        FALSE) AS stale
        FROM loop.answer a
        JOIN trip_state s USING (trip_id)
        JOIN content was ON was.trip_key = a.trip_key
        JOIN content now ON now.trip_key = s.trip_key
        LEFT JOIN judged.verdict v ON v.trip_key = s.trip_key AND v.rule = a.rule
        WHERE a.holds
        GROUP BY ALL ORDER BY a.trip_id, a.determination_no
    """).fetchall()
    answers: dict[str, list[dict[str, Any]]] = {}
    names = ("rules", "conclusion", "status", "refer_to", "reviewer", "action", "due_month")
    for _, trip_id, *cells, stale in rows:
        answer = dict(zip(names, cells, strict=True))
        if stale:
            answer = {"earlier_answer": _earlier(answer)}
        answers.setdefault(trip_id, []).append(answer)
    return answers


def _earlier(answer: dict[str, Any]) -> str:
    words = [answer.get("conclusion"), answer.get("status"), answer.get("action")]
    summary = ", ".join(str(word).replace("_", " ") for word in words if word)
    who = f" ({answer['reviewer']})" if answer.get("reviewer") else ""
    return f"{answer.get('rules') or 'the case'}: {summary}{who}; the record has changed since"


def _ever_stored(con: duckdb.DuckDBPyConnection) -> set[AnswerCells]:
    """Every answer ever stored for the trips of the sheet, to tell those not read back."""
    rows = con.execute("""
        SELECT determination_no, trip_id, string_agg(rule, ' ' ORDER BY rule), conclusion, status,
               refer_to, action, due_month
        FROM loop.answer SEMI JOIN trip_state USING (trip_id) GROUP BY ALL
    """).fetchall()
    return {row[1:] for row in rows}


def _carry_over(
    cells: Cells,
    cases: dict[str, dict[str, Any]],
    answers: dict[str, list[dict[str, Any]]],
    ever_stored: set[AnswerCells],
) -> None:
    """Put an answer that was not read back beside the stored ones, in the place of what it says."""
    trip_id, rules = str(cells.get("trip_id")), " ".join(sorted((cells.get("rules") or "").split()))
    given = tuple(cells.get(name) for name in ANSWER_CELLS)
    if not any(given) or (trip_id, rules or None, *given) in ever_stored:
        return
    answer: dict[str, Any] = {name: cells.get(name) for name in ANSWERS}
    case = cases.get(trip_id)
    if case is None:
        # no longer a case: the answer stays where its writer finds it
        cases[trip_id] = {name: cells.get(name) for name in PREFILLED} | {"leading_rule": None}
    elif cells.get("seen") not in (None, case["seen"]):
        answer = {"earlier_answer": _earlier(answer)}
    named = set(rules.split())
    kept = [a for a in answers.get(trip_id, []) if set((a.get("rules") or "").split()) != named]
    answers[trip_id] = [*kept, answer]


_ASKED = """
    CREATE OR REPLACE TEMP TABLE sheet_trip AS
    SELECT reading_order AS place, trip_id, base, "group", severity, rules AS findings, why,
           leading_rule
    FROM month_case
    UNION ALL
    SELECT 1000000 + row_number() OVER (ORDER BY min(a.due_month), a.trip_id), a.trip_id, t.base,
           'follow_up', NULL, string_agg(DISTINCT a.rule, ' ' ORDER BY a.rule),
           'Still open from ' || any_value(a.month) || '.', min(a.rule)
    FROM loop.answer a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    WHERE a.holds AND a.status <> 'closed' AND a.month < $month
      AND a.trip_id NOT IN (SELECT trip_id FROM month_case)
    GROUP BY a.trip_id, t.base
"""
