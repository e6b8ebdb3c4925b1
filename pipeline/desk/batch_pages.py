"""Findings of one rule in one month, concluded together or by a sample that was read."""

from __future__ import annotations

import hashlib

from starlette.requests import Request
from starlette.responses import Response

from pipeline.desk import ask
from pipeline.desk.drafts import Fields
from pipeline.desk.frame import at, form, form_page, go_to, link, one, rooms, worker
from pipeline.desk.save_case import FORM
from pipeline.desk.thing_pages import nothing_there
from pipeline.errors import problem
from pipeline.errors.mistakes import Refused
from pipeline.followup.answers import check_answers
from pipeline.followup.case_states import cases_now, make_case_states
from pipeline.followup.conclusions import together
from pipeline.followup.determine import store_answers
from pipeline.followup.sheets import Row, Sheet
from pipeline.store.sql import literal
from reports.text import words
from schemas.connection import Connection
from schemas.findings import CONTRIBUTED, FINDINGS

SAMPLE = 5
"""So many of a batch are marked to be read, where it is concluded by a sample."""

BASES = {
    "together": "together, from their sentences", "sample": "by the sample, which was read",
}  # fmt: skip
"""What a conclusion on a batch may rest on."""


def show_batch(request: Request) -> Response:
    """A batch: its trips, and one form for all that are chosen."""
    month, rule = (request.query_params.get(n, "")[:64] for n in ("month", "rule"))
    worker(request)
    with rooms(request).desk.reading_work() as con:
        trips = _left(con, month, rule)
    if not trips:
        return nothing_there(request)
    title = f"{words.rule_title(rule)}, {words.month_name(month)}"
    fields = [
        ask.hidden("month", month), ask.hidden("rule", rule),
        *[ask.tick("trip", f"{trip}, base {base}: {why}{' (of the sample)' if sampled else ''}",
                     trip, checked=True) for trip, base, why, sampled in trips],
        ask.choice("conclusion", "Does it hold?", "", required=True, options={
            "": "choose", **{finding: words.FINDING_WORDS[finding] for finding in FINDINGS}}),
        *[ask.tick("contributed", words.CONTRIBUTED_WORDS[c], c) for c in CONTRIBUTED],
        ask.choice("basis", "Concluded", "together", BASES),
    ]  # fmt: skip
    links = [
        link(trip, at("/case", trip=trip), "of the sample" if sampled else "")
        for trip, _, _, sampled in trips
    ]
    lines = [f"{words.many(len(trips), 'finding')} of one rule, none of which asks for reading."]
    forms = [form(request, "/batch", "Conclude those chosen", fields=fields)]
    return form_page(request, title, lines=lines, links=links, forms=forms)


def save_batch(request: Request, fields: Fields) -> Response:
    """Store one conclusion on every trip chosen: all of them or none."""
    by = worker(request)
    with rooms(request).desk.writing() as con:
        stored = conclude_together(con, fields, by)
    return go_to(at("/", said=f"{stored} kept."))


def conclude_together(con: Connection, fields: Fields, by: str) -> int:
    """Store the answers; in a transaction. How many were new; Refused if one cannot stand."""
    month, rule = one(fields, "month"), one(fields, "rule")
    known = {trip for trip, *_ in _left(con, month, rule)}
    chosen = list(dict.fromkeys(fields.get("trip", [])))
    wrong = None
    if gone := [trip for trip in chosen if trip not in known]:
        what = f"{', '.join(gone[:20])[:300]} changed, or was concluded, after this page was opened"
        wrong = problem("stale-answer", None, what, remedy="Nothing was kept. Look at it again.")
    elif not chosen:
        what = "no trip is chosen"
        wrong = problem("missing-value", None, what, remedy="Choose one or more.")
    elif not one(fields, "conclusion"):
        what = "it is not said whether they hold"
        wrong = problem("missing-value", None, what, remedy="Choose an answer for those ticked.")
    if wrong:
        raise Refused(wrong)
    listed = ", ".join(map(literal, chosen)) or "NULL"
    now = cases_now(con, f"SELECT unnest([{listed}]) AS trip_id")
    basis = "sample" if one(fields, "basis") == "sample" else "together"
    rows = [
        Row(line, {
            "trip_id": trip, "rules": rule, "conclusion": one(fields, "conclusion") or None,
            "contributed": together(fields.get("contributed", [])), "reviewer": by,
            "status": "open" if set(now[trip].open_findings) - {rule} else "closed",
            "basis": basis,
        })
        for line, trip in enumerate(chosen, start=1)
    ]  # fmt: skip
    mark = hashlib.sha256(repr([row.cells for row in rows]).encode()).hexdigest()
    sheet = Sheet(FORM, mark, rows)
    checked = check_answers(con, sheet, by)
    if checked.problems:
        raise Refused(checked.problems)
    return store_answers(con, checked, sheet, "desk", by).stored


def _left(con: Connection, month: str, rule: str) -> list[tuple[str, str, str, bool]]:
    """Trips of a batch that are not concluded: token, base, sentence, whether of the sample."""
    make_case_states(
        con, f"SELECT trip_id FROM judged.work WHERE kind = 'batch' AND month = {literal(month)}"
             f" AND rule = {literal(rule)}",
    )  # fmt: skip
    rows = con.execute("""
        SELECT w.trip_id, w.base, w.why FROM judged.work w
        JOIN finding_state f ON f.trip_id = w.trip_id AND f.rule = w.rule
            AND f.state <> 'concluded'
        WHERE w.kind = 'batch' AND w.month = $1 AND w.rule = $2
          AND w.trip_id NOT IN (SELECT trip_id FROM case_state WHERE second IN ('asked', 'differs'))
        ORDER BY w.place
    """, [month, rule]).fetchall()  # fmt: skip
    marks = sorted(hashlib.sha256(f"{rule}|{trip}".encode()).hexdigest() for trip, *_ in rows)
    last = marks[min(SAMPLE, len(marks)) - 1] if marks else ""
    return [
        (trip, base or "", why,
         len(rows) > SAMPLE and hashlib.sha256(f"{rule}|{trip}".encode()).hexdigest() <= last)
        for trip, base, why in rows
    ]  # fmt: skip
