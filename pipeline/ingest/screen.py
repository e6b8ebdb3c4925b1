"""The privacy screen: does a column's name or content look as if it identifies a person?

A finding names file, column and line, never the value. It is a net, not a proof: the local
privacy officer decides.
"""

from __future__ import annotations

import re

from pipeline.ingest.identifiers import GENERATED, MOSTLY, PERSONAL, PLAIN_NUMBER, UNITS, WORD_OF
from pipeline.ingest.looks import alphabet, looks, prepare
from pipeline.ingest.places import STAGED
from pipeline.ingest.problems import Findings
from pipeline.store.database import one
from pipeline.store.sql import literal, quoted
from schemas.connection import Connection
from schemas.contract import TABLES
from schemas.export_file import VOCABULARY_COLUMNS, ExportFile

OF_TOKENS = (
    "a record number",
    "a serial number",
    "a long number, as record, account or phone numbers are",
)
"""What tokens may look like where export.toml says that they are tokens."""

FEWEST_NUMBERS, FAR_APART = 10, 20
"""So many numbers of a column tell whether they were given out in turn: those that were lie less
than this far apart on average."""


def private_name(column: str) -> str | None:
    """Return what a column's name says it holds ("a date of birth"), or None."""
    spaced = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", " ", column)
    words = [w for w in re.split(r"[^a-z0-9]+", spaced.lower()) if w]
    joined = "".join(words)
    for word in [*words, joined]:
        if word in WORD_OF:
            return WORD_OF[word]
    return None


def screen_tables(
    con: Connection, files: dict[str, str], export: ExportFile, findings: Findings
) -> None:
    """Add a finding for every column of the staged tables whose content looks identifying.

    `files`: the name of the file by table; tables that could not be staged are left out. Leaves
    the texts, as `looks` asks of them, in the table `screened`.
    """
    con.execute(
        f"create or replace table {STAGED}.screened"
        " (table_name VARCHAR, name VARCHAR, value VARCHAR)"
    )
    for table in files:
        _collect(con, table, trips="trips" in files, faulty=table in findings.faulty)
    _exempt_generated(con)
    prepare(con, "screened")
    put = alphabet(con, "screened")
    conditions = _conditions({what: put(sql) for what, sql in looks().items()}, export)
    answers = ", ".join(f"bool_or({condition})" for condition in conditions.values())
    rows = con.execute(
        f"select table_name, name, {answers} from screened group by table_name, name order by all"
    ).fetchall()
    found = [
        (table, name, what) for table, name, *given in rows
        for what, answer in zip(conditions, given, strict=True) if answer
    ]  # fmt: skip
    for table, name, what in found:
        line, count = _where(con, table, name, conditions[what])
        more = f", and so do {count - 1} more" if count > 1 else ""
        findings.add(
            "private-content",
            files[table],
            f"the cell looks like {what}{more}",
            line=line,
            column=name or None,
            remedy=_remedy(what, name),
        )


def free_columns(table: str) -> list[str]:
    """The columns whose texts nobody listed beforehand, so that they may say anything."""
    return [
        name for name, field in TABLES[table].to_schema().columns.items()
        if str(field.dtype) == "string"
        and not any("allowed_values" in check.statistics for check in field.checks)
    ]  # fmt: skip


def declared(export: ExportFile) -> dict[str, list[str]]:
    """The words that `[vocabulary]` declares for each column of a delivery."""
    return {
        column: words
        for kind, columns in VOCABULARY_COLUMNS.items()
        if (words := getattr(export.vocabulary, kind)) is not None
        for column in columns
    }


def _conditions(conditions: dict[str, str], export: ExportFile) -> dict[str, str]:
    """Those of `looks`, less what export.toml declares: words, and which numbers are tokens."""
    own = [
        f"(name = {literal(column)} and value in ({', '.join(map(literal, words))}))"
        for column, words in declared(export).items()
        if words
    ]
    if own:
        conditions["a person's name"] += f" and not ({' or '.join(own)})"
    conditions["a record number"] += f" or {_scattered()}"
    tokens = export.tokens.columns
    if tokens:
        stated = f"name not in ({', '.join(map(literal, tokens))})"
        for what in OF_TOKENS:
            conditions[what] = f"({conditions[what]}) and {stated}"
    return conditions


def _remedy(what: str, column: str) -> str | None:
    """A narrower remedy, where export.toml can say that the texts are what they should be."""
    if what in OF_TOKENS and column in (*PERSONAL, *UNITS):
        key = "units" if column in UNITS else column
        return (
            "Replace it by a token at the source; if it is one already, say so in export.toml:"
            f' [tokens] {key} = "assigned", or "hashed"'
        )
    for kind, columns in VOCABULARY_COLUMNS.items():
        if what == "a person's name" and column in columns:
            return (
                "Replace it at the source, or declare it if it is a word of your service: under"
                f" {kind} of [vocabulary] in export.toml"
            )
    return None


def _scattered() -> str:
    """SQL for numbers of a column of little else that lie far apart, as record numbers do.

    Numbers that a service gives out one after the other lie side by side.
    """
    people = ", ".join(map(literal, PERSONAL))
    return f"""(name in ({people}) and regexp_matches(seen, {literal(PLAIN_NUMBER)})
        and (table_name, name) in (
            select (table_name, name) from (
                select table_name, name, count(*) as texts,
                       count(*) filter (regexp_matches(seen, {literal(PLAIN_NUMBER)})) as numbers,
                       max(n) - min(n) as span
                from (select *, case when regexp_matches(seen, {literal(PLAIN_NUMBER)})
                                then try_cast(seen as HUGEINT) end as n from screened)
                group by all)
            where numbers >= {FEWEST_NUMBERS} and numbers >= {MOSTLY} * texts
              and span >= {FAR_APART} * numbers))"""


def _collect(con: Connection, table: str, *, trips: bool, faulty: bool) -> None:
    """Add the distinct texts of each column that are to be looked at to `screened`.

    Those are the columns of free tokens, and whatever else could not be read as its column asks.
    """
    selects = []
    for name in free_columns(table):
        known = trips and table != "trips" and name == "trip_id"
        unless = "where trip_id not in (select trip_id from staged_trips where trip_id is not null)"
        selects.append(
            f"select distinct {literal(name)} as name, {quoted(name)} as value"
            f" from staged_{table} {unless if known else ''}"
        )
    if faulty:
        selects.append(_bad_cells(table))
    con.execute(
        f"insert into screened select {literal(table)}, * from ("
        + " union all ".join(selects)
        + ") where value is not null group by all"
    )


def _bad_cells(table: str) -> str:
    """SQL for the texts of cells that broke a rule, and of rows that do not fit the header."""
    return f"""
        select rules.column_name as name, bad.value
        from (select unnest(codes) as code, unnest(range(1, len(codes) + 1)) as position,
                     unnest(raw) as value
              from staged_{table} where codes is not null) bad
        join (select distinct position, column_name from cell_rules
              where table_name = '{table}') rules using (position)
        where bad.code > 0
        union all
        select '' as name, unnest(string_split(raw[-1], chr(10))) as value
        from staged_{table} where reject_code > 0
    """


def _exempt_generated(con: Connection) -> None:
    """Leave keyed hashes out where a column holds little else; numbers alone are not hashes."""
    con.execute(f"""
        delete from screened
        where regexp_full_match(value, '{GENERATED}') and (table_name, name) in (
            select (table_name, name) from screened group by table_name, name
            having avg((regexp_full_match(value, '{GENERATED}')
                and regexp_matches(value, '[A-Fa-f]'))::INT) >= {MOSTLY})
    """)


def _where(con: Connection, table: str, name: str, condition: str) -> tuple[int, int]:
    """Line of the first row with such a cell, and how many rows have one."""
    if name == "":
        cells = (
            f"select line, unnest(string_split(raw[-1], chr(10))) as value"
            f" from staged_{table} where reject_code > 0"
        )
    else:
        cells = f"""
            select line, {quoted(name)}::VARCHAR as value from staged_{table}
            union all
            select line, raw[rules.position] from staged_{table}
            join (select distinct position from cell_rules
                  where table_name = '{table}' and column_name = {literal(name)}) rules on true
            where codes is not null
        """
    line, count = one(
        con,
        f"select min(line), count(distinct line) from ({cells}) where value in"
        f" (select value from screened where table_name = {literal(table)}"
        f" and name = {literal(name)} and {condition})",
    )
    return line, count
