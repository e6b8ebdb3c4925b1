"""Periods as they were first shared, kept in the store.

A trip delivered or corrected after its period was shared does not change what is shared of it:
whoever holds both editions could tell that trip's answers from the difference.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from pipeline.sharing.periods import Period
from pipeline.store.database import transaction
from pipeline.store.followup_tables import ensure, insert
from pipeline.store.ledger import record_shared

if TYPE_CHECKING:
    from collections.abc import Collection

    import duckdb

    from schemas.shared_outputs import SharedTables


def kept(con: duckdb.DuckDBPyConnection) -> dict[Period, dict[str, list[dict[str, Any]]]]:
    """Every period shared so far with its rows by table, oldest first."""
    ensure(con)
    rows = con.execute("FROM loop.shared_period ORDER BY first_month").fetchall()
    return {Period(str(first), str(last)): json.loads(told) for first, last, told in rows}


def keep(
    con: duckdb.DuckDBPyConnection,
    shared: SharedTables,
    before: Collection[Period],
    month: str,
    by: str | None,
) -> None:
    """Remember the periods that are not in `before`; the ledger gets the sharing of `month`.

    The first entry tells of the periods shared before there were entries, too.
    """
    new = []
    for row in shared.periods.to_dict("records"):
        period = Period(str(row["from_month"]), str(row["until_month"]))
        if period not in before:
            new.append((period.first, period.last, _rows(shared, period.name)))
    with transaction(con):
        ensure(con)
        if new:
            insert(con, "shared_period", new)
        record_shared(con, month, by)


def _rows(shared: SharedTables, name: str) -> str:
    """The period's rows of every table as JSON, missing values as null."""
    told = {}
    for table, frame in shared.by_name().items():
        own = frame[frame["period"] == name].astype(object)
        told[table] = own.where(own.notna(), None).to_dict("records")
    return json.dumps(told, sort_keys=True, default=lambda value: value.item())
