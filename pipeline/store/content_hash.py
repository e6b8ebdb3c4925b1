"""What a trip looked like when it was read: a mark that changes with its content or verdicts."""

from __future__ import annotations

from pipeline.store.sql import in_table, quoted
from schemas.connection import Connection

MARK_LENGTH = 12


def contents(keys: str) -> str:
    """SQL for trip_key and content of the trips in `keys`, a relation with trip_key.

    Content is a SHA-256 over every kept and lost row of the trip, in file order, and over how
    finely its delivery recorded times; where the rows stood in which delivery does not enter.
    """
    from schemas.contract import ADDED
    from schemas.stored import CHILD_TABLES, STORED

    parts = []
    for table in ("trips", *CHILD_TABLES, "lost"):
        columns = [c for c in STORED[table].columns if c not in ("trip_key", "delivery_no", "line")]
        cells = ", ".join(_cell(c, added=c in ADDED.get(table, ())) for c in columns)
        parts.append(
            f"SELECT trip_key, '{table}' AS part, line, concat_ws(chr(31), {cells}) AS cells"
            f" FROM delivered.{table} SEMI JOIN {keys} USING (trip_key)"
        )
    known = [c for c in STORED["delivery"].columns if c.startswith(("res_", "max_", "not_"))]
    cells = ", ".join(f"coalesce(d.{c}::VARCHAR, chr(30))" for c in known)
    parts.append(
        f"SELECT t.trip_key, 'delivery', 0, concat_ws(chr(31), {cells})"
        f" FROM delivered.trips t SEMI JOIN {keys} k ON k.trip_key = t.trip_key"
        " JOIN delivered.delivery d ON d.delivery_no = t.delivery_no"
    )
    return f"""
    SELECT trip_key,
           sha256(string_agg(part || chr(31) || cells, chr(29) ORDER BY part, line, cells))
               AS content
    FROM ({" UNION ALL ".join(parts)}) GROUP BY trip_key
    """


def make_contents(con: Connection, table: str, keys: str) -> None:
    """Make the temporary table `table` of what `contents` gives of the table `keys`."""
    # mostly nothing was delivered again
    some = con.execute(f"SELECT 1 FROM {keys} LIMIT 1").fetchall()
    content = contents(keys) if some else "SELECT 0 AS trip_key, '' AS content LIMIT 0"
    con.execute(f"CREATE OR REPLACE TEMP TABLE {table} AS ({content})")


def _cell(column: str, *, added: bool) -> str:
    """A cell as text; an empty one of an added column is nothing, as it was before."""
    if added:
        return f"'{column}=' || {quoted(column)}::VARCHAR"
    return f"coalesce({quoted(column)}::VARCHAR, chr(30))"


def make_states(con: Connection, asked: str) -> None:
    """Make `trip_state` (trip_id, trip_key, month, seen) of the held trips among `asked`.

    `asked` is a relation with trip_id. `seen` is the mark; call after judging.
    """
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE asked_trip AS
        SELECT h.trip_id, h.trip_key, t.service_month AS month
        FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
        WHERE h.trip_id {in_table(con, asked)}
    """)
    con.execute(f"""
        CREATE OR REPLACE TEMP TABLE trip_state AS
        WITH answered AS (
            SELECT trip_key, string_agg(rule || '=' || verdict, ' ' ORDER BY rule) AS verdicts
            FROM judged.verdict SEMI JOIN asked_trip USING (trip_key) GROUP BY trip_key
        )
        SELECT a.*, left(sha256(c.content || coalesce(v.verdicts, '')), {MARK_LENGTH}) AS seen
        FROM asked_trip a JOIN ({contents("asked_trip")}) c USING (trip_key)
        LEFT JOIN answered v USING (trip_key)
    """)
