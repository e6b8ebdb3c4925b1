"""Deliveries of which every table is spoiled, each in a way of its own.

To check a delivery takes as long for one spoiled table as for seven. So all of them are spoiled at
once, and each counts as an input if what is said of it is told apart: a refusal must name the
table's own file; those it names are put back, and the rest are checked again until the delivery is
read; then what was set aside or doubted names the file.
"""

from __future__ import annotations

import io
import random
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline.errors import Problem, Refused
from pipeline.ingest.delivery import Staged, read_delivery
from pipeline.ingest.load import load
from pipeline.store.database import open_scratch, open_store
from schemas.contract import TABLES, sheet_name
from tests.acceptance import small_delivery
from tests.faults import world
from tests.faults.spoiling import (
    NONSENSE,
    spoil,
    spoiled_bytes,
    spoiled_numbers,
    spoiled_texts,
    spoiled_words,
)
from tests.mapping import fuzzing

FOLLOWS = ("orphan-row", "trip-set-aside")
"""What is said of a row because of its trip; where trips are spoiled it tells nothing of the row's
own file."""

Cells = Mapping[str, Sequence[list[Any]]]

ALSO_STORED = 0.02
"""The share of deliveries that are read into a store, which must hold all of one or nothing."""

TEXTS = {table: text[1:] for table, text in small_delivery.TABLES.items()}


@dataclass
class Batch:
    """A delivery of which all tables are spoiled.

    `lay` writes it with those tables spoiled and the others sound; `file` is what a message calls
    a table's file. `must`: the line that has to be set aside, of tables with a cell of nonsense.
    """

    lay: Callable[[Path, set[str]], object]
    file: Callable[[str], str]
    must: dict[str, int] = field(default_factory=dict)


def told(batch: Batch, folder: Path, draw: random.Random) -> list[str]:
    """What came of each table; AssertionError where it is not told, or nonsense is taken."""
    left, came = set(TEXTS), dict[str, str]()
    store = folder / "store.duckdb" if draw.random() < ALSO_STORED else None
    while left:
        batch.lay(folder / "delivery", left)
        try:
            said = _said(folder / "delivery", store)
        except Refused as refused:
            small_delivery.check_sentences(refused)
            names = {Path(problem.file or "").name for problem in refused.problems}
            named = {table for table in left if batch.file(table) in names}
            if not named:
                raise AssertionError(f"no spoiled file is named: {refused.problems}") from None
            came |= dict.fromkeys(named, "refused")
            left -= named
            continue
        for table in left:
            own = [p for p in said if p.file == batch.file(table)]
            if "trips" in left - {table}:
                own = [p for p in own if p.code not in FOLLOWS]
            if table in batch.must and batch.must[table] not in [p.line for p in own]:
                raise AssertionError(f"nonsense was taken in silence, in {table}: {own}")
            came[table] = "set aside or doubtful" if own else "read"
        break
    return list(came.values())


def _said(delivery: Path, store: Path | None) -> list[Problem]:
    """Everything that is said of a delivery that is not refused."""
    if store is None:
        with open_scratch() as con:
            staged = read_delivery(con, delivery)
            return staged.problems(con) + staged.doubtful(con)
    store.unlink(missing_ok=True)
    con = open_store(store)
    try:
        staged = read_delivery(con, delivery)
        said = staged.problems(con) + staged.doubtful(con)
        load(con, staged)
    except Refused:
        con.close()
        held = [name for name, what in world.tables(store.parent).items() if "(0, " not in what]
        assert held == [], f"a refused delivery left something in the store: {held}"
        raise
    con.close()
    _all_is_stored(store, staged)
    return said


def _all_is_stored(store: Path, staged: Staged) -> None:
    """Every row of every file is kept or set aside."""
    rows = small_delivery.ask(store, "select file, rows_read, rows_kept from delivered.file")
    aside = small_delivery.ask(store, "select distinct file, line from delivered.set_aside")
    for name, read, kept in rows:
        if read is not None:
            lines = sum(file == name for file, _ in aside)
            assert read == kept + lines, f"{name}: {read} read, {kept} kept, {lines} set aside"
    assert len(rows) == len(staged.parts.all)


def as_csv(draw: random.Random, folder: Path) -> list[str]:
    """Files of text: words, bytes or a cell of nonsense."""
    must = dict[str, int]()
    files = {}
    # those that are refused, which most spoiled bytes are, by themselves: a second look is rare
    by_bytes = draw.random() < 0.3
    for table, text in TEXTS.items():
        header, _, body = text.partition("\n")
        if by_bytes:
            whole = draw.random() < 0.3
            spoiled = spoiled_bytes(draw, (text if whole else body).encode())
            files[table] = spoiled if whole else f"{header}\n".encode() + spoiled
        elif draw.random() < 0.6 and strict_columns(table):
            files[table], must[table] = with_nonsense(draw, text, table)
        else:
            how = draw.choice([spoiled_words, spoiled_numbers])
            files[table] = f"{header}\n".encode() + how(draw, body.encode())

    def lay(to: Path, spoiled: set[str]) -> None:
        small_delivery.write(to, **{table: files[table] for table in spoiled})

    return told(Batch(lay, lambda table: f"{table}.csv", must), folder, draw)


ODD = ["TRY_CAST({} AS INTEGER)", "TRY_CAST({} AS DECIMAL(9, 3))", "{}", "TRY_CAST({} AS DOUBLE)",
       "TRY_CAST({} AS HUGEINT)", "NULL", "upper({})", "{} || '0'", "0", "-1", "'nan'", "true",
       "TRY_CAST({} AS FLOAT) / 0", "repeat({}, 40)", "' ' || {}", "chr(8238) || {}"]  # fmt: skip
NESTED = ["[{}]", "encode({})", "struct_pack(a := {})", "current_date", "interval 1 day",
          "map([coalesce({}, '')], [1])", "TIME '12:00'", "uuid()", "1::BIT"]  # fmt: skip
"""What a column may hold, and what no column of the contract is."""


def as_parquet(draw: random.Random, folder: Path) -> list[str]:
    """Parquet files: a column of another type or content, or spoiled bytes."""
    damaged = draw.random() < 0.3
    files = {table: _parquet(draw, table, folder, damaged=damaged) for table in TEXTS}

    def lay(to: Path, spoiled: set[str]) -> None:
        small_delivery.write(to, **dict.fromkeys(spoiled))
        for table in TEXTS:
            path = to / f"{table}.parquet"
            path.unlink(missing_ok=True)
            if table in spoiled:
                (to / f"{table}.csv").unlink(missing_ok=True)
                path.write_bytes(files[table])

    return told(Batch(lay, lambda table: f"{table}.parquet"), folder, draw)


def _parquet(draw: random.Random, table: str, folder: Path, *, damaged: bool) -> bytes:
    con = fuzzing._database()
    text, path = folder / "t.csv", folder / "t.parquet"
    text.write_text(TEXTS[table], encoding="utf-8")
    # a table first: a cast of a column read from text would become the reader's own
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE as_text AS FROM read_csv('{text}', all_varchar = true)"
    )
    columns = TEXTS[table].splitlines()[0].split(",")
    odd, at = draw.choice(NESTED if damaged else ODD), draw.choice(columns)
    made = ", ".join(f'{odd.format(c) if c == at else c} AS "{c}"' for c in columns)
    con.execute(f"COPY (SELECT {made} FROM as_text) TO '{path}'")
    data = path.read_bytes()
    path.unlink()
    text.unlink()
    return spoiled_bytes(draw, data) if damaged and draw.random() < 0.7 else data


ODD_CELLS: list[object] = [-1, 0, 1e9, 0.5, True, "", "=1+1", "abc", "1 2", "9" * 40, "007", "½"]


def as_workbook(draw: random.Random, folder: Path) -> list[str]:
    """Sheets of one workbook: odd cells, or texts in their XML; now and then the file itself.

    Where the XML is not well formed the whole workbook is refused, so that is an input by itself.
    """
    rows = {table: [line.split(",") for line in text.splitlines()] for table, text in TEXTS.items()}
    sound = _saved(rows)
    if draw.random() < 0.25:
        return [_whole_book(draw, folder, sound)]
    odd: Cells = {table: [list(row) for row in rows[table]] for table in rows}
    parts, must = dict[str, bytes](), dict[str, int]()
    for table, (header, *_) in rows.items():
        line, kind = draw.randrange(1, len(rows[table])), draw.random()
        if kind < 0.35 and strict_columns(table):
            odd[table][line][header.index(_one_of(draw, strict_columns(table), header))] = (
                draw.choice(NONSENSE)
            )
            must[table] = line + 1
        elif kind < 0.5:
            odd[table][line][draw.randrange(len(header))] = draw.choice(ODD_CELLS)
        else:
            parts[table] = spoiled_texts(draw, _part(sound, _sheet_part(table)))

    def lay(to: Path, spoiled: set[str]) -> None:
        small_delivery.write(to, **dict.fromkeys(rows))
        data = _saved({table: odd[table] if table in spoiled else rows[table] for table in rows})
        for table in spoiled & parts.keys():
            data = fuzzing.repacked(data, _sheet_part(table), parts[table])
        (to / "tables.xlsx").write_bytes(data)

    return told(Batch(lay, sheet_name, must), folder, draw)


def _sheet_part(table: str) -> str:
    return f"xl/worksheets/sheet{1 + list(TEXTS).index(table)}.xml"


def _part(book: bytes, name: str) -> bytes:
    with zipfile.ZipFile(io.BytesIO(book)) as parts:
        return parts.read(name)


def _saved(rows: Cells) -> bytes:
    """A workbook with its texts in the sheets themselves."""
    import xlsxwriter

    out = io.BytesIO()
    stated = {"constant_memory": True, "strings_to_formulas": False}
    with xlsxwriter.Workbook(out, stated) as book:
        for table, lines in rows.items():
            sheet = book.add_worksheet(table)
            for number, cells in enumerate(lines):
                sheet.write_row(number, 0, cells)
    return out.getvalue()


def _whole_book(draw: random.Random, folder: Path, sound: bytes) -> str:
    """A workbook with its own bytes spoiled, or those of one of its parts."""
    small_delivery.write(folder / "delivery", **dict.fromkeys(TEXTS))
    book = spoiled_bytes(draw, sound)
    if draw.random() < 0.7:
        with zipfile.ZipFile(io.BytesIO(sound)) as parts:
            names = [name for name in parts.namelist() if "docProps" not in name]
        part = draw.choice(names)
        book = fuzzing.repacked(sound, part, spoil(draw, _part(sound, part)))
    (folder / "delivery" / "tables.xlsx").write_bytes(book)
    return "set aside or doubtful" if _said(folder / "delivery", None) else "read"


def _one_of(draw: random.Random, columns: list[str], header: list[str]) -> str:
    return draw.choice([name for name in columns if name in header])


def strict_columns(table: str) -> list[str]:
    """Columns of a table that take numbers or codes alone."""
    return [
        name
        for name, column in TABLES[table].to_schema().columns.items()
        if str(column.dtype) not in ("string", "bool")
        or any("allowed_values" in check.statistics for check in column.checks)
    ]


def with_nonsense(draw: random.Random, text: str, table: str) -> tuple[bytes, int]:
    """A table with one of its strict cells replaced, and the line, which must be set aside."""
    lines = text.splitlines()
    header = lines[0].split(",")
    row = draw.randrange(1, len(lines))
    cells = lines[row].split(",")
    cells[header.index(_one_of(draw, strict_columns(table), header))] = draw.choice(NONSENSE)
    lines[row] = ",".join(cells)
    return ("\n".join(lines) + "\n").encode(), row + 1
