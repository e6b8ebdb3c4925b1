"""Views: the mapping's own SELECTs over its files, run where nothing but their rows can be reached.

The rows of the files that views read lie in a database of their own in the scratch folder. It is
opened apart, without access to any file and with its settings locked, the views are made there,
and what they hold is taken as a file's rows are.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import Problem, Refused
from pipeline.files.text_rows import is_nested, value_as_text
from pipeline.mapping.plan import TablePlan
from pipeline.mapping.source_rows import SHELF, Source
from pipeline.mapping.values import parts_of
from pipeline.mapping.words import problem
from pipeline.store.database import one
from pipeline.store.sql import literal, quoted
from schemas.connection import Connection
from schemas.contract import OF_THE_SERVICE
from schemas.mapping import MappingFile, View

FILE_NAME, LINE = "file_name", "line"
OWN = (FILE_NAME, LINE)
"""Columns that every source has in a view, and every view must carry on."""

MEMORY = "300MB"
CARRY = (
    "Carry both on: a view that groups rows with min(line) as line and any_value(file_name) as"
    " file_name."
)


def make_views(
    con: Connection,
    mapping: MappingFile,
    names: list[str],
    sources: dict[str, Source],
    scratch: Path,
) -> None:
    """Make every view as a table `made_<view>` of the shelf; Refused where one cannot be."""
    import duckdb

    file = scratch / f"{SHELF}.duckdb"
    con.execute(f"checkpoint {SHELF}; detach {SHELF}")
    apart = duckdb.connect(
        str(file),
        config={
            "enable_external_access": "false",
            "memory_limit": MEMORY,
            "temp_directory": str(scratch / "views"),
        },
    )
    problems: list[Problem] = []
    with apart:
        apart.execute("set timezone = 'UTC'; set lock_configuration = true")
        for name, source in sources.items():
            apart.execute(f"create view {quoted(name)} as {_as_they_name_it(source)}")
        for name in names:
            try:
                problems += _make(apart, name, mapping.views[name])
            except Refused as refusal:
                problems += refusal.problems
            if problems:
                break  # the views that read it would only fail in turn
        apart.execute("checkpoint")
    con.execute(f"attach {literal(str(file))} as {SHELF}")
    if problems:
        raise Refused(problems)


def _as_they_name_it(source: Source) -> str:
    """SQL of a source's rows under the names of its header, which SQL tells apart by more than
    case."""
    lower = [name.lower() for name in source.names]
    for name in source.names:
        if lower.count(name.lower()) > 1:
            what = "the column differs from another only in case, which a SELECT does not look at"
            raise Refused(problem("repeated-column", source.files[0], what, column=name))
    cells = [
        f"{_cell(source, name)} as {quoted(f'own_{name}' if name.lower() in OWN else name)}"
        for name in source.names
        if name in source.present
    ]
    listed = ", ".join([f"{source.file_name} as {FILE_NAME}", LINE, *cells])
    return f"select {listed} from {source.bare_relation} where broken = 0"


def _cell(source: Source, name: str) -> str:
    """SQL of a cell; what stands several times in a report is there with chr(31) between."""
    cell = source.column(name)
    if not source.repeats:
        return cell
    parts = parts_of(cell)
    one = f"case when len(list_distinct({parts})) = 1 then {parts}[1]"
    return f"nullif({one} else array_to_string({parts}, chr(31)) end, '')"


def _make(con: Connection, name: str, view: View) -> list[Problem]:
    """Make one view; what is wrong with its SELECT or with what that yields."""
    import duckdb

    place = f"views.{name}"
    try:
        statements = con.extract_statements(view.sql)
        if len(statements) != 1 or statements[0].type != duckdb.StatementType.SELECT:
            what = "a view is one SELECT, and this is something else or more"
            return [problem("view-fails", None, what, column=place)]
        con.execute(f"create table {quoted(name)} as ({view.sql.strip().rstrip(';')}\n)")
    except (duckdb.ParserException, duckdb.BinderException, duckdb.CatalogException) as error:
        what, told = _said(error, view.sql)
        return [problem("view-fails", None, what, column=place, remedy=told)]
    except duckdb.PermissionException:
        what = "a view may read the declared files alone, and this one reaches for something else"
        return [problem("view-fails", None, what, column=place)]
    except (duckdb.ConversionException, duckdb.InvalidInputException, duckdb.OutOfRangeException):
        # what the database says of it shows the cell
        what = "a cell is not what the SELECT takes it for, as text that is cast to a number"
        remedy = "Use try_cast or try_strptime, and see to what comes out empty."
        return [problem("view-fails", None, what, column=place, remedy=remedy)]
    return list(_place_faults(con, name, place))


def _said(error: Exception, sql: str) -> tuple[str, str | None]:
    """What the database says of a SELECT, in which line, and what to do where that tells."""
    text, _, place = str(error).partition("\n\nLINE ")
    at = f"line {place.partition(':')[0]} of the sql: " if place else ""
    if absent := re.search(r'Referenced column "([^"]*)" not found', text):
        there = ", ".join(re.findall(r'"[^"]*"', text[absent.end() :]))
        what = f'{at}there is no column "{absent[1]}"; there are {there or "others"}'
        quoted_so = f'"{absent[1]}"' in sql
        remedy = f"A text stands in single quotes: '{absent[1]}'." if quoted_so else None
        return what, remedy or "Name a column that is there."
    kept = [line.strip() for line in text.splitlines() if not line.startswith("Did you mean")]
    return at + " ".join(kept).partition(": ")[2].rstrip(".! "), None


def _place_faults(con: Connection, name: str, place: str) -> Iterable[Problem]:
    kinds = _kinds(con, quoted(name))
    for column in (column for column, kind in kinds.items() if is_nested(kind)):
        what = f'its column "{column}" holds lists, structures or maps'
        yield problem("nested-column", None, what, column=place)
    missing = [own for own in OWN if own not in kinds]
    if missing:
        what = f"it has no column {' and none '.join(missing)}"
        yield problem("view-without-place", None, what, column=place, remedy=CARRY)
        return
    count = one(
        con,
        f"select count(*) from {quoted(name)}"
        f" where {FILE_NAME} is null or try_cast({LINE} as INTEGER) is null",
    )[0]
    if count:
        what = f"{count} of its rows have no {FILE_NAME} or no {LINE}"
        yield problem("view-without-place", None, what, column=place, remedy=CARRY)


def _kinds(con: Connection, relation: str) -> dict[str, str]:
    return {
        str(name): str(kind) for name, kind, *_ in con.execute(f"describe {relation}").fetchall()
    }


def view_source(
    con: Connection, name: str, view: View, plans: list[TablePlan], under: list[Source]
) -> Source:
    """A view's rows as a source, in the order of the places they carry.

    Rows of the files below that do not fit their header cannot go through a SELECT. Those that may
    be of a trip come behind it, so that the trip does not look as if nothing had been charted.
    """
    files = list(dict.fromkeys(file for source in under for file in source.files))
    kinds = _kinds(con, f"{SHELF}.{quoted(name)}")
    spelled = {column.lower(): column for column in kinds}
    names = list(dict.fromkeys(c for plan in plans for c in plan.wanted()[0]))
    source = Source(f"{SHELF}.{quoted(f'made {name}')}", names, files=files)
    source.present = {wanted for wanted in names if wanted.lower() in spelled}
    optional = {n for plan in plans for n in plan.wanted()[1]}
    if problems := [
        problem("missing-column", f"views.{name}", "the view has no such column", column=wanted)
        for wanted in names
        if wanted not in source.present and wanted not in optional
    ]:
        raise Refused(problems)
    cells = [
        f"{_text(spelled.get(wanted.lower()), kinds, view.decimal)}::VARCHAR as w{at}"
        for at, wanted in enumerate(names)
    ]
    listed = ", ".join(["file_no", f"{LINE}::INTEGER as line", "0::UTINYINT as broken", *cells])
    known = (
        f"(select unnest([{', '.join(map(literal, files))}]::VARCHAR[]) as {FILE_NAME},"
        f" unnest(range({len(files)}))::INTEGER as file_no)"
    )
    rows = f"select {listed} from {SHELF}.{quoted(name)} left join {known} using ({FILE_NAME})"
    con.execute(f"create table {source.relation} as {rows} order by all")
    _check_files(con, name, source)
    source.made_from = _lines_below(con, name, under)
    if all(plan.into not in ("trips", *OF_THE_SERVICE) for plan in plans):
        _add_broken(con, source, plans, under)
    return source


def _lines_below(con: Connection, name: str, under: list[Source]) -> int:
    """How many lines the files have that a view's rows stand in."""
    named = f"(select distinct {FILE_NAME} from {SHELF}.{quoted(name)})"
    counts = [f"select count(*) from {of.relation} where {of.file_name} in {named}" for of in under]
    return sum(one(con, count)[0] for count in counts)


def _text(column: str | None, kinds: dict[str, str], decimal: str) -> str:
    """SQL for a cell of a view as the text it would be in a file."""
    if column is None:
        return "null"
    text = value_as_text(column, kinds[column])
    written = decimal == "," and kinds[column] in ("DOUBLE", "FLOAT")
    return f"replace({text}, '.', ',')" if written else text


def _check_files(con: Connection, name: str, source: Source) -> None:
    strange = one(con, f"select count(*) from {source.relation} where file_no is null")[0]
    if strange:
        what = f"{FILE_NAME} of {strange} of its rows is the name of none of the files it reads"
        raise Refused(problem("view-without-place", None, what, column=f"views.{name}"))


def _add_broken(
    con: Connection, source: Source, plans: list[TablePlan], under: list[Source]
) -> None:
    """Add the rows that do not fit their header, with the number of their trip if they have it."""
    numbers = {name for plan in plans for name in plan.specs["trip_id"].from_}
    for below in under:
        cells = ", ".join(
            below.column(name) if name in numbers and name in below.names else "null"
            for name in source.names
        )
        first = source.files.index(below.files[0]) if below.files else 0
        con.execute(
            f"insert into {source.relation} select file_no + {first}, line, broken, {cells}"
            f" from {below.relation} where broken > 0"
        )
