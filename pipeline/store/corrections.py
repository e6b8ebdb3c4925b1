"""Corrected values: kept beside the original, and applied when judging.

A correction makes a further content of its trip: the delivered rows are copied under a new
trip_key with the corrected cells, and that content holds. It belongs to the trip and to the
value that was wrong, not to a delivery: where the same row comes again with the same value, it
is corrected again; where the source has changed the value, the source holds.
"""

from __future__ import annotations

from pipeline.store.database import one, sql_type
from pipeline.store.followup_tables import ensure_followup_tables
from pipeline.store.sql import quoted
from schemas.connection import Connection
from schemas.frame import Frame

HOLDING = """
    CREATE OR REPLACE VIEW delivered.holding AS
    SELECT trips.trip_id,
           -- of two contents of one delivery the later is the corrected one
           arg_max(trips.trip_key, (latest.receipt_no, trips.trip_key)) AS trip_key,
           arg_max(trips.delivery_no, (latest.receipt_no, trips.trip_key)) AS delivery_no
    FROM delivered.trips JOIN delivered.latest USING (delivery_no)
    GROUP BY trips.trip_id
"""


def corrections(con: Connection, month: str) -> Frame:
    """The corrections in force in the content that holds, up to `month`.

    Follows `schemas.followup_outputs.Corrections`.
    """
    asked = """
        SELECT t.trip_id, t.service_month AS month, c.table_name AS "table",
               d.row_line AS line, c.at_s, c.column_name AS "column", c.original, c.value,
               c.reason, c.recorded_by AS "by"
        FROM loop.corrected d
        JOIN loop.correction c USING (correction_no)
        JOIN delivered.holding h USING (trip_key)
        JOIN delivered.trips t USING (trip_key)
        WHERE t.service_month <= ? ORDER BY ALL
    """
    return Frame.read(con.execute(asked, [month]))


def placed_rows(table: str) -> str:
    """SQL for the rows of a table with `row_at_s` and `place`, which tell a row of a trip.

    `place` counts the rows of one time, or of the trip where a table has no times, in file order.
    """
    from schemas.stored import STORED, TIMED_TABLES

    columns = ", ".join(quoted(name) for name in STORED[table].columns)
    at_s = "at_s" if table in TIMED_TABLES else "NULL::INTEGER"
    by_time = ", at_s" if table in TIMED_TABLES else ""
    return (
        f"SELECT {columns}, {at_s} AS row_at_s, row_number() OVER"
        f" (PARTITION BY trip_key{by_time} ORDER BY line)::INTEGER AS place FROM delivered.{table}"
    )


def apply_corrections(con: Connection) -> range:
    """Make corrected content of every held trip that lacks it; returns the new trip keys.

    Call in the transaction that stores a delivery or a sheet of corrections, before its entry
    in the ledger.
    """
    ensure_followup_tables(con)
    (any_stored,) = one(con, "SELECT count(*) FROM loop.correction")
    if not any_stored:
        return range(0)
    con.execute(HOLDING)
    con.execute(_BASE)
    _find_applicable(con)
    con.execute(_WANTED)
    con.execute("CREATE OR REPLACE TEMP TABLE correcting AS " + _CORRECTING)
    first, trips = one(con, "SELECT coalesce(min(new_key), 0), count(*) FROM correcting")
    if trips:
        _copy(con)
    return range(first, first + trips)


def _find_applicable(con: Connection) -> None:
    """Make `applicable`: the last correction of each cell whose row still has the wrong value."""
    con.execute("""
        CREATE OR REPLACE TEMP TABLE applicable (
            base_key INTEGER, correction_no INTEGER, table_name VARCHAR, column_name VARCHAR,
            row_at_s INTEGER, place INTEGER, row_line INTEGER, value VARCHAR)""")
    cells = con.execute(
        "SELECT DISTINCT table_name, column_name FROM loop.correction ORDER BY ALL"
    ).fetchall()
    for table, column in cells:
        con.execute(
            f"""
            INSERT INTO applicable
            SELECT b.base_key, c.correction_no, c.table_name, c.column_name, r.row_at_s, r.place,
                   r.line, c.value
            FROM base_content b
            JOIN loop.correction c ON c.trip_id = b.trip_id AND c.table_name = $1
                AND c.column_name = $2
            JOIN ({placed_rows(table)}) r ON r.trip_key = b.base_key
                AND r.row_at_s IS NOT DISTINCT FROM c.at_s AND r.place = c.place
                AND r.{quoted(column)}::VARCHAR IS NOT DISTINCT FROM c.original
            QUALIFY row_number() OVER (PARTITION BY b.base_key, r.row_at_s, r.place
                                       ORDER BY c.correction_no DESC) = 1
            """,
            [table, column],
        )


def _copy(con: Connection) -> None:
    """Copy the content of the trips in `correcting` under their new keys, corrected."""
    from schemas.stored import CHILD_TABLES, STORED

    for table in ("trips", *CHILD_TABLES):
        fixed = [
            column
            for (column,) in con.execute(
                "SELECT DISTINCT column_name FROM applicable JOIN correcting USING (base_key)"
                " WHERE table_name = ? ORDER BY 1",
                [table],
            ).fetchall()
        ]
        con.execute(_copied(table, fixed))
    for table in ("lost", "set_aside"):
        columns = [quoted(name) for name in STORED[table].columns]
        cells = ", ".join("n.new_key" if c == '"trip_key"' else f"r.{c}" for c in columns)
        con.execute(
            f"INSERT INTO delivered.{table} SELECT {cells} FROM delivered.{table} r"
            " JOIN correcting n ON n.base_key = r.trip_key ORDER BY ALL"
        )
    con.execute("""
        INSERT INTO loop.corrected
        SELECT n.new_key, n.base_key, a.correction_no, a.row_line
        FROM applicable a JOIN correcting n USING (base_key) ORDER BY ALL
    """)


def _copied(table: str, fixed: list[str]) -> str:
    """SQL that copies a table's rows, with the values of the columns `fixed` where corrected."""
    from schemas.stored import STORED

    cells, joins = [], []
    for name, field in STORED[table].columns.items():
        if name == "trip_key":
            cells.append("n.new_key")
        elif name in fixed:
            alias = quoted(f"fix~{name}")
            cells.append(
                f"CASE WHEN {alias}.base_key IS NULL THEN r.{quoted(name)}"
                f" ELSE {alias}.value::{sql_type(field)} END"
            )
            joins.append(
                f"LEFT JOIN (FROM applicable WHERE table_name = '{table}' AND column_name ="
                f" '{name}') {alias} ON {alias}.base_key = n.base_key AND {alias}.place = r.place"
                f" AND {alias}.row_at_s IS NOT DISTINCT FROM r.row_at_s"
            )
        else:
            cells.append(f"r.{quoted(name)}")
    return (
        f"INSERT INTO delivered.{table} SELECT {', '.join(cells)} FROM ({placed_rows(table)}) r"
        f" JOIN correcting n ON n.base_key = r.trip_key {' '.join(joins)}"
        " ORDER BY n.new_key, r.row_at_s, r.line"
    )


_BASE = """
    CREATE OR REPLACE TEMP TABLE base_content AS
    SELECT h.trip_id, h.trip_key,
           coalesce((SELECT min(from_trip_key) FROM loop.corrected d
                     WHERE d.trip_key = h.trip_key), h.trip_key) AS base_key
    FROM delivered.holding h
    WHERE h.trip_id IN (SELECT trip_id FROM loop.correction)
"""

_WANTED = """
    CREATE OR REPLACE TEMP TABLE wanted_corrections AS
    SELECT base_key, list(correction_no ORDER BY correction_no) AS numbers
    FROM applicable GROUP BY base_key
"""

_CORRECTING = """
    SELECT w.base_key,
           ((SELECT max(trip_key) FROM delivered.trips)
               + row_number() OVER (ORDER BY w.base_key))::INTEGER AS new_key
    FROM wanted_corrections w
    JOIN base_content b USING (base_key)
    LEFT JOIN (SELECT trip_key, list(correction_no ORDER BY correction_no) AS numbers
               FROM loop.corrected GROUP BY trip_key) d ON d.trip_key = b.trip_key
    WHERE d.numbers IS DISTINCT FROM w.numbers
"""
