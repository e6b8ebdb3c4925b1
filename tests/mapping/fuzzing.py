"""One input into one reader: either it is read, or it is refused with a sentence."""

from __future__ import annotations

import io
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import duckdb

from pipeline.errors import Mistake, Refused
from pipeline.files import Unreadable
from pipeline.files.workbook import Workbook
from pipeline.ingest import stage
from pipeline.ingest.delivery_files import read_part
from pipeline.ingest.file_readers import TableFile, header_of
from pipeline.ingest.problems import Findings
from pipeline.ingest.rows_of_trips import reading
from pipeline.ingest.settings_files import read_protocol_file
from pipeline.ingest.workbook import tables_in
from pipeline.mapping.files import Found
from pipeline.mapping.plan import plans
from pipeline.mapping.read_mapping import read_mapping, shipped
from pipeline.mapping.samples import samples
from pipeline.mapping.source_rows import Source, read_file
from pipeline.mapping.sources import read_sources
from schemas.mapping import SourceFile
from schemas.mapping_text import parse_mapping
from tests.mapping import reports_system, small_source

SPECS = [
    SourceFile.model_validate({"path": "x", **more})
    for more in (
        {},
        {"delimiter": ";", "decimal": ",", "encoding": "windows-1252"},
        {"encoding": "utf-16", "header_line": 2},
    )
]
SHEET, PARQUET = (SourceFile.model_validate({"path": f"x.{end}"}) for end in ("xlsx", "parquet"))
REPORTS = parse_mapping(reports_system.MAPPING, shipped())


def one(read: Callable[[Path, Path], object], data: bytes, name: str) -> bool:
    """Read one file in a folder of its own; True if it was read, False if it was refused."""
    with tempfile.TemporaryDirectory() as made:
        folder, scratch = Path(made) / "in", Path(made) / "scratch"
        folder.mkdir()
        scratch.mkdir()
        path = folder / name
        path.write_bytes(data)
        try:
            read(path, scratch)
        except Refused as refused:
            small_source.check(refused)
            return False
        finally:
            assert path.read_bytes() == data
        return True


def mapping(data: bytes) -> bool:
    """A mapping file."""
    return one(lambda path, _: read_mapping(path), data, "mapping.toml")


def protocol(data: bytes) -> bool:
    """A protocol file."""
    return one(lambda path, _: read_protocol_file(path), data, "protocol.toml")


def delimited(data: bytes) -> bool:
    """A delimited file, in each of three dialects."""
    kinds = [
        one(lambda path, scratch, spec=spec: _table(path, scratch, spec), data, "f")  # type: ignore[misc]
        for spec in SPECS
    ]
    return any(kinds)


def workbook(data: bytes) -> bool:
    """A workbook."""
    return one(lambda path, scratch: _table(path, scratch, SHEET), data, "f.xlsx")


def parquet(data: bytes) -> bool:
    """A Parquet file."""

    return one(lambda path, scratch: _table(path, scratch, PARQUET), data, "f.parquet")


@cache
def _database() -> duckdb.DuckDBPyConnection:
    """One for all inputs: to open one takes longer than most inputs do."""
    return duckdb.connect(config={"threads": 1})


def _table(path: Path, scratch: Path, spec: SourceFile) -> None:
    con = _database()
    con.execute("drop table if exists source_0")
    source = Source("source_0", ["case", "kg"], frozenset({"case", "kg"}))
    source.create(con)
    read_file(con, source, Found(path, path.name), spec, scratch)
    con.execute("select count(*), count(w0), min(line) from source_0").fetchall()


def reports(data: bytes) -> bool:
    """A document of patient care reports."""

    def read(path: Path, scratch: Path) -> None:
        used = [plan for plan in plans(REPORTS) if plan.map.from_ == "reports"]
        with duckdb.connect(config={"threads": 1}) as con:
            read_sources(con, path, REPORTS, used, scratch)

    return one(read, data, "in.xml")


def suggested(data: bytes) -> bool:
    """A file to draft a mapping for: the draft is always TOML."""
    import tomllib

    from pipeline.mapping.suggest import suggest

    def read(path: Path, _: Path) -> None:
        tomllib.loads(suggest(path))
        assert samples(path)

    return one(read, data, "in.csv")


def delivered(data: bytes) -> bool:
    """A table of a delivery, as a file of text."""
    return one(lambda path, _: _staged(path, "crew.csv"), data, "crew.csv")


def delivered_book(data: bytes) -> bool:
    """A table of a delivery, as the sheet of a workbook."""
    return one(lambda path, _: _staged(path, "sheet crew of the workbook"), data, "d.xlsx")


def _staged(path: Path, name: str) -> None:
    """Read one table as a delivery's reader does, up to where its rows are judged."""
    con, findings = _database(), Findings()
    stage.prepare(con)
    content = read_part(path, findings)
    try:
        if content is not None and path.suffix == ".xlsx":
            book = Workbook(path)
            found = "crew" in tables_in(book, findings)
            content = replace(content, sheet="crew", book=book) if found else None
        if content is not None:
            assert content.name == name
            header = header_of(con, "crew", content)
            present = [column for column in ("trip_id", "crew_member") if column in header]
            table = TableFile("crew", content, header, present)
            # a table without it is refused by its header
            with reading(con, [table]) as begun:
                if "trip_id" in present and stage.stage_table(con, table, findings, begun):
                    con.execute("select count(*), min(line), count(crew_member) from staged_crew")
    except Unreadable as error:
        findings.unreadable(name, error)
    if content is not None and content.book:
        content.book.close()
    if findings.refusals:
        raise Refused(findings.refusals)


def whole(folder: Path) -> bool:
    """A source as a whole: a delivery, or nothing at all."""
    target = folder.parent / f"{folder.name}-mapped"
    try:
        small_source.run(folder)
    except Mistake as mistake:
        small_source.check(mistake)
        assert not target.exists()
        return False
    finally:
        assert not list(folder.parent.glob(".*unfinished"))
    return True


def book(cells: list[list[object]], title: str = "Sheet") -> bytes:
    """A workbook's bytes."""
    import openpyxl

    made = openpyxl.Workbook()
    made.active.title = title
    for row in cells:
        made.active.append(row)
    out = io.BytesIO()
    made.save(out)
    return out.getvalue()


def repacked(data: bytes, part: str, content: bytes) -> bytes:
    """A workbook's bytes with one part's content replaced."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for name in old.namelist():
            new.writestr(name, content if name.endswith(part) else old.read(name))
    return out.getvalue()


TARGETS = {
    "mapping": mapping, "protocol": protocol, "delimited": delimited, "workbook": workbook,
    "parquet": parquet, "reports": reports, "suggested": suggested, "delivered": delivered,
    "delivered_book": delivered_book,
}  # fmt: skip
