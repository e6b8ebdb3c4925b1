"""A store with judged trips and no records behind them, for what only counts verdicts."""

from __future__ import annotations

import duckdb
import numpy as np
import pandas as pd

from pipeline.measures.rule_shares import verdict_counts
from pipeline.store.answers_view import make_answers
from pipeline.store.followup_tables import ensure_followup_tables
from tests.generative.into_store import fresh_store

RULE = "wall-oxygen-time"


def months(count: int) -> list[str]:
    """As many months as asked for, from 2000-01 on."""
    return [f"{2000 + n // 12}-{n % 12 + 1:02d}" for n in range(count)]


def with_trips(trips: pd.DataFrame) -> duckdb.DuckDBPyConnection:
    """A store of `trips` (trip_id, month, base, verdict of the one rule), each judged."""
    con = fresh_store()
    ensure_followup_tables(con)
    trips = trips.assign(trip_key=np.arange(1, len(trips) + 1))
    con.register("given", trips)
    con.execute("""
        INSERT INTO delivered.delivery (delivery_no, content_hash, service, contract,
            privacy_basis, months, max_offset_s, not_recorded)
        VALUES (1, 'h', 'demo', 1, 'limited-data-set', [], 900, []);
        INSERT INTO delivered.receipt VALUES (1, 1);
        INSERT INTO delivered.protocol_version VALUES
            (1, '2026.1', '2000-01', '{}', NULL, NULL, 'demo');
        CREATE TABLE judged.trip_window AS
            SELECT trip_key, trip_id, month AS service_month, 1 AS protocol_no,
                   TRUE AS log_complete FROM given;
        CREATE TABLE judged.timeline (trip_key INTEGER, from_s INTEGER, until_s INTEGER,
            source VARCHAR, cannula VARCHAR);
    """)
    con.execute(f"""
        INSERT INTO delivered.trips (trip_key, delivery_no, line, trip_id, service_month, base,
            vehicle, diagnosis_group)
        SELECT trip_key, 1, trip_key + 1, trip_id, month, base, 'ground', 'croup' FROM given;
        CREATE TABLE judged.verdict AS
            SELECT trip_key, 1 AS protocol_no, '{RULE}' AS rule, verdict FROM given;
    """)
    con.execute("""
        CREATE TEMP TABLE month_case (reading_order INTEGER, trip_id VARCHAR, base VARCHAR,
            vehicle VARCHAR, cannula VARCHAR, kind VARCHAR, "group" VARCHAR, severity VARCHAR,
            leading_rule VARCHAR, rules VARCHAR, why VARCHAR)""")
    con.execute(verdict_counts(), {"month": trips["month"].max()})
    make_answers(con)
    return con


def cases(con: duckdb.DuckDBPyConnection, month: str) -> None:
    """The month's variances as its cases, as a review would have made them."""
    con.execute("DELETE FROM month_case")
    con.execute(
        """INSERT INTO month_case (reading_order, trip_id, kind, "group")
           SELECT row_number() OVER (ORDER BY trip_id), trip_id, 'read', 'deviation'
           FROM judged.verdict JOIN judged.trip_window USING (trip_key)
           WHERE verdict = 'deviation' AND service_month = ?""",
        [month],
    )


def answered(con: duckdb.DuckDBPyConnection, answers: pd.DataFrame) -> None:
    """Store answers: trip_id, conclusion (None: read, nothing missed), and perhaps reviewer."""
    (last,) = con.execute("SELECT coalesce(max(determination_no), 0) FROM loop.determination"
                          ).fetchall()[0]  # fmt: skip
    frame = pd.DataFrame({
        "no": np.arange(last + 1, last + 1 + len(answers)), "trip_id": answers["trip_id"],
        "conclusion": answers["conclusion"], "status": answers.get("status", "closed"),
        "reviewer": answers.get("reviewer", "R1"),
    })  # fmt: skip
    con.register("given", frame)
    con.execute(f"""
        INSERT INTO loop.determination
        SELECT no, 1, no, s.trip_id, t.trip_key, t.service_month, conclusion, status, NULL,
               reviewer, NULL, NULL, NULL
        FROM given s JOIN judged.trip_window t USING (trip_id);
        INSERT INTO loop.determination_rule
        SELECT no, '{RULE}', v.verdict
        FROM given s JOIN judged.trip_window t USING (trip_id)
        JOIN judged.verdict v USING (trip_key)
    """)
    make_answers(con)


def wilson_coverage(n: int, share: float) -> float:
    """How often Wilson's 95 % interval of n trips holds a share: summed over every outcome.

    The interval is statsmodels', the probabilities scipy's.
    """
    from scipy.stats import binom
    from statsmodels.stats.proportion import proportion_confint

    counts = np.arange(n + 1)
    low, high = proportion_confint(counts, n, method="wilson")
    return float(binom.pmf(counts, n, share)[(low <= share) & (share <= high)].sum())
