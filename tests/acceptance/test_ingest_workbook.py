"""A delivery whose tables are the sheets of one workbook: the same verdicts, or a sentence."""

from __future__ import annotations

import csv
import io
import shutil
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import duckdb
import openpyxl
import pytest

from pipeline.ingest.delivery import read_delivery
from pipeline.simulate import simulate
from schemas.contract import TABLES
from tests.deep import with_deep
from tests.mapping import direct, fuzzing

from . import small_delivery

pytestmark = pytest.mark.usefixtures("without_screen")


Change = Callable[[Any], None]


def typed(table: str, column: str, text: str) -> Any:
    """A cell as a person would type it: numbers as numbers, codes and tokens as text."""
    kind = str(TABLES[table].to_schema().columns[column].dtype)
    if text == "" or kind == "string":
        return text or None
    if kind.startswith("bool"):
        return text == "true"
    number = float(text)
    return int(number) if number.is_integer() else number


def workbook(texts: dict[str, str], path: Path) -> Any:
    """A workbook with one sheet a table, from the tables' CSV text."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for table, text in texts.items():
        sheet = book.create_sheet(table)
        header, *rows = csv.reader(io.StringIO(text))
        sheet.append(header)
        for row in rows:
            sheet.append([typed(table, name, cell) for name, cell in zip(header, row, strict=True)])
    book.save(path)
    return book


def delivery(folder: Path, change: Change | None = None, **changes: Any) -> Path:
    """The small delivery as a workbook, after `change`; the settings files are as ever."""
    small_delivery.write(folder, **dict.fromkeys(small_delivery.TABLES), **changes)
    path = folder / "march.xlsx"
    book = workbook({name: text[1:] for name, text in small_delivery.TABLES.items()}, path)
    if change:
        change(book)
        book.save(path)
    return folder


# else `test_values_lines_and_percents` has the same rows
@with_deep
def test_the_verdicts_of_the_workbook_are_those_of_the_files(tmp_path: Path) -> None:
    """Two simulated months with bad rows: every verdict, and the place of every bad row."""
    files = tmp_path / "files"
    simulate(files, trips=60, months=2, seed=5, dirt=True)
    sheets = tmp_path / "sheets"
    sheets.mkdir()
    book = openpyxl.Workbook()
    for name in ("export.toml", "protocol.toml", "cannulas.toml"):
        shutil.copy(files / name, sheets / name)
    for table in TABLES:
        if not (files / f"{table}.csv").exists():
            continue
        sheet = book.create_sheet(table)
        with (files / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            header, *rows = csv.reader(file)
        sheet.append(header)
        for row in rows:
            cells = [_as_typed(table, *cell) for cell in zip(header, row, strict=False)]
            # a sheet has no rows that are too short, so one that was is made too long
            beyond = [] if len(row) == len(header) else ["x"]
            cells += [None] * (len(header) - len(cells)) + row[len(header) :] + beyond
            sheet.append(cells)
    book.save(sheets / "quarter.xlsx")
    expected = direct.verdicts(files, tmp_path / "files.duckdb")
    assert len(expected) > 500
    assert direct.verdicts(sheets, tmp_path / "sheets.duckdb") == expected
    aside = {
        (f"sheet {str(file).removesuffix('.csv')} of the workbook", *rest)
        for file, *rest in small_delivery.aside(files)
    }
    assert len(aside) > 10
    assert set(small_delivery.aside(sheets)) == aside


def _as_typed(table: str, name: str, text: str) -> Any:
    """A number only where it would come back as it was written: 480.0 is none of seconds."""
    try:
        value = typed(table, name, text)
    except (ValueError, KeyError):
        return text
    return value if str(value).lower() == text else text or None


def test_values_lines_and_percents(tmp_path: Path) -> None:
    """97 % holds 0.97; the contract's saturation is in percent, its oxygen a fraction.

    The same workbook again stores nothing new.
    """

    def shown(book: Any) -> None:
        for sheet, cell, value in (("observations", "C2", 0.97), ("settings", "F2", 0.4)):
            book[sheet][cell] = value
            book[sheet][cell].number_format = "0%"

    path, folder = tmp_path / "store.duckdb", delivery(tmp_path / "d", shown)
    assert small_delivery.store(path, folder)[1].new
    assert small_delivery.ask(
        path, "select trip_id, weight_kg, age_months from delivered.trips order by all"
    )[0] == ("007", 8.4, 7)
    rows = small_delivery.ask(
        path, "select line, flow_lpm, fio2 from delivered.settings order by line"
    )
    assert rows[:2] == [(2, 8.0, 0.4), (3, 8.5, None)]
    spo2 = small_delivery.ask(path, "select spo2_pct from delivered.observations where line = 2")
    assert spo2 == [(97.0,)]
    files = small_delivery.ask(
        path, "select file, rows_read, rows_kept from delivered.file order by all"
    )
    assert ("sheet settings of the workbook", 4, 4) in files
    assert not any("march" in file for file, *_ in files)
    assert not small_delivery.store(path, folder)[1].new


def test_bad_cells_are_placed_by_sheet_and_row(tmp_path: Path) -> None:
    def spoil(book: Any) -> None:
        book["settings"]["E3"] = 500
        book["settings"]["F4"] = "much"
        book["crew"].append(["T2", "c3", "nurse", None, "a remark"])
        book["trips"]["F2"] = "#N/A"

    found = small_delivery.aside(delivery(tmp_path / "d", spoil))
    assert ("sheet settings of the workbook", 3, "flow_lpm", "out-of-range") in found
    assert ("sheet crew of the workbook", 4, None, "ragged-row") in found
    assert ("sheet trips of the workbook", 2, "weight_kg", "not-a-number") in found


def test_dates_are_refused(tmp_path: Path) -> None:
    cells = [
        ("trips", "B2", date(2026, 1, 1), "service_month"),
        ("trips", "H3", datetime(2026, 1, 3, 10, 5), "handover_s"),
        ("settings", "B3", time(0, 10), "at_s"),
        ("device_events", "B4", timedelta(minutes=1), "at_s"),
    ]

    def spoil(book: Any) -> None:
        for sheet, cell, value, _ in cells:
            book[sheet][cell] = value

    problems = small_delivery.refusals(delivery(tmp_path / "d", spoil))
    assert sorted((p.file or "", p.line, p.column, p.code) for p in problems) == sorted(
        (f"sheet {sheet} of the workbook", int(cell[1]), column, "date-cell")
        for sheet, cell, _, column in cells
    )
    assert not any("2026-01-0" in p.sentence() for p in problems)


def test_tokens_typed_as_numbers_are_mentioned_and_a_date_left_unread_is_nothing(
    tmp_path: Path,
) -> None:
    def spoil(book: Any) -> None:
        book["crew"]["D1"], book["crew"]["D2"] = "shift", datetime(2026, 1, 3)
        for sheet in book:
            for row in sheet.iter_rows():
                for cell in row:
                    cell.value = 7 if cell.value == "007" else cell.value

    con = duckdb.connect()
    export = small_delivery.EXPORT + '\n[ignore]\ncrew = ["shift"]\n'
    staged = read_delivery(con, delivery(tmp_path / "d", spoil, export=export))
    assert staged.problems(con) == []
    sentence = [what for file, what in staged.mentions if file == "sheet trips of the workbook"]
    assert any(
        "trip_id is typed as a number in 1 rows: zeros in front" in what for what in sentence
    )


def test_what_would_be_misread_is_refused(tmp_path: Path) -> None:
    def merged(book: Any) -> None:
        book["trips"].merge_cells("A2:B2")
        book["crew"]["C3"] = "=A1"

    codes = [(p.file, p.code) for p in small_delivery.refusals(delivery(tmp_path / "d", merged))]
    assert codes == [
        ("sheet trips of the workbook", "merged-cells"),
        ("sheet crew of the workbook", "formula-not-computed"),
    ]


def test_which_sheets_and_files_make_up_the_delivery(tmp_path: Path) -> None:
    def drop(book: Any) -> None:
        book.remove(book["contacts"])
        book.create_sheet("Dr Example's notes")

    problem = small_delivery.only(small_delivery.refusals(delivery(tmp_path / "a", drop)))
    assert (problem.file, problem.code) == ("sheet contacts of the workbook", "missing-table")
    export = f'not_recorded = ["contacts"]\n{small_delivery.EXPORT}'
    staged = read_delivery(duckdb.connect(), delivery(tmp_path / "b", drop, export=export))
    assert ("the workbook", "sheets that the contract does not name were left unread: 1") in (
        staged.mentions
    )
    # a table may be a file beside the workbook, but not both
    beside = delivery(tmp_path / "c", drop)
    (beside / "contacts.csv").write_text(small_delivery.TABLES["contacts"][1:])
    assert small_delivery.aside(beside) == []
    (beside / "crew.csv").write_text(small_delivery.TABLES["crew"][1:])
    problem = small_delivery.only(small_delivery.refusals(beside))
    assert (problem.file, problem.code) == ("sheet crew of the workbook", "table-twice")
    shutil.copy(beside / "march.xlsx", beside / "april.XLSX")
    assert "several-workbooks" in [p.code for p in small_delivery.refusals(beside)]


def test_a_workbook_beside_all_the_files_is_left_unread(tmp_path: Path) -> None:
    folder = small_delivery.write(tmp_path / "d")
    (folder / "notes.xlsx").write_bytes(b"not even a workbook")
    staged = read_delivery(duckdb.connect(), folder)
    assert any(file == "notes.xlsx" for file, _ in staged.mentions)


def test_damaged_swelling_and_old_workbooks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.files import workbook as reader

    folder = delivery(tmp_path / "d")
    whole = (folder / "march.xlsx").read_bytes()
    (folder / "march.xlsx").write_bytes(whole[: len(whole) // 2])
    assert small_delivery.refusals(folder)[0].code == "not-a-workbook"
    (folder / "march.xlsx").write_bytes(whole)
    with zipfile.ZipFile(folder / "march.xlsx", "a", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/media/x.bin", b"\x00" * 3_000_000)
    monkeypatch.setattr(reader, "FREE_UNPACKED", 1 << 20)
    assert small_delivery.refusals(folder)[0].code == "too-large"
    (folder / "march.xlsx").rename(folder / "march.xls")
    assert "format-not-read" in [p.code for p in small_delivery.refusals(folder)]


def test_a_sheet_with_entities_of_its_own(tmp_path: Path) -> None:
    folder = delivery(tmp_path / "d")
    whole = (folder / "march.xlsx").read_bytes()
    with zipfile.ZipFile(io.BytesIO(whole)) as book:
        part = next(name for name in book.namelist() if name.endswith("sheet1.xml"))
        sheet = book.read(part)
    start = sheet.index(b"<worksheet")
    doctype = b'<!DOCTYPE w [<!ENTITY i "x">]>'
    changed = fuzzing.repacked(whole, "sheet1.xml", sheet[:start] + doctype + sheet[start:])
    (folder / "march.xlsx").write_bytes(changed)
    assert small_delivery.refusals(folder)[0].code in ("xml-dtd", "not-a-workbook")


@pytest.mark.usefixtures("with_screen")
def test_a_name_in_a_cell_is_screened_as_in_a_file(tmp_path: Path) -> None:
    def spoil(book: Any) -> None:
        book["contacts"]["D2"] = "Ms Ella Example"
        book["crew"]["D1"] = "surname"

    codes = {(p.file, p.code) for p in small_delivery.refusals(delivery(tmp_path / "d", spoil))}
    assert codes == {
        ("sheet contacts of the workbook", "private-content"),
        ("sheet crew of the workbook", "private-name"),
    }
