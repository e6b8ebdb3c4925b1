"""The random audit: trips without a flag, drawn for reading, and how many had a variance.

Some trips are drawn with twice the chance of others (`TWICE`). Each trip has a number between 0
and 1, a hash over service, month, protocol version and its token, divided by its weight; the
lowest are drawn. The first number that was not drawn is the threshold: given it, a trip was drawn
with the chance weight times threshold, which is kept, and by which it is weighed back. The draw is
kept when first made; a trip that comes late joins if its number lies below the threshold, so that
it had the chance of every other trip.
Source: Duffield, Lund, Thorup 2007, Priority sampling for estimation of arbitrary subset sums,
J. ACM 54(6) (from memory).

Months drawn by version 0.1.0 keep that draw, in tables of their own, with one chance for all.
"""

from __future__ import annotations

import math

from pipeline.followup.confirmed import FEWEST_READINGS
from pipeline.store.database import one
from pipeline.store.followup_tables import insert, service_of
from pipeline.store.ledger import record
from schemas.connection import Connection
from schemas.frame import Frame, stacked

A_YEAR = 72
"""Trips audited a year: with none missed, 1 - 0.025^(1/72) = 5.0 % may be (Clopper, Pearson)."""

INFANT_MONTHS = 3
LONG_TRIP_S = 90 * 60


def audit_size(a_year: int, received: int = 1, expected: int | None = None) -> int:
    """How many trips of a month to draw, of `a_year` in twelve months.

    Where more trips are `expected` than were `received`, as many fewer: the rest joins later.
    """
    share = min(1.0, received / expected) if expected else 1.0
    return math.ceil(a_year / 12 * share)


def draw_audit(con: Connection, month: str, *, a_year: int = A_YEAR) -> None:
    """Draw the month's sample if that was not done, and let late trips join; in a transaction.

    Call after `cases`: trips without a row in `month_case` have no flag and are not read anyway.
    """
    con.execute(_UNFLAGGED, {"month": month})
    (unflagged,) = one(con, "SELECT count(*) FROM unflagged_trip")
    former = con.execute("SELECT seed FROM loop.audit_draw WHERE month = ?", [month]).fetchall()
    planned = con.execute(
        "SELECT seed, below FROM loop.audit_plan WHERE month = ?", [month]
    ).fetchall()
    if not (former or planned or unflagged):
        return
    seed = (former or planned)[0][0] if former or planned else _seed(con, month)
    con.execute(_NUMBERED, {"seed": seed, "month": month})
    if former:
        new = con.execute(_JOINING_FORMER, {"month": month}).fetchall()
        insert(con, "audit", new)
    else:
        below = planned[0][1] if planned else _plan(con, month, seed, unflagged, a_year)
        new = con.execute(_DRAWN, {"month": month, "below": below}).fetchall()
        insert(con, "audit_trip", new)
    if new or not (former or planned):
        trips = sorted(row[1] for row in new)
        record(con, "audit", {"month": month, "trips": trips, "unflagged": unflagged})


def _plan(con: Connection, month: str, seed: str, unflagged: int, a_year: int) -> float | None:
    """Keep how the month is drawn; the threshold, None where all of its trips are."""
    received, expected = one(con, _RECEIVED, [month])
    wanted = audit_size(a_year, received, expected)
    found = con.execute(
        "SELECT number FROM numbered_trip ORDER BY number LIMIT 1 OFFSET ?", [wanted]
    ).fetchall()
    below = found[0][0] if found else None
    insert(con, "audit_plan", [(month, seed, a_year, unflagged, wanted, below)])
    return below


def add_audit_cases(con: Connection, month: str) -> None:
    """Add the trips drawn, as far as they still have no flag, to `month_case`.

    They come after the trips to be read and before those of the batches.
    """
    con.execute(_ADD_CASES, {"month": month})
    con.execute("""
        UPDATE month_case c SET reading_order = n.place
        FROM (SELECT trip_id, row_number() OVER (ORDER BY kind = 'batch', reading_order)::INTEGER
                     AS place FROM month_case) n
        WHERE n.trip_id = c.trip_id
    """)


def audit_results(con: Connection, month: str) -> Frame:
    """The miss rate of each month up to `month`, and of all of them together.

    Follows `schemas.followup_outputs.AuditResults`. A trip is read once a reader closed it. It
    weighs one over the chance it was drawn with, and months weigh as many trips as had no flag.
    The interval is Wilson's at Kish's effective sample size, (sum of weights)^2 / sum of squared
    weights. It takes no credit for how large a part of the month was read, so it errs on the wide
    side. Fewer than FEWEST_READINGS trips read give counts alone.
    Source: Kish 1965, Survey Sampling, 11.7 (from memory).
    """
    import numpy as np

    from pipeline.statistics.intervals import wilson
    from schemas.followup_outputs import AuditResults

    frame = Frame.read(con.execute(_RESULTS, {"month": month}))
    names = list(AuditResults.to_schema().columns)
    if not len(frame):
        return Frame.of_rows([], names)
    read = frame.rows(frame["read"] > 0)
    counts = ("unflagged", "drawn", "read", "missed")
    weight = read["unflagged"] / read["unflagged"].sum()
    # Kish: a month's own effective readings, and the months' together
    effective = 1 / (weight**2 / read["n"]).sum() if len(read) else 0.0
    rate = float((weight * read["rate"]).sum()) if len(read) else float("nan")
    together = {"month": f"to {month}", **{name: int(frame[name].sum()) for name in counts},
                "rate": rate, "n": effective}  # fmt: skip
    frame = stacked([frame, Frame.of_rows([together], together)])
    n = np.nan_to_num(frame["n"])
    interval = wilson(np.nan_to_num(frame["rate"]) * n, n)
    same_chance = [*(frame["n"] == frame["read"])[:-1], False]
    few = frame["read"] < FEWEST_READINGS
    found = {"miss_rate": interval.estimate, "low": interval.lower, "high": interval.upper}
    return frame.assign(
        method=[interval.method if same else f"{interval.method}, effective sample size"
                for same in same_chance],
        **{name: np.where(few, np.nan, values) for name, values in found.items()},
        **{name: frame[name].astype(np.int32) for name in counts},
    ).only(names)  # fmt: skip


def _seed(con: Connection, month: str) -> str:
    (version,) = one(
        con,
        """SELECT coalesce(min(p.id), '') FROM judged.trip_window w
           JOIN delivered.protocol_version p USING (protocol_no) WHERE w.service_month = ?""",
        [month],
    )
    return f"{service_of(con)}|{month}|{version}"


TWICE = f"""
    coalesce(t.age_months < {INFANT_MONTHS}, FALSE)
    OR coalesce(coalesce(t.handover_s, t.arrived_s) > {LONG_TRIP_S}, FALSE)
    OR NOT w.log_complete AND EXISTS (
        FROM judged.timeline e
        WHERE e.trip_key = w.trip_key AND coalesce(e.source = 'ventilator', TRUE))
"""
"""Trips that are drawn twice as often, of trip `t` and window `w`: infants under three months,
trips over 90 minutes, and trips on the ventilator without a complete log."""

_UNFLAGGED = f"""
    CREATE OR REPLACE TEMP TABLE unflagged_trip AS
    SELECT w.trip_id, CASE WHEN {TWICE} THEN 2 ELSE 1 END AS weight
    FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
    WHERE w.service_month = $month AND w.trip_id NOT IN (SELECT trip_id FROM month_case)
"""

# 13 of a hash's hexadecimal digits are as many as a double holds; half a step keeps off 0
_NUMBERED = """
    CREATE OR REPLACE TEMP TABLE numbered_trip AS
    SELECT trip_id, mark, weight,
           (('0x' || left(mark, 13))::BIGINT + 0.5) / 16.0::DOUBLE ** 13 / weight AS number
    FROM (SELECT trip_id, weight, sha256($seed || '|' || trip_id) AS mark FROM unflagged_trip
          WHERE trip_id NOT IN (SELECT trip_id FROM loop.audit WHERE month = $month
                                UNION SELECT trip_id FROM loop.audit_trip WHERE month = $month))
"""

_DRAWN = """
    SELECT $month, trip_id, mark, coalesce(least(1, weight * $below::DOUBLE), 1)
    FROM numbered_trip WHERE coalesce(number < $below::DOUBLE, TRUE) ORDER BY number
"""

# only what was not there when it was drawn may join, and by the same chance
_JOINING_FORMER = """
    SELECT $month, trip_id, mark FROM numbered_trip
    WHERE mark < (SELECT max(mark) FROM loop.audit WHERE month = $month) ORDER BY mark
"""

_RECEIVED = """
    SELECT (SELECT count(*) FROM delivered.holding JOIN delivered.trips t USING (trip_key)
            WHERE t.service_month = $1),
           (SELECT max(trips) FROM delivered.expected_holding WHERE month = $1)
"""

_ADD_CASES = """
    INSERT INTO month_case
    SELECT (SELECT count(*) FROM month_case)::INTEGER
               + row_number() OVER (ORDER BY a.mark)::INTEGER,
           a.trip_id, t.base, t.vehicle, u.cannula, 'audit', 'audit', NULL, NULL, NULL,
           'Drawn at random from the trips without a flag.'
    FROM (SELECT month, trip_id, mark FROM loop.audit
          UNION ALL SELECT month, trip_id, mark FROM loop.audit_trip) a
    JOIN unflagged_trip USING (trip_id)
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    LEFT JOIN (
        SELECT trip_key, arg_max(cannula, (seconds, cannula)) AS cannula
        FROM (SELECT trip_key, cannula, sum(until_s - from_s) AS seconds
              FROM judged.timeline
              SEMI JOIN (FROM judged.trip_window WHERE service_month = $month) USING (trip_key)
              WHERE cannula IS NOT NULL GROUP BY ALL)
        GROUP BY trip_key
    ) u ON u.trip_key = h.trip_key
    WHERE a.month = $month
"""

# Readers of earlier months are not asked again: a trip counts as without a flag if it was drawn
# as one and no rule calls it a variance or borderline now.
_RESULTS = """
    WITH flagged AS (
        SELECT DISTINCT w.trip_id FROM judged.verdict v JOIN judged.trip_window w USING (trip_key)
        WHERE v.verdict IN ('deviation', 'borderline')
    ),
    drawn AS (
        SELECT month, trip_id, 1.0::DOUBLE AS weight FROM loop.audit
        UNION ALL SELECT month, trip_id, 1 / chance FROM loop.audit_trip
    ),
    month_drawn AS (
        SELECT month, unflagged FROM loop.audit_draw
        UNION ALL SELECT month, unflagged FROM loop.audit_plan
    ),
    read AS (
        SELECT trip_id, bool_or(coalesce(conclusion = 'missed', FALSE)) AS missed
        FROM answer_now WHERE holds AND status = 'closed' GROUP BY trip_id
    )
    SELECT a.month, any_value(d.unflagged) AS unflagged, count(*) AS drawn,
           count(r.trip_id) AS read, count(*) FILTER (r.missed) AS missed,
           coalesce(sum(a.weight) FILTER (r.missed), 0)
               / sum(a.weight) FILTER (r.trip_id IS NOT NULL) AS rate,
           sum(a.weight) FILTER (r.trip_id IS NOT NULL) ** 2
               / sum(a.weight ** 2) FILTER (r.trip_id IS NOT NULL) AS n
    FROM drawn a
    JOIN month_drawn d USING (month)
    ANTI JOIN flagged f ON f.trip_id = a.trip_id
    LEFT JOIN read r ON r.trip_id = a.trip_id
    WHERE a.month <= $month
    GROUP BY a.month ORDER BY a.month
"""
