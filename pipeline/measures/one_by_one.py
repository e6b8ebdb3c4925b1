"""What is shown one by one: the deviations of grave rules, each, and the trips since the last."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.measures.signal_counts import one_by_one_rules
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.months import month_name

MOST_UNDECIDED = 0.2
"""With a larger share of the later trips undecided, trips since the last would mislead."""

_ROWS = """
    WITH in_order AS (
        SELECT v.rule, v.verdict, w.service_month AS month, row_number() OVER (
                   PARTITION BY v.rule ORDER BY w.service_month, t.service_seq NULLS LAST,
                   w.trip_key) AS place
        FROM judged.verdict v
        JOIN judged.trip_window w USING (trip_key) JOIN delivered.trips t USING (trip_key)
        WHERE list_contains($rules, v.rule) AND v.verdict <> 'not_applicable'
          AND w.service_month <= $month
    ),
    last AS (
        SELECT rule, max(place) FILTER (verdict = 'deviation') AS place,
               max(month) FILTER (verdict = 'deviation') AS last_month,
               count(*) FILTER (verdict = 'deviation' AND month = $month)::INTEGER AS came,
               count(*) FILTER (verdict = 'deviation')::INTEGER AS all_came,
               count(*) FILTER (month = $month)::INTEGER AS asked
        FROM in_order GROUP BY rule
    )
    SELECT $month AS month, l.rule, l.came, l.all_came, l.asked, l.last_month,
           count(*) FILTER (o.place > coalesce(l.place, 0))::INTEGER AS later,
           count(*) FILTER (o.place > coalesce(l.place, 0)
               AND o.verdict IN ('cannot_tell', 'borderline'))::INTEGER AS undecided
    FROM last l JOIN in_order o USING (rule) GROUP BY ALL ORDER BY l.rule
"""


def one_by_one(con: Connection, month: str) -> Frame:
    """Rows of `OneByOne`: a rule that its trips were asked about each."""
    asked = {"rules": list(one_by_one_rules()), "month": month}
    found = Frame.read(con.execute(_ROWS, asked))
    found = found.assign(watched=found["undecided"] <= MOST_UNDECIDED * found["later"])
    return found.assign(sentence=[_sentence(row) for row in found.records()])


def _sentence(row: Mapping[Any, Any]) -> str:
    """'Escalation call: 1 in June 2026', '120 trips since the last (March 2026)'."""
    rule = str(row["rule"]).replace("-", " ")
    name, last = rule[:1].upper() + rule[1:], row["last_month"]
    came, later, undecided = (int(str(row[key])) for key in ("came", "later", "undecided"))
    if came:
        return f"{name}: {came} in {month_name(str(row['month']))}."
    if not row["watched"]:
        return f"{name} cannot be watched: {undecided} of {later} trips undecided."
    trips = f"{later} trip{'' if later == 1 else 's'}"
    if not isinstance(last, str):
        return f"{name}: none in {trips}."
    return f"{name}: {trips} since the last ({month_name(last)})."
