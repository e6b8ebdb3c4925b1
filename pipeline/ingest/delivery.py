"""Read one delivery, from its folder to tables beside the store; refuse it if it cannot be used."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import Problem, Refused
from pipeline.files import Unreadable
from pipeline.ingest import screen
from pipeline.ingest import stage as staging
from pipeline.ingest.delivery_files import OLD_BOOKS, Part, Parts, find_parts
from pipeline.ingest.doubtful import Doubted, find_doubtful
from pipeline.ingest.file_readers import TableFile, header_of
from pipeline.ingest.places import close_places
from pipeline.ingest.problems import Findings
from pipeline.ingest.rows_of_trips import Begun, reading
from pipeline.ingest.set_aside import MONTH_COLUMNS
from pipeline.ingest.settings_files import (
    SettingsFiles,
    check_against_store,
    read_settings_files,
)
from pipeline.store.database import enough_threads, one
from schemas.contract import ADDED, MAY_BE_ABSENT, MONTH_PATTERN, TABLES, sheet_name
from schemas.record import dataclass

if TYPE_CHECKING:
    import duckdb

    from pipeline.ingest.early_rows import EarlyRows
    from schemas.export_file import ExportFile

SHOWN_NAME = 64
TABLES_TEXT = "tables.txt"
"""What `tailrace start` writes beside the tables, to say what goes into them."""

UNSAID = "another file"
"""What is kept of a file that may be called after a person."""

Stage = Callable[[str], None]


@dataclass(frozen=True)
class Staged:
    """A delivery that can be used, in tables beside the store of the connection it was read with.

    `known` is the number the same bytes already have in the store; nothing is staged then.
    """

    parts: Parts
    files: SettingsFiles
    mentions: list[tuple[str, str]]
    known: int | None = None

    @property
    def export(self) -> ExportFile:
        """The delivery's own description."""
        assert self.files.export is not None
        return self.files.export

    def set_aside_count(self, con: duckdb.DuckDBPyConnection) -> int:
        """Return how many rows were set aside; one row may have several problems."""
        rows = f"select distinct file, line from {self._set_aside}"
        return int(one(con, f"select count(*) from ({rows})")[0])

    def problems(self, con: duckdb.DuckDBPyConnection, limit: int | None = None) -> list[Problem]:
        """Return the problems of rows set aside, by file and line; at most `limit`."""
        rows = con.execute(
            "select file, line, column_name, problem, what, remedy"
            f" from {self._set_aside} order by all limit {'all' if limit is None else limit}"
        ).fetchall()
        return [Problem(*row) for row in rows]

    def doubtful(self, con: duckdb.DuckDBPyConnection) -> list[Problem]:
        """Return what is legal and hardly true, each thing once, by file and line."""
        rows = con.execute(
            "select file, line, column_name, problem,"
            " what || case when rows > 1 and line is not null then ' (in ' || rows || ' rows)'"
            f" else '' end, remedy from {self._doubtful} order by all"
        ).fetchall()
        return [Problem(*row) for row in rows]

    @property
    def _doubtful(self) -> str:
        if self.known is None:
            return "staged_doubtful"
        return f"(select * from delivered.doubtful where delivery_no = {self.known})"

    @property
    def _set_aside(self) -> str:
        if self.known is None:
            return "staged_set_aside"
        return f"(select * from delivered.set_aside where delivery_no = {self.known})"


def read_delivery(
    con: duckdb.DuckDBPyConnection,
    directory: Path,
    *,
    protocol: Path | None = None,
    cannulas: Path | None = None,
    stage: Stage = lambda _: None,
    new: Callable[[], None] = lambda: None,
    early: EarlyRows[Staged, Any] | None = None,
) -> Staged:
    """Read, check and screen the delivery in `directory`; nothing is stored.

    `protocol` and `cannulas` replace the files of that name in the delivery. If `con` is a
    store, the delivery is also held against the earlier ones, and `new` called once it is known
    that the store has not these very bytes. `early` begins once all rows are read. Refused lists
    every reason.
    """
    findings = Findings()
    parts = find_parts(directory, protocol, cannulas, findings)
    files = read_settings_files(parts, findings)
    is_store = _has_deliveries(con)
    if files.export is None:
        parts.close()
        raise Refused(findings.refusals)
    compared = is_store and not findings.refusals
    if compared and (known := _known_delivery(con, parts.content_hash)) is not None:
        return Staged(parts, files, [], known)
    new()
    if is_store:
        check_against_store(con, files, parts, findings)
    staged = Staged(parts, files, findings.mentions)
    _stage(con, staged, findings, stage, early)
    stage("set bad rows aside")
    _keep(con, parts, findings, is_store=is_store)
    names = {table: content.name for table, content in parts.tables.items()}
    find_doubtful(con, Doubted(names, files.export, files.catalogue, is_store))
    return staged


def _stage(
    con: duckdb.DuckDBPyConnection,
    staged: Staged,
    findings: Findings,
    stage: Stage,
    early: EarlyRows[Staged, Any] | None,
) -> None:
    """Read the tables and screen them; nothing is left of a delivery that is refused."""
    try:
        tables = _stage_tables(con, staged.parts, staged.export, findings, stage)
        if early and not findings.refusals:
            early.begin(staged)
        _look_through(con, staged, tables, findings, stage)
        if early:
            early.texts_pass()
    except BaseException:
        if early:
            early.end()
        close_places(con)
        raise
    finally:
        staged.parts.close()


def _stage_tables(
    con: duckdb.DuckDBPyConnection,
    parts: Parts,
    export: ExportFile,
    findings: Findings,
    stage: Stage,
) -> list[str]:
    """Read every table; returns those that could be read."""
    _check_tables(parts, export, findings)
    enough_threads(con, sum(part.path.stat().st_size for part in parts.all))
    staging.prepare(con)
    files = _usable_files(con, parts, export, findings)
    trips, others = ([f for f in files if (f.table == "trips") is so] for so in (True, False))
    staged = [file.table for file in trips if _stage_file(con, file, findings, stage, {})]
    if staged:
        staging.number_trips(con)
    with reading(con, others) as begun:
        staged += [f.table for f in others if _stage_file(con, f, findings, stage, begun)]
    return staged


def _look_through(
    con: duckdb.DuckDBPyConnection,
    staged: Staged,
    tables: list[str],
    findings: Findings,
    stage: Stage,
) -> None:
    """Refuse the delivery if a table holds what none may."""
    names = {table: staged.parts.tables[table].name for table in tables}
    stage("privacy screen")
    screen.screen_tables(con, names, staged.export, findings)
    for table, name in names.items():
        _check_months(con, table, name, staged.export, findings)
    if findings.refusals:
        raise Refused(findings.refusals)


def _usable_files(
    con: duckdb.DuckDBPyConnection, parts: Parts, export: ExportFile, findings: Findings
) -> list[TableFile]:
    """The files whose header can be used."""
    files = []
    for table, content in parts.tables.items():
        try:
            header = header_of(con, table, content)
        except Unreadable as error:
            findings.unreadable(content.name, error)
            continue
        present = _check_header(table, content, header, export, findings)
        if present is not None:
            files.append(TableFile(table, content, header, present))
    return files


def _stage_file(
    con: duckdb.DuckDBPyConnection,
    file: TableFile,
    findings: Findings,
    stage: Stage,
    begun: Begun,
) -> bool:
    stage(f"read, cast and validate {file.table}")
    return staging.stage_table(con, file, findings, begun)


def _keep(
    con: duckdb.DuckDBPyConnection, parts: Parts, findings: Findings, *, is_store: bool
) -> None:
    """Tell the rows that are kept from those set aside, and mention what is worth saying."""
    trips = parts.tables["trips"].name
    staging.keep_trips(con, trips, faulty="trips" in findings.faulty)
    if is_store:
        staging.mention_older_held(con, trips, findings)
    for table, content in parts.tables.items():
        if table != "trips":
            staging.keep_rows(con, table, content.name, findings)
            staging.mention_identical(con, table, content.name, findings)
    for name in parts.unnamed:
        if name == TABLES_TEXT:
            continue
        shown = UNSAID if may_name_a_person(name) else name
        findings.mention(shown, "the contract does not name this file, so it was left unread")


def may_name_a_person(file: str) -> bool:
    """Whether a file's name is more than small letters, figures and low lines."""
    return re.fullmatch(r"[a-z0-9_]{1,40}\.[a-z0-9]{1,8}", file) is None


def _check_tables(parts: Parts, export: ExportFile, findings: Findings) -> None:
    there = {*parts.tables, *export.not_recorded, *MAY_BE_ABSENT}
    missing = [table for table in TABLES if table not in there]
    for name in parts.unnamed if missing else []:
        if name.lower().endswith(OLD_BOOKS):
            findings.add("format-not-read", name, "of workbooks only XLSX is read")
    unread = {p.file for p in findings.refusals}
    in_book = any(content.book for content in parts.tables.values())
    for table in missing:
        if not any(str(name).endswith((f"{table}.csv", f"{table}.parquet")) for name in unread):
            place = sheet_name(table) if in_book else f"{table}.csv"
            findings.add("missing-table", place, f"the table {table} is missing")
    for table in export.not_recorded:
        if table in parts.tables:
            findings.add(
                "table-not-recorded",
                parts.tables[table].name,
                f"export.toml says that {table} is not recorded, yet it is here",
            )


def _check_header(
    table: str, content: Part, header: list[str], export: ExportFile, findings: Findings
) -> list[str] | None:
    """Return the contract columns to read; None, and findings, if the header cannot be used."""
    columns = TABLES[table].to_schema().columns
    file, line = content.name, content.header_line
    if not set(header) & set(columns):
        _refuse_strange_header(file, header, line, findings)
        return None
    before = len(findings.refusals)
    ignored = set(export.ignore.get(table, []))
    _check_names(table, content, header, ignored, findings)
    for name, field in columns.items():
        if name in header and name not in ignored:
            continue
        if not field.nullable:
            code = "ignored-column" if name in header else "missing-column"
            what = "is required, yet export.toml ignores it" if name in header else "is missing"
            findings.add(code, file, f"the column {what}", line=line, column=name)
        elif name not in header and name not in ADDED.get(table, ()):
            findings.mention(file, f"the column {name} is absent, so it is empty throughout")
    for name in dict.fromkeys(header):
        if name in ignored:
            findings.mention(
                file, f"the column {_shown(name)} was left unread, as export.toml asks"
            )
    if len(findings.refusals) > before:
        return None
    return [name for name in columns if name in header and name not in ignored]


def _check_names(
    table: str, content: Part, header: list[str], ignored: set[str], findings: Findings
) -> None:
    """Refuse columns that are there twice, or that the contract does not name."""
    file, line = content.name, content.header_line
    for name, count in Counter(header).items():
        if name in ignored:
            continue
        if count > 1:
            what = f"the column is there {count} times"
            findings.add("repeated-column", file, what, line=line, column=_shown(name))
        if name in TABLES[table].to_schema().columns:
            continue
        if kind := screen.private_name(name):
            what = f"the name of the column says that it holds {kind}"
            findings.add("private-name", file, what, line=line, column=_shown(name))
        else:
            what = f"the contract has no such column in {table}"
            findings.add("unknown-column", file, what, line=line, column=_shown(name))


def _refuse_strange_header(
    file: str, header: list[str], line: int | None, findings: Findings
) -> None:
    # the first row may be data: its cells are not repeated in a message
    if len(header) == 1 and any(mark in header[0] for mark in ";\t|"):
        findings.add("wrong-delimiter", file, "the cells are not separated by commas", line=line)
    else:
        findings.add(
            "missing-header", file, "the first row holds none of the table's columns", line=line
        )


def _check_months(
    con: duckdb.DuckDBPyConnection,
    table: str,
    file: str,
    export: ExportFile,
    findings: Findings,
) -> None:
    column = MONTH_COLUMNS.get(table)
    if column is None:
        return
    rows = con.execute(
        f"select {column}, min(line), count(*) from staged_{table}"
        f" where {column} not in (select unnest(?))"
        f" and regexp_full_match({column}, '{MONTH_PATTERN}') group by all order by 2",
        [export.months],
    ).fetchall()
    for month, line, count in rows:
        findings.add(
            "wrong-month",
            file,
            f"the month {month} is not among the delivery's months{_more(count)}",
            line=line,
            column=column,
        )
    if table == "trips" and one(con, "select count(*) from staged_trips") == (0,):
        findings.add("empty-file", file, "the table has no rows")


def _more(count: int) -> str:
    return f" (in {count} rows)" if count > 1 else ""


def _shown(name: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in name[:SHOWN_NAME])


def _has_deliveries(con: duckdb.DuckDBPyConnection) -> bool:
    (tables,) = one(
        con,
        "select count(*) from duckdb_tables()"
        " where schema_name = 'delivered' and table_name = 'delivery'",
    )
    return bool(tables)


def _known_delivery(con: duckdb.DuckDBPyConnection, content_hash: str) -> int | None:
    (known,) = one(
        con,
        "select min(delivery_no) from delivered.delivery where content_hash = ?",
        [content_hash],
    )
    return None if known is None else int(known)
