"""The random audit: trips not listed otherwise, drawn for reading, and how many had a variance.

The draw rests on service, month and protocol version, and on nothing else: trips in the order of
a hash over that seed and the trip's token, the lowest first. It is kept when first made. A trip
that comes late joins if its hash lies below the highest drawn, so that every trip of the month
had the same chance.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from pipeline.followup.confirmed import FEWEST_READINGS
from pipeline.store.database import one
from pipeline.store.followup_tables import insert, service_of
from pipeline.store.ledger import record

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

HALF_WIDTH = 0.10
EXPECTED = 0.05
Z_95 = 1.959963984540054


def audit_size(unflagged: int, half_width: float = HALF_WIDTH, expected: float = EXPECTED) -> int:
    """How many of `unflagged` trips to read for a 95 % interval of about plus or minus half_width.

    n0 = z^2 p (1 - p) / d^2, then the finite population correction n0 / (1 + (n0 - 1) / N).
    Source: Cochran 1977, Sampling Techniques, 3rd ed., 4.4 (from memory).
    """
    if unflagged == 0:
        return 0
    infinite = Z_95**2 * expected * (1 - expected) / half_width**2
    return min(unflagged, math.ceil(infinite / (1 + (infinite - 1) / unflagged)))


def draw_audit(
    con: duckdb.DuckDBPyConnection, month: str, *, half_width: float = HALF_WIDTH
) -> None:
    """Draw the month's sample if that was not done, and let late trips join; in a transaction.

    Call after `cases`: trips without a row in `month_case` are not listed for another reason.
    """
    con.execute(_UNFLAGGED, {"month": month})
    (unflagged,) = one(con, "SELECT count(*) FROM unflagged_trip")
    earlier_seed = con.execute(
        "SELECT seed FROM loop.audit_draw WHERE month = ?", [month]
    ).fetchall()
    if not earlier_seed and not unflagged:
        return
    seed = earlier_seed[0][0] if earlier_seed else _seed(con, month)
    wanted = audit_size(unflagged, half_width)
    joining = """
        SELECT trip_id, sha256($1 || '|' || trip_id) AS mark FROM unflagged_trip
        WHERE trip_id NOT IN (SELECT trip_id FROM loop.audit WHERE month = $2)
    """
    if earlier_seed:
        # only what was not there when it was drawn may join, and by the same chance
        chosen = f"""{joining} AND mark < (SELECT max(mark) FROM loop.audit WHERE month = $2)
            ORDER BY mark"""
    else:
        chosen = f"{joining} ORDER BY mark LIMIT {wanted}"
    rows = con.execute(chosen, [seed, month]).fetchall()
    if not earlier_seed:
        insert(con, "audit_draw", [(month, seed, unflagged, wanted, half_width, EXPECTED)])
    if rows:
        insert(con, "audit", [(month, trip_id, mark) for trip_id, mark in rows])
    if rows or not earlier_seed:
        trips = sorted(trip_id for trip_id, _ in rows)
        record(con, "audit", {"month": month, "trips": trips, "unflagged": unflagged})


def add_audit_cases(con: duckdb.DuckDBPyConnection, month: str) -> None:
    """Add the trips drawn, as far as they still have no finding, to the end of `month_case`."""
    con.execute(_ADD_CASES, {"month": month})


def audit_results(con: duckdb.DuckDBPyConnection, month: str) -> pd.DataFrame:
    """The miss rate of each month up to `month`, and of all of them together.

    Follows `schemas.followup_outputs.AuditResults`. A trip is read once a reader closed it.
    Together, months weigh as many trips as were not listed otherwise, and the interval is Wilson's
    at Kish's effective sample size, (sum of weights)^2 / sum of squared weights. The intervals take
    no credit for how large a part of the month was read, so they err on the wide side. Fewer than
    FEWEST_READINGS trips read give counts alone.
    Source: Kish 1965, Survey Sampling, 11.7 (from memory).
    """
    import pandas as pd

    from pipeline.statistics.intervals import wilson

    frame = con.execute(_RESULTS, {"month": month}).df()
    if frame.empty:
        return _empty()
    read = frame[frame["read"] > 0]
    together: dict[str, Any] = {
        "month": f"to {month}",
        **{name: frame[name].sum() for name in ("unflagged", "drawn", "read", "missed")},
    }
    weight = (read["unflagged"] / read["unflagged"].sum()).to_numpy(dtype=float)
    share = (read["missed"] / read["read"]).to_numpy(dtype=float)
    # Kish: each read trip of a month weighs that month's share over how many of it were read
    effective = 1 / (weight**2 / read["read"].to_numpy(dtype=float)).sum() if len(read) else 0.0
    rate = float((weight * share).sum()) if len(read) else float("nan")
    frame["rate"], frame["n"] = frame["missed"] / frame["read"], frame["read"].astype(float)
    frame = pd.concat(
        [frame, pd.DataFrame([{**together, "rate": rate, "n": effective}])], ignore_index=True
    )
    interval = wilson(frame["rate"].fillna(0) * frame["n"], frame["n"])
    method = [interval.method] * (len(frame) - 1) + ["Wilson score, effective sample size"]
    frame = frame.assign(
        miss_rate=interval.estimate, low=interval.lower, high=interval.upper, method=method
    )
    frame.loc[frame["read"] < FEWEST_READINGS, ["miss_rate", "low", "high"]] = float("nan")
    counts = dict.fromkeys(("unflagged", "drawn", "read", "missed"), "int32")
    return frame.astype(counts)[list(_empty().columns)]


def _empty() -> pd.DataFrame:
    import pandas as pd

    from schemas.followup_outputs import AuditResults

    return pd.DataFrame(columns=list(AuditResults.to_schema().columns))


def _seed(con: duckdb.DuckDBPyConnection, month: str) -> str:
    (version,) = one(
        con,
        """SELECT coalesce(min(p.id), '') FROM judged.trip_window w
           JOIN delivered.protocol_version p USING (protocol_no) WHERE w.service_month = ?""",
        [month],
    )
    return f"{service_of(con)}|{month}|{version}"


_UNFLAGGED = """
    CREATE OR REPLACE TEMP TABLE unflagged_trip AS
    SELECT trip_id FROM judged.trip_window
    WHERE service_month = $month AND trip_id NOT IN (SELECT trip_id FROM month_case)
"""

_ADD_CASES = """
    INSERT INTO month_case
    SELECT (SELECT count(*) FROM month_case)::INTEGER
               + row_number() OVER (ORDER BY a.mark)::INTEGER,
           a.trip_id, t.base, t.vehicle, u.cannula, 'audit', NULL, NULL, NULL,
           'Drawn at random from the trips not listed for another reason.'
    FROM loop.audit a
    JOIN unflagged_trip USING (trip_id)
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    LEFT JOIN (
        SELECT trip_key, arg_max(cannula, (seconds, cannula)) AS cannula
        FROM (SELECT trip_key, cannula, sum(seconds) AS seconds FROM judged.exposure
              WHERE cannula IS NOT NULL GROUP BY ALL)
        GROUP BY trip_key
    ) u ON u.trip_key = h.trip_key
    WHERE a.month = $month
"""

# Findings of earlier months are not at hand: a trip counts as not listed if it was drawn
# as one and no rule calls it a variance or borderline now.
_RESULTS = """
    WITH flagged AS (
        SELECT DISTINCT w.trip_id FROM judged.verdict v JOIN judged.trip_window w USING (trip_key)
        WHERE v.verdict IN ('deviation', 'borderline')
    ),
    read AS (
        SELECT trip_id, bool_or(conclusion = 'missed') AS missed
        FROM loop.answer WHERE holds AND status = 'closed' GROUP BY trip_id
    )
    SELECT a.month, any_value(d.unflagged) AS unflagged, count(*) AS drawn,
           count(r.trip_id) AS read, count(*) FILTER (r.missed) AS missed
    FROM loop.audit a
    JOIN loop.audit_draw d USING (month)
    ANTI JOIN flagged f ON f.trip_id = a.trip_id
    LEFT JOIN read r ON r.trip_id = a.trip_id
    WHERE a.month <= $month
    GROUP BY a.month ORDER BY a.month
"""
