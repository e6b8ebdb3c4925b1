"""Periods as they were first shared, kept in the store.

A trip delivered or corrected after its period was shared does not change what is shared of it:
whoever holds both editions could tell that trip's answers from the difference.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import Any

from pipeline.sharing.periods import Period
from pipeline.store.followup_tables import ensure_followup_tables, has_table, insert
from schemas.connection import Connection
from schemas.shared_outputs import SharedTables


def kept(con: Connection) -> dict[Period, dict[str, list[dict[str, Any]]]]:
    """Every period shared so far with its rows by table, oldest first; stores nothing."""
    if not has_table(con, "shared_period"):
        return {}
    rows = con.execute("FROM loop.shared_period ORDER BY first_month").fetchall()
    return {Period(str(first), str(last)): json.loads(content) for first, last, content in rows}


def keep(con: Connection, tables: SharedTables, new: Collection[Period]) -> None:
    """Remember what the `new` periods were told with; call inside the transaction of the act."""
    ensure_followup_tables(con)
    if new:
        insert(con, "shared_period", [(p.first, p.last, _rows(tables, p.name)) for p in new])


def _rows(shared: SharedTables, name: str) -> str:
    """The period's rows of every table as JSON, missing values as null."""
    rows = {}
    for table, frame in shared.by_name().items():
        rows[table] = frame.rows(frame["period"] == name).records()
    return json.dumps(rows, sort_keys=True)
