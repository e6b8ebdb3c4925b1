"""Delimited files, Parquet and workbooks as other programs write them, and how they go wrong."""

from __future__ import annotations

import gzip
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Any

import duckdb
import openpyxl
import pytest

from tests.deep import examples
from tests.mapping import small_source

pytestmark = pytest.mark.usefixtures("without_screen")

UMLAUT = 'case;month;site;kind;kg;dx\r\n007;2026-03;Süd €;ground;"8,4";"eins\r\nzwei"\r\n'


ENCODINGS = [
    ("utf-8", "utf-8"),
    ("utf-8-sig", "utf-8"),
    ("utf-16", "utf-8"),  # a byte order mark outweighs what is stated
    ("utf-16-le", "utf-16-le"),
    ("utf-16-be", "utf-16-be"),
    ("cp1252", "windows-1252"),
]
ENCODED = [(*encoding, packed) for packed in (False, True) for encoding in ENCODINGS]
IN_SHORT = [*ENCODED[: len(ENCODINGS)], ("utf-16", "utf-8", True), ("cp1252", "windows-1252", True)]
"""A packed file is unpacked first, then read as any other."""


@pytest.mark.parametrize(("encoding", "stated", "packed"), ENCODED if examples(0, 1) else IN_SHORT)
def test_encodings(tmp_path: Path, encoding: str, stated: str, packed: bool) -> None:
    data = UMLAUT.encode(encoding)
    name = "trips.csv.gz" if packed else "trips.csv"
    folder = small_source.source(
        tmp_path / "in",
        {name: gzip.compress(data, mtime=0) if packed else data},
        trips_file=f'encoding = "{stated}"\ndelimiter = ";"\ndecimal = ","',
        columns='weight_kg = "kg"',
    )
    text = (folder / "mapping.toml").read_text().replace('"trips.csv"', f'"{name}"')
    (folder / "mapping.toml").write_text(text)
    small_source.run(folder)
    (row,) = small_source.rows(folder)
    assert (row["trip_id"], row["base"], row["weight_kg"]) == ("007", "Süd €", "8.4")
    assert row["diagnosis_group"] == "eins\r\nzwei"


MARKS, LINE_ENDS = (",", ";", "\t", "|"), ("\n", "\r\n", "\r")
DELIMITED = [(mark, end) for mark in MARKS for end in LINE_ENDS]


# in short each mark and each line end
@pytest.mark.parametrize(("mark", "line_end"), DELIMITED if examples(0, 1) else DELIMITED[::2])
def test_delimiters_and_line_ends(tmp_path: Path, line_end: str, mark: str) -> None:
    text = small_source.TRIPS.replace(",", mark).replace("\n", line_end)
    stated = mark.replace("\t", "\\t")
    folder = small_source.source(
        tmp_path / "in", {"trips.csv": text}, trips_file=f'delimiter = "{stated}"'
    )
    small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "T2"]


def test_lines_are_those_of_the_file(tmp_path: Path) -> None:
    text = (
        "made on a Monday\n"
        + small_source.TRIPS
        + '\nT3,2026-03,b1,ground,"x\ny",croup\nT4,x,b1,,1,a\n'
    )
    folder = small_source.source(
        tmp_path / "in",
        {"trips.csv": text},
        trips_file="header_line = 2",
        columns='weight_kg = "kg"',
    )
    mapped = small_source.run(folder)
    assert small_source.found(mapped) == [
        ("trips.csv", 6, "kg", "not-a-number"),
        ("trips.csv", 8, "month", "not-a-time"),
    ]
    assert small_source.column(folder, "trip_id") == ["007", "T2", "T3", "T4"]


def test_a_row_that_does_not_fit_keeps_its_trip_and_nothing_else(tmp_path: Path) -> None:
    text = (
        small_source.TRIPS
        + "T3,2026-03,b1\nT4,2026-03,b1,ground,1,a,b\n"
        + 'T5,"x"y,b1,ground,1,a\n'
    )
    folder = small_source.source(tmp_path / "in", {"trips.csv": text}, columns='weight_kg = "kg"')
    mapped = small_source.run(folder)
    assert small_source.found(mapped) == [
        ("trips.csv", 4, None, "ragged-row"),
        ("trips.csv", 6, None, "bad-quoting"),
    ]
    rows = small_source.rows(folder)[2:]
    assert [row["trip_id"] for row in rows] == ["T3", "T4", ""]
    assert {row[name] for row in rows for name in ("base", "weight_kg", "service_month")} == {
        "unreadable"
    }


def test_several_files_of_one_kind(tmp_path: Path) -> None:
    files = {f"trips {n}.csv": small_source.TRIPS.replace("007", f"00{n}") for n in (1, 2)}
    folder = small_source.source(tmp_path / "in", files)
    text = (folder / "mapping.toml").read_text().replace('"trips.csv"', '"trips ?.csv"')
    (folder / "mapping.toml").write_text(text)
    mapped = small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["001", "T2", "002", "T2"]
    assert {(p.file, p.code) for p in mapped.problems} == {
        ("trips 1.csv", "repeated-trip"), ("trips 2.csv", "repeated-trip"),
    }  # fmt: skip


def test_parquet(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in", columns='weight_kg = "kg"\nspo2_exempt = "x"\n'
                        'departed_s = { from = "left", time = "iso" }',
                        trips='bedside = { from = "at", time = "iso" }',
                        top='time_zone = "Europe/Berlin"')  # fmt: skip
    path = folder / "trips.parquet"
    duckdb.sql(f"""
        copy (select '007' as "case", 'b1' as site, 'ground' as kind, 8.5::DOUBLE as kg,
            'a' as dx, true as x, timestamp '2026-03-03 10:00:00' as at,
            timestamptz '2026-03-03 10:40:00+02:00' as "left", [1, 2] as never)
        to '{path}' (format parquet)
    """)
    text = (folder / "mapping.toml").read_text().replace('"trips.csv"', '"trips.parquet"')
    (folder / "mapping.toml").write_text(text)
    small_source.run(folder)
    (row,) = small_source.rows(folder)
    assert (row["trip_id"], row["weight_kg"], row["spo2_exempt"]) == ("007", "8.5", "true")
    assert (row["service_month"], row["departed_s"]) == ("2026-03", "-1200")


def book(path: Path, cells: list[list[Any]], change: Any = None) -> None:
    workbook = openpyxl.Workbook()
    for row in cells:
        workbook.active.append(row)
    if change:
        change(workbook)
    workbook.save(path)


WINDOWS = 'encoding = "windows-1252"'
HEADER = ["case", "month", "site", "kind", "kg", "dx"]
ROW = ["007", "2026-03", "b1", "ground", 8.5, "a"]


def sheet_source(tmp_path: Path, cells: list[list[Any]], change: Any = None, **parts: str) -> Path:
    folder = small_source.source(tmp_path / "in", **parts)
    text = (folder / "mapping.toml").read_text().replace('"trips.csv"', '"book.xlsx"')
    (folder / "mapping.toml").write_text(text)
    book(folder / "book.xlsx", cells, change)
    return folder


def test_typed_cells(tmp_path: Path) -> None:
    spec = 'weight_kg = "kg"\nplanned_transit_min = { from = "plan", unit = "h:mm" }\n'
    spec += 'arrived_s = { from = "gone", unit = "h:mm" }\nspo2_exempt = "x"\n'
    spec += 'sending_fio2 = { from = "o2", unit = "percent" }'
    cells: list[list[Any]] = [
        [*HEADER, "plan", "gone", "x", "o2"],
        [7.0, "2026-03", "b1", "ground", 8.5, "a", time(1, 30), timedelta(hours=26), True, 0.29],
        ["", None, None, None, None, None],
        ["8", "2026-03", "b1", "ground", 8, "a", "0:45", None, False, None],
    ]

    def percent(workbook: openpyxl.Workbook) -> None:
        workbook.active.cell(2, 10).number_format = "0.0%"

    folder = sheet_source(tmp_path, cells, percent, columns=spec)
    small_source.run(folder)
    first, second = small_source.rows(folder)
    assert first["trip_id"] == "7"
    assert (first["weight_kg"], second["weight_kg"]) == ("8.5", "8")
    assert (first["planned_transit_min"], second["planned_transit_min"]) == ("90", "45")
    assert (first["arrived_s"], first["spo2_exempt"]) == ("93600", "true")
    assert (first["sending_fio2"], second["sending_fio2"]) == ("0.29", "")


def test_dates_of_a_workbook(tmp_path: Path) -> None:
    cells: list[list[Any]] = [
        ["case", "site", "kind", "dx", "at", "left"],
        ["1", "b1", "ground", "a", datetime(2026, 3, 3, 10, 35), datetime(2026, 3, 3, 11, 0, 30)],
        ["2", "b1", "ground", "a", "3/4/2026 10:35", time(10, 40)],
    ]
    folder = sheet_source(
        tmp_path, cells, top='time_zone = "America/Denver"',
        trips='bedside = { from = "at", time = "%m/%d/%Y %H:%M" }',
        columns='departed_s = { from = "left", time = "%m/%d/%Y %H:%M" }',
    )  # fmt: skip
    mapped = small_source.run(folder)
    assert small_source.column(folder, "departed_s") == ["1530", "unreadable"]
    assert small_source.found(mapped) == [("book.xlsx", 3, "left", "not-a-time")]


@pytest.mark.parametrize("ref", ["A1:B1", "A1:A2", "C2:D2"])
def test_merged_cells_are_refused(tmp_path: Path, ref: str) -> None:
    folder = sheet_source(tmp_path, [HEADER, ROW], lambda w: w.active.merge_cells(ref))
    problem = small_source.refusal(folder) if ref != "A1:B1" else small_source.refusals(folder)[0]
    assert problem.code in ("merged-cells", "missing-column")
    assert ref in problem.what or problem.code == "missing-column"


def test_a_formula_without_its_value_is_refused(tmp_path: Path) -> None:
    """A program that does not compute leaves nothing in the cell, which would read as empty."""
    row = [*ROW[:4], "=8+1", "a"]
    folder = sheet_source(tmp_path, [HEADER, row], columns='weight_kg = "kg"')
    problem = small_source.refusal(folder)
    assert (problem.code, problem.column) == ("formula-not-computed", "E2")
    other = sheet_source(tmp_path / "other", [HEADER, row])
    small_source.run(other)


def test_what_a_sheet_says_of_its_size_is_not_believed(tmp_path: Path) -> None:
    import zipfile

    folder = sheet_source(tmp_path, [HEADER, ROW, ["8", *ROW[1:]]])
    path = folder / "book.xlsx"
    with zipfile.ZipFile(path) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    sheet = "xl/worksheets/sheet1.xml"
    assert b'<dimension ref="A1:F3"' in parts[sheet]
    parts[sheet] = parts[sheet].replace(b'<dimension ref="A1:F3"', b'<dimension ref="A1:F2"')
    with zipfile.ZipFile(path, "w") as new:
        for name, data in parts.items():
            new.writestr(name, data)
    small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "8"]


def test_which_sheet(tmp_path: Path) -> None:
    def second(workbook: openpyxl.Workbook) -> None:
        workbook.create_sheet("Other")

    folder = sheet_source(tmp_path, [HEADER, ROW], second)
    problem = small_source.refusal(folder)
    assert problem.code == "no-such-sheet"
    assert '"Sheet", "Other"' in problem.what
    named = sheet_source(tmp_path / "x", [HEADER, ROW], second, trips_file='sheet = "Shet"')
    assert small_source.refusal(named).code == "no-such-sheet"


@pytest.mark.parametrize(
    ("text", "code", "line", "parts"),
    [
        ("", "empty-file", 1, {}),
        ("\n\n", "empty-file", 1, {}),
        (small_source.TRIPS.replace(",", ";"), "wrong-delimiter", 1, {}),
        (small_source.TRIPS.replace("case", "Case"), "missing-column", 1, {}),
        (small_source.TRIPS.replace("kg", "case"), "repeated-column", 1, {}),
        (small_source.TRIPS.replace("007", '"007'), "open-quote", 2, {}),
        (small_source.TRIPS.replace("case", '"case'), "open-quote", 1, {}),
        (small_source.TRIPS.encode() + b"\xff\xfe\n", "not-utf8", 4, {}),
        ("x" + small_source.TRIPS + "\x81\n", "wrong-encoding", 4, {"trips_file": WINDOWS}),
        (small_source.TRIPS.encode("utf-16-le"), "nul-bytes", 1, {}),
        (b"\x1f\x8b\x08rubbish", "not-gzip", None, {}),
        (gzip.compress(small_source.TRIPS.encode(), mtime=0)[:-9], "not-gzip", None, {}),
    ],
)  # fmt: skip
def test_files_that_cannot_be_read(
    tmp_path: Path, text: Any, code: str, line: int | None, parts: dict[str, str]
) -> None:
    data = text.encode("latin-1") if isinstance(text, str) else text
    problem = small_source.refusal(
        small_source.source(tmp_path / "in", {"trips.csv": data}, **parts)
    )
    assert (problem.file, problem.code, problem.line) == ("trips.csv", code, line)


def test_every_missing_column_of_every_file_is_said_at_once(tmp_path: Path) -> None:
    folder = small_source.source(
        tmp_path / "in", columns='weight_kg = "weight"\nage_months = "months"'
    )
    problems = small_source.refusals(folder)
    assert [(p.code, p.column) for p in problems] == [
        ("missing-column", "months"), ("missing-column", "weight"),
    ]  # fmt: skip
    assert 'there is "month"' in problems[0].what


@pytest.mark.parametrize(
    ("name", "data"), [("trips.xlsx", b"PK\x03\x04rubbish"), ("trips.parquet", b"PAR1rubbish")]
)
def test_damaged_files(tmp_path: Path, name: str, data: bytes) -> None:
    folder = small_source.source(tmp_path / "in", {name: data})
    text = (folder / "mapping.toml").read_text().replace('"trips.csv"', f'"{name}"')
    (folder / "mapping.toml").write_text(text)
    assert small_source.refusal(folder).code in ("not-a-workbook", "not-parquet")
