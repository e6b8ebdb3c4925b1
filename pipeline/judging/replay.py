"""History judged again under another protocol, without touching the store."""

from __future__ import annotations

from pathlib import Path

from pipeline.judging.evaluator import replay
from pipeline.rules import parameters_of
from pipeline.store.database import open_store
from pipeline.store.protocol_versions import VersionInStore
from schemas.protocol import ProtocolFile

Change = tuple[str, str | None, str | None, list[str]]


def as_versions(protocol: ProtocolFile) -> list[VersionInStore]:
    """A protocol file's versions, numbered as a store would, oldest first."""
    versions = sorted(protocol.version, key=lambda version: version.from_month)
    return [VersionInStore(n, v, parameters_of(v.rules)) for n, v in enumerate(versions, 1)]


def difference(before: ProtocolFile, after: ProtocolFile, store: Path) -> tuple[list[Change], int]:
    """Verdicts that differ between two protocols: (rule, was, becomes, trips), and trips judged.

    None stands for 'not judged'. Sorted by rule and verdict.
    """
    con = open_store(store, create=False, read_only=True)
    try:
        replay(con, as_versions(before))
        con.execute("CREATE TEMP TABLE verdict_before AS FROM verdict_now")
        replay(con, as_versions(after))
        rows = con.execute("""
            WITH changed AS (
                SELECT trip_key, rule, b.verdict AS was, n.verdict AS becomes
                FROM verdict_before b FULL JOIN verdict_now n USING (trip_key, rule)
                WHERE b.verdict IS DISTINCT FROM n.verdict
            )
            SELECT rule, was, becomes, list(trip_id ORDER BY trip_id)
            FROM changed JOIN delivered.trips USING (trip_key)
            GROUP BY ALL ORDER BY ALL
        """).fetchall()
        judged = con.execute("""
            SELECT count(*) FROM (SELECT trip_key FROM verdict_before UNION
                                  SELECT trip_key FROM verdict_now)
        """).fetchone()
    finally:
        con.close()
    return rows, int(judged[0]) if judged else 0
