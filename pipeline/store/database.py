"""The one DuckDB file that keeps every delivery: open it, create its tables, transact.

`delivered.*` is history and only ever grows; its DDL is derived from `schemas.stored`.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb

from pipeline.errors import Problem, Refused
from pipeline.store.renaming import name_unless_taken
from schemas import shape as pa
from schemas.connection import Connection

ASIDE = ".new"
"""How the name of a store ends that is being made."""

MOST_MEMORY_BYTES = 4 * 2**30
"""DuckDB spills beyond this; measured enough for a million trips at full speed."""

BLOCKS_KEPT = "128MiB"
"""So much memory for blocks is used again and not given back while a large delivery is worked on:
to get it anew from the system each time took a sixth of all that the system did for one."""

CHECKPOINT_FROM = "1MiB"
"""From this size on a transaction is written to its place at once, not into the log before."""

BLOCK_BYTES = 64 * 2**10
"""Of a new store. A column takes a block or more of its own; with blocks as large as is usual a
service's store is mostly air, which is written each time. Larger stores lose nothing by it."""

LAYOUT_VERSION = 4
"""Raised whenever a kept table changes shape; the store says which layout it has."""

MISSING_TRIP_VIEW = """
CREATE VIEW delivered.missing_trip AS
SELECT e.delivery_no, min(e.line) AS line, e.trip_id, e.service_month,
       min(e.base) AS base
FROM delivered.expected_trip e
JOIN (
    SELECT service_month, arg_max(delivery_no, receipt_no) AS delivery_no
    FROM delivered.expected_trip JOIN delivered.latest USING (delivery_no)
    GROUP BY service_month
) USING (service_month, delivery_no)
ANTI JOIN delivered.trips t ON t.trip_id = e.trip_id
GROUP BY e.delivery_no, e.trip_id, e.service_month;
"""
"""Trips of the latest list of each month that no delivery ever brought."""

MIGRATIONS = {
    1: "ALTER TABLE delivered.delivery ADD COLUMN confidentiality VARCHAR",
    2: "CREATE TABLE delivered.doubtful (delivery_no INTEGER NOT NULL, service_month VARCHAR,"
    " file VARCHAR NOT NULL, line INTEGER, column_name VARCHAR, problem VARCHAR NOT NULL,"
    " what VARCHAR NOT NULL, remedy VARCHAR NOT NULL, rows INTEGER NOT NULL)",
    3: f"""
        ALTER TABLE delivered.trips ADD COLUMN outcome_24h VARCHAR;
        ALTER TABLE delivered.trips ADD COLUMN blend_ordered BOOLEAN;
        ALTER TABLE delivered.observations ADD COLUMN care VARCHAR;
        ALTER TABLE delivered.contacts ADD COLUMN authorised_by VARCHAR;
        CREATE TABLE delivered.expected_trip (
            delivery_no INTEGER NOT NULL, line INTEGER NOT NULL, trip_id VARCHAR NOT NULL,
            service_month VARCHAR NOT NULL, base VARCHAR);
        {MISSING_TRIP_VIEW}
    """,
}
"""From each older layout to the next one; columns are added last, where the contract has them."""

HOLDING_VIEWS = """
CREATE VIEW delivered.latest AS
SELECT delivery_no, max(receipt_no) AS receipt_no FROM delivered.receipt GROUP BY delivery_no;

CREATE VIEW delivered.holding AS
SELECT
    trips.trip_id,
    arg_max(trips.trip_key, latest.receipt_no) AS trip_key,
    arg_max(trips.delivery_no, latest.receipt_no) AS delivery_no
FROM delivered.trips JOIN delivered.latest USING (delivery_no)
GROUP BY trips.trip_id;

CREATE VIEW delivered.expected_holding AS
SELECT
    month,
    arg_max(trips, receipt_no) AS trips,
    arg_max(delivery_no, receipt_no) AS delivery_no
FROM delivered.expected JOIN delivered.latest USING (delivery_no)
GROUP BY month;

CREATE VIEW delivered.month_holding AS
SELECT month, arg_max(delivery_no, receipt_no) AS delivery_no
FROM (SELECT delivery_no, unnest(months) AS month FROM delivered.delivery)
JOIN delivered.latest USING (delivery_no)
GROUP BY month;

CREATE VIEW delivered.training_holding AS
SELECT training.*
FROM delivered.training JOIN delivered.month_holding USING (delivery_no, month);

CREATE VIEW delivered.protocol AS
SELECT unnest(arg_max(protocol_version, protocol_no)) FROM delivered.protocol_version
GROUP BY protocol_version.id;
"""
"""Which delivered content holds: that of the delivery received last which contains it."""

SMALL_STORE_BYTES, LARGE_DELIVERY_BYTES = 32 * 2**20, 4 * 2**20
"""Up to some 15,000 trips, brought by fewer than 2,500 at a time, what threads take to share work
is more than they save: a month's review is hundreds of small statements."""


def open_store(
    path: Path,
    *,
    create: bool = True,
    read_only: bool = False,
    memory_limit: str | None = None,
    threads: int | None = None,
) -> Connection:
    """Open the store at `path`, making it first if `create`; Refused if it cannot be used.

    Work that does not fit in memory spills into a folder beside the store, which is removed.
    `threads`: by default one for a small store, else as many as there are processors.
    """
    if not path.exists() and not create:
        raise _refused(path, "store-missing", "there is no store here", "Run a review first.")
    spill = path.with_name(f"{path.name}.tmp")
    few = 1 if not path.exists() or path.stat().st_size <= SMALL_STORE_BYTES else None
    config = _config(spill, memory_limit, threads or few)
    if create and not path.exists():
        _make_folder(path.parent)
        _make_store(path)
    con = _connect(path, config, read_only=read_only)
    version = _layout(con)
    if version in MIGRATIONS:
        con.close()
        _migrate(path, config)
        con = _connect(path, config, read_only=read_only)
        version = _layout(con)
    if not read_only:
        # only the process that holds the lock is here: what is left over is a killed run's
        shutil.rmtree(spill, ignore_errors=True)
        _remove_asides(*path.parent.glob(f"{path.name}.*{ASIDE}"))
    try:
        _check_layout(version, path)
    except BaseException:
        con.close()
        raise
    return con


def enough_threads(con: Connection, coming: int) -> None:
    """Let all processors work on a store that is about to be given a delivery of so many bytes.

    And let the memory for its blocks be kept.
    """
    if coming > LARGE_DELIVERY_BYTES:
        con.execute("RESET threads")
        con.execute(f"SET block_allocator_memory = '{BLOCKS_KEPT}'")


@contextmanager
def open_scratch() -> Iterator[Connection]:
    """A database that is never kept, to check a delivery in; what it spills is removed.

    It works with one thread, as a small store does, until it has `enough_threads`.
    """
    with tempfile.TemporaryDirectory(prefix="tailrace-") as spill:
        con = duckdb.connect(config=_config(Path(spill), None, 1))
        try:
            yield con
        finally:
            con.close()


@contextmanager
def transaction(con: Connection, *, begun: bool = False) -> Iterator[None]:
    """Everything inside is stored, or nothing is; and what came before, where it is `begun`."""
    if not begun:
        con.begin()
    try:
        yield
    except BaseException:
        con.rollback()
        raise
    con.commit()


def one(
    con: Connection, sql: str, parameters: Sequence[Any] | Mapping[str, Any] | None = None
) -> tuple[Any, ...]:
    """Return the only row of a query; all rows are fetched, so that the connection is free."""
    rows = con.execute(sql, parameters).fetchall()
    if len(rows) != 1:
        raise AssertionError(f"{len(rows)} rows where one was expected")
    return rows[0]


def temporary_table(
    con: Connection, name: str, columns: str, rows: Sequence[Sequence[Any]]
) -> None:
    """Make a temporary table of a few rows, put there at once; `columns` as SQL declares them."""
    con.execute(f"CREATE OR REPLACE TEMP TABLE {name} ({columns})")
    if rows:
        marks = ", ".join([f"({', '.join('?' * len(rows[0]))})"] * len(rows))
        con.execute(f"INSERT INTO {name} VALUES {marks}", [cell for row in rows for cell in row])


def create_layout(con: Connection) -> None:
    """Create the empty schemas, tables and views of a store."""
    from schemas.stored import STORED

    con.execute("CREATE SCHEMA delivered; CREATE SCHEMA judged")
    con.execute("CREATE TABLE delivered.layout (version INTEGER NOT NULL)")
    con.execute("INSERT INTO delivered.layout VALUES (?)", [LAYOUT_VERSION])
    for name, schema in STORED.items():
        con.execute(table_ddl(f"delivered.{name}", schema))
    con.execute(HOLDING_VIEWS + MISSING_TRIP_VIEW)


def table_ddl(name: str, schema: pa.DataFrameSchema) -> str:
    """Return the CREATE TABLE statement of a table's schema."""
    columns = ",\n".join(
        f'    "{column}" {sql_type(field)}{"" if field.nullable else " NOT NULL"}'
        for column, field in schema.columns.items()
    )
    return f"CREATE TABLE {name} (\n{columns}\n)"


def sql_type(field: Any) -> str:
    """Return DuckDB's name of a column's type."""
    stated = (field.metadata or {}).get("sql")
    return str(stated or field.dtype.sql)


def _config(spill: Path, memory_limit: str | None, threads: int | None) -> dict[str, Any]:
    # the line of a row is told from its place in the table it was read into
    config: dict[str, Any] = {"temp_directory": str(spill), "preserve_insertion_order": True}
    # joins to the latest row before a moment are estimated as small as a few rows where they are
    # many thousand, and then made row by row
    config["asof_loop_join_threshold"] = 0
    config["checkpoint_threshold"] = CHECKPOINT_FROM
    # what fills a group of rows is written at once, by whoever filled it, and not by one thread
    # when all is stored
    config["write_buffer_row_group_count"] = 1
    config["memory_limit"] = memory_limit or _default_memory()
    if threads is not None:
        config["threads"] = threads
    return config


def _default_memory() -> str:
    """Half of the machine's memory, and no more than a country's ten years need."""
    try:
        machine = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):
        machine = 2 * MOST_MEMORY_BYTES
    return f"{min(MOST_MEMORY_BYTES, machine // 2) // 2**20}MiB"


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        raise _refused(
            folder,
            "no-permission",
            "the folder cannot be made",
            "Choose a folder that you may write to.",
        ) from None


def _connect(path: Path, config: dict[str, Any], *, read_only: bool) -> Connection:
    try:
        return duckdb.connect(str(path), read_only=read_only, config=config)
    except duckdb.Error as error:
        text = str(error)
        holder = re.search(r"lock is held in (\S.*?) \(PID (\d+)\)", text)
        if holder or "Could not set lock" in text:
            who = f"process {holder[2]}" if holder else "another process"
            raise _refused(
                path, "store-locked", f"{who} is using this store", "Wait until it has finished."
            ) from None
        if "Permission denied" in text:
            raise _refused(
                path,
                "no-permission",
                "the store may not be opened",
                "Ask for permission to read and write it, or choose another folder.",
            ) from None
        raise _refused(
            path,
            "store-unreadable",
            "this is not a store, or it is damaged",
            "Bring it back from a copy if there is one. Else move it away and review the deliveries"
            " again, then read the filled sheets again: answers and publications are only here.",
        ) from None


def _make_store(path: Path) -> None:
    """Make an empty store under a name of its own, and give it its name unless there is one.

    A kill leaves none, or a whole one; of two processes one makes it, and the other uses that.
    """
    own = f"{path.name}.{os.getpid()}-{secrets.token_hex(4)}"
    drawn, aside = path.with_name(f"{own}.drawn{ASIDE}"), path.with_name(f"{own}{ASIDE}")
    try:
        con = _connect(drawn, {"default_block_size": BLOCK_BYTES}, read_only=False)
        try:
            with transaction(con):
                create_layout(con)
            # to close does so too, but says nothing where the disk is full, and the tables stay
            # behind
            con.execute("CHECKPOINT")
        finally:
            con.close()
        # a copy: a lock belongs to a process and a file, whatever its names, and is lost when the
        # process closes that file anywhere, as the database may do with the first one later
        shutil.copyfile(drawn, aside)
        name_unless_taken(aside, path)
    except Exception:
        # whoever was first may have taken away what he found beside his store
        if not path.exists():
            raise
    finally:
        _remove_asides(drawn, aside)


def _remove_asides(*asides: Path) -> None:
    for aside in asides:
        for left in (aside, aside.with_name(f"{aside.name}.wal")):
            left.unlink(missing_ok=True)


def _layout(con: Connection) -> int | None:
    """Which layout the store has; None if it is not a store."""
    try:
        return int(one(con, "SELECT max(version) FROM delivered.layout")[0])
    except duckdb.CatalogException:
        return None


def _migrate(path: Path, config: dict[str, Any]) -> None:
    """Bring a store of an older layout to this one, in one transaction."""
    con = _connect(path, config, read_only=False)
    try:
        with transaction(con):
            version = _layout(con)
            while version in MIGRATIONS:
                con.execute(MIGRATIONS[version])
                version += 1
            con.execute("UPDATE delivered.layout SET version = ?", [version])
    finally:
        con.close()


def _check_layout(version: int | None, path: Path) -> None:
    if version is None:
        raise _refused(
            path,
            "store-unreadable",
            "this database is not a store of this tool",
            "Choose another folder, or move the file away.",
        )
    if version != LAYOUT_VERSION:
        raise _refused(
            path,
            "store-newer",
            f"the store has layout {version}, this version of the tool reads {LAYOUT_VERSION}",
            "Use the newer version, or review the deliveries into another folder.",
        )


def _refused(path: Path, code: str, what: str, remedy: str) -> Refused:
    return Refused(Problem(str(path), None, None, code, what, remedy))
