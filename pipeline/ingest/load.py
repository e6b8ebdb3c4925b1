"""Store a staged delivery in one transaction: all of it, or nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from itertools import chain
from typing import Any

from pipeline.ingest.delivery import Staged
from pipeline.ingest.early_rows import EarlyRows, stored_early
from pipeline.ingest.places import FOUND, close_places
from pipeline.ingest.rows_of_trips import of_trips
from pipeline.ingest.screen import free_columns
from pipeline.ingest.settings_files import canonical, same_but_approval
from pipeline.ingest.stage import LISTED_BY_MONTH, good_rows
from pipeline.store.database import one, transaction
from pipeline.store.sql import quoted
from schemas.connection import Connection
from schemas.export_file import TIMED
from schemas.record import dataclass


@dataclass(frozen=True)
class Loaded:
    """What storing a delivery changed.

    `new`: its content was not in the store before; `received`: it is now the latest word, which
    the same bytes become again after other deliveries.
    """

    delivery_no: int
    new: bool
    received: bool


@dataclass(frozen=True)
class Rows:
    """Rows that are stored: the delivery's number, and how many of each table.

    `offset`: what is added to the keys its trips had before.
    """

    delivery_no: int
    offset: int
    kept: dict[str, int]


RowsStoredEarly = EarlyRows[Staged, Rows]


def load(
    con: Connection,
    staged: Staged,
    *,
    baseline: bool = False,
    by: str | None = None,
    begun: RowsStoredEarly | None = None,
) -> Loaded:
    """Store `staged` in the store it was read with, and drop its tables.

    `baseline`: its months open no cases. `by`: token of whoever delivered it, for the ledger.
    `begun`: what `read_delivery` was given of `rows_stored_early`.
    """
    from pipeline.store.baseline import mark_baseline
    from pipeline.store.corrections import apply_corrections
    from pipeline.store.ledger import record_delivery

    own = begun.con if begun and begun.con else con
    with transaction(own, begun=own is not con):
        loaded = _stored(own, staged, begun)
        if loaded.received:
            record_delivery(own, loaded.delivery_no, by, apply_corrections(own))
        if baseline:
            mark_baseline(own, staged.export.months, by)
    if begun:
        begun.end()
    if not staged.known:
        drop_staged(con)
    return loaded


def rows_stored_early(con: Connection) -> AbstractContextManager[RowsStoredEarly]:
    """What `read_delivery`, then `load` take to store rows while they are looked through."""
    return stored_early(con, _insert_rows)


def drop_staged(con: Connection) -> None:
    """Drop every view and table of a staged delivery."""
    close_places(con)


def _stored(con: Connection, staged: Staged, begun: RowsStoredEarly | None) -> Loaded:
    if staged.known:
        return _reload(con, staged.known)
    rows = begun.stored.result() if begun and begun.con else _insert_rows(con, staged)
    return _load_new(con, staged, rows)


def _reload(con: Connection, known: int) -> Loaded:
    """The same bytes again: the latest word only if others came between."""
    (overtaken,) = one(
        con,
        """
        select exists (from delivered.trips join delivered.holding using (trip_id)
                       where trips.delivery_no = $1 and holding.delivery_no <> $1)
            or exists (from (select unnest(months) as month from delivered.delivery
                             where delivery_no = $1)
                       join delivered.month_holding using (month)
                       where month_holding.delivery_no <> $1)
        """,
        [known],
    )
    if overtaken:
        _receive(con, known)
    return Loaded(known, new=False, received=overtaken)


def _insert_rows(
    con: Connection, staged: Staged, wait_for_screen: Callable[[], None] = lambda: None
) -> Rows:
    """Store what nothing that is found of the delivery changes.

    `wait_for_screen` returns once the texts that may say anything have been screened.
    """
    delivery_no = _next(con, "delivery", "delivery_no")
    offset = _next(con, "trips", "trip_key") - 1
    _insert_description(con, staged, delivery_no)
    keys = {"trip_key": f"trip_key + {offset}", "delivery_no": str(delivery_no)}
    return Rows(delivery_no, offset, _insert_tables(con, staged, keys, wait_for_screen))


def _load_new(con: Connection, staged: Staged, rows: Rows) -> Loaded:
    _insert_outcome(con, staged, rows)
    _insert_protocol(con, staged)
    _receive(con, rows.delivery_no)
    return Loaded(rows.delivery_no, new=True, received=True)


def _insert_description(con: Connection, staged: Staged, delivery_no: int) -> None:
    export = staged.export
    resolutions = [getattr(export.time_resolution_s, name) for name in TIMED]
    _insert(
        con,
        "delivery",
        [
            (
                delivery_no,
                staged.parts.content_hash,
                export.service,
                export.contract,
                export.privacy_basis,
                export.months,
                *resolutions,
                export.device_clock.max_offset_s,
                export.not_recorded,
                export.confidentiality or None,
            )
        ],
    )
    listed = con.execute(LISTED_BY_MONTH).fetchall() if "expected" in staged.parts.tables else []
    wanted = export.expected_trips | dict(listed)
    _insert(
        con, "expected", [(delivery_no, month, trips) for month, trips in sorted(wanted.items())]
    )
    if staged.files.catalogue:
        _insert(
            con,
            "cannula",
            [
                (delivery_no, *entry.model_dump().values())
                for entry in sorted(staged.files.catalogue.cannula, key=lambda entry: entry.id)
            ],
        )


def _insert_tables(
    con: Connection, staged: Staged, keys: dict[str, str], wait_for_screen: Callable[[], None]
) -> dict[str, int]:
    """Store every table's good rows, those that keep no free text first; how many were kept."""
    from schemas.stored import STORED, stored_as

    tables = list(staged.parts.tables)
    kept = {
        table: _insert_table(con, table, keys)
        for table in tables
        if not {*free_columns(table)} & {*STORED[stored_as(table)].columns}
    }
    wait_for_screen()
    rest = [table for table in tables if table not in kept]
    return kept | {table: _insert_table(con, table, keys) for table in rest}


def _insert_table(con: Connection, table: str, keys: dict[str, str]) -> int:
    """Store a table's good rows; `keys`: SQL of the columns that are numbers of the store."""
    from schemas.stored import STORED, stored_as

    columns = list(STORED[stored_as(table)].columns)
    values = ", ".join(keys.get(name, quoted(name)) for name in columns)
    (rows,) = one(
        con,
        f"insert into delivered.{stored_as(table)} select {values} from ({good_rows(table)})"
        # the rows of trips stand in their order
        f" {'' if of_trips(table) else 'order by line'}",
    )
    return int(rows)


def _insert_outcome(con: Connection, staged: Staged, rows: Rows) -> None:
    # the database `found` is named: one that was not named before this transaction came here is
    # seen as it is now
    delivery_no, offset, kept = rows.delivery_no, rows.offset, rows.kept
    con.execute(
        f"insert into delivered.lost select trip_key + {offset}, table_name, line, at_s"
        f" from {FOUND}.staged_lost order by all"
    )
    con.execute(
        f"insert into delivered.set_aside select {delivery_no}, trip_key + {offset},"
        " service_month, file, line, column_name, problem, what, remedy"
        f" from {FOUND}.staged_set_aside order by file, line, column_name, problem"
    )
    con.execute(
        f"insert into delivered.doubtful select {delivery_no}, service_month, file, line,"
        f" column_name, problem, what, remedy, rows from {FOUND}.staged_doubtful order by all"
    )
    tables = {content.name: table for table, content in staged.parts.tables.items()}
    files = []
    for part in staged.parts.all:
        table = tables.get(part.name)
        read = _count(con, f"staged_{table}") if table else None
        files.append((delivery_no, part.name, part.sha256, read, kept[table] if table else None))
    _insert(con, "file", files)
    _insert(con, "mention", [(delivery_no, *mention) for mention in staged.mentions])


def _insert_protocol(con: Connection, staged: Staged) -> None:
    """Keep every version not met before, and again one that has since been approved."""
    if not staged.files.protocol:
        return
    rows = con.execute("select id, content, approved_by from delivered.protocol").fetchall()
    known = {row[0]: row[1:] for row in rows}
    number = _next(con, "protocol_version", "protocol_no")
    for version in sorted(staged.files.protocol.version, key=lambda v: v.from_month):
        approved = version.approved
        if version.id in known:
            content, approved_by = known[version.id]
            assert same_but_approval(content, version)
            if approved is None or approved_by is not None:
                continue
        _insert(
            con,
            "protocol_version",
            [
                (
                    number,
                    version.id,
                    version.from_month,
                    canonical(version),
                    approved.by if approved else None,
                    approved.month if approved else None,
                    staged.export.service,
                )
            ],
        )
        number += 1


def _receive(con: Connection, delivery_no: int) -> None:
    _insert(con, "receipt", [(_next(con, "receipt", "receipt_no"), delivery_no)])


def _insert(con: Connection, table: str, rows: Iterable[tuple[Any, ...]]) -> None:
    cells = [list(row) for row in rows]
    if cells:
        marks = ", ".join(f"({', '.join('?' for _ in row)})" for row in cells)
        con.execute(f"insert into delivered.{table} values {marks}", [*chain(*cells)])


def _next(con: Connection, table: str, column: str) -> int:
    return int(one(con, f"select coalesce(max({column}), 0) + 1 from delivered.{table}")[0])


def _count(con: Connection, relation: str) -> int:
    return int(one(con, f"select count(*) from {relation}")[0])
