"""What every month asks of people, kept in the store and made again where a month has changed.

Only what the record asks for is kept: where each piece stands is looked up when it is shown.
"""

from __future__ import annotations

from pipeline.store.followup_tables import has_table
from schemas.connection import Connection

WORKED_OUT = "5"
"""Raised when what is kept is worked out otherwise."""
SIGNALS = "signals"
"""Stands for a month where the trips behind signals are kept: they are of no month alone."""
EARLIER = "earlier"
"""Stands for all months that nobody took up, where what must be read of them is kept."""


def outdated_months(con: Connection) -> dict[str, str]:
    """The months whose work is not kept as it would be now, each with the mark it would get.

    `SIGNALS` is among them where the trips behind signals are not, `EARLIER` where what the months
    before hold is not.
    """
    now = con.execute(_MARKS).fetchall()
    kept = set(con.execute("FROM judged.work_mark").fetchall()) if _is_kept(con) else set()
    return {month: mark for month, mark in now if (month, mark) not in kept}


def keep_work(con: Connection) -> list[str]:
    """Work out again the months that have changed; in a transaction. Which they were."""
    from pipeline.followup.audit import A_YEAR
    from pipeline.followup.month import join_cases_within
    from pipeline.followup.own_signals import SIGNAL_TRIP, keep_trips
    from pipeline.judging.versions import versions_in_store
    from pipeline.month.cases import always_read, cases, month_words
    from pipeline.month.work import make_work
    from pipeline.store.answers_view import make_answers

    con.execute(_TABLES)
    con.execute(SIGNAL_TRIP)
    changed = outdated_months(con)
    versions = versions_in_store(con)
    if SIGNALS in changed:
        keep_trips(con)
    if EARLIER in changed:
        months = [month for (month,) in con.execute(_NOT_TAKEN_UP).fetchall()]
        always_read(con, months)
        con.execute("DELETE FROM judged.earlier")
        con.execute(_KEEP_EARLIER, {"months": months})
    make_answers(con)
    for month in sorted(changed.keys() - {SIGNALS, EARLIER}):
        month_words(con, versions, month)
        cases(con, versions, month)
        join_cases_within(con, month, a_year=A_YEAR)
        make_work(con, month)
        con.execute("DELETE FROM judged.work WHERE month = ?", [month])
        con.execute("INSERT INTO judged.work SELECT ?, * FROM month_work", [month])
    # drawing the audit is part of what a mark tells of
    for month, mark in con.execute(_MARKS).fetchall():
        if month in changed:
            con.execute("DELETE FROM judged.work_mark WHERE month = ?", [month])
            con.execute("INSERT INTO judged.work_mark VALUES (?, ?)", [month, mark])
    return sorted(changed)


def _is_kept(con: Connection) -> bool:
    rows = con.execute(
        "SELECT 1 FROM duckdb_tables() WHERE schema_name = 'judged' AND table_name = 'work_mark'"
    ).fetchall()
    return bool(rows) and has_table(con, "move")


_TABLES = """
    CREATE TABLE IF NOT EXISTS judged.work (
        month VARCHAR, order_of_kind INTEGER, kind VARCHAR, trip_id VARCHAR, base VARCHAR,
        why VARCHAR, rule VARCHAR, severity VARCHAR, place INTEGER, state VARCHAR,
        rules VARCHAR);
    CREATE TABLE IF NOT EXISTS judged.work_mark (month VARCHAR, mark VARCHAR);
    CREATE TABLE IF NOT EXISTS judged.earlier (month VARCHAR, trip_id VARCHAR, died BOOLEAN)
"""

# a single case that was read does not take up its month
_OPENED = """
    SELECT month FROM loop.audit_plan UNION SELECT month FROM loop.audit_draw
    UNION SELECT month FROM loop.publication
    UNION SELECT key FROM loop.move WHERE thing = 'month'
    UNION SELECT max(service_month) FROM judged.trip_window
"""

_NOT_TAKEN_UP = f"""
    SELECT DISTINCT service_month FROM judged.trip_window
    WHERE service_month NOT IN ({_OPENED}) AND service_month NOT IN (FROM loop.baseline) ORDER BY 1
"""

# what a person must read of them: always read, or flagged as a month's cases are
_KEEP_EARLIER = """
    INSERT INTO judged.earlier
    SELECT w.service_month, w.trip_id, coalesce('died' IN (t.outcome, t.outcome_24h), FALSE)
    FROM judged.trip_window w JOIN delivered.trips t USING (trip_key)
    WHERE list_contains($months::VARCHAR[], w.service_month) AND (
        w.trip_key IN (SELECT trip_key FROM month_trigger)
        OR w.trip_key IN (
            SELECT v.trip_key FROM judged.verdict v
            JOIN rule_words r ON r.protocol_no = v.protocol_no AND r.rule = v.rule
            WHERE r.severity = 'high' AND v.verdict IN ('deviation', 'borderline')
               OR r.severity = 'medium' AND v.verdict = 'deviation'))
"""

# a verdict follows from the trip's content, its protocol version and the rules' own mark
_MARKS = f"""
    WITH opened AS ({_OPENED}),
    trip AS (SELECT trip_key, trip_id, protocol_no, service_month AS month FROM judged.trip_window),
    judged AS (
        SELECT t.month, count(*) AS n,
               bit_xor(hash(t.trip_id, t.trip_key, t.protocol_no, f.value)) AS x
        FROM trip t LEFT JOIN judged.fingerprint f USING (protocol_no) GROUP BY 1
    ),
    said AS (
        SELECT t.month, count(*) AS n FROM (
            SELECT key AS trip_id FROM loop.move WHERE thing = 'added'
            UNION ALL SELECT trip_id FROM loop.fetch_said
            UNION ALL SELECT trip_id FROM loop.audit_trip
            UNION ALL SELECT trip_id FROM loop.audit)
        JOIN trip t USING (trip_id) GROUP BY 1
    )
    SELECT j.month, concat_ws('|', '{WORKED_OUT}', j.n, j.x, s.n, b.month IS NOT NULL) AS mark
    FROM judged j SEMI JOIN opened o ON o.month = j.month
    LEFT JOIN said s ON s.month = j.month LEFT JOIN loop.baseline b ON b.month = j.month
    UNION ALL
    SELECT '{SIGNALS}', concat_ws('|', '{WORKED_OUT}', sum(n), bit_xor(x),
                                  (SELECT max(signal_no) FROM loop.signal))
    FROM judged
    UNION ALL
    SELECT '{EARLIER}', concat_ws('|', '{WORKED_OUT}', sum(n), bit_xor(x),
                                  (SELECT string_agg(month, ' ' ORDER BY month) FROM opened),
                                  (SELECT count(*) FROM loop.baseline),
                                  (SELECT count(*) FROM loop.move WHERE thing = 'added'))
    FROM judged
    ORDER BY 1
"""
"""Of each month whose work was ever opened, a mark of all that its work is made from; and of all
months together, which signals count over."""
