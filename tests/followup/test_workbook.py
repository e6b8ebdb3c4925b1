"""The workbook: every table, drop-downs, no formula from data, never written over an answer."""

from __future__ import annotations

import datetime
import hashlib
import itertools
import shutil
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.utils import get_column_letter

from pipeline.followup.determine import determine
from pipeline.review import review
from reports.render import workbook
from reports.render.workbook import write_workbook
from reports.text.case_links import FOLDER, case_file
from schemas.findings import FINDINGS, MISSED
from schemas.followup import ANSWERS, REFER_TO, SHEET_COLUMNS, STATUSES
from tests.deep import examples, with_deep
from tests.frames import in_pandas

from . import reviewed_store
from .conftest import TABLES, first_rows

write_workbook = in_pandas(write_workbook)

HOSTILE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "=cmd|' /C calc'!A0", "http://a.example", "007",
           "a\x01b", "x" * 40_000, "\u202eright to left", "<b>&amp;</b>", "_x0041_"]  # fmt: skip


@pytest.fixture
def whole_tables(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "_write_tables", TABLES)


def no_cases() -> pd.DataFrame:
    return pd.DataFrame(columns=SHEET_COLUMNS, dtype=object)


@pytest.mark.usefixtures("whole_tables")
def test_text_is_never_a_formula_or_a_link(tmp_path: Path) -> None:
    cases = pd.DataFrame(
        [{"trip_id": text, "why": text, "seen": "s"} for text in HOSTILE],
        columns=SHEET_COLUMNS, dtype=object,
    )  # fmt: skip
    table = pd.DataFrame({"token": HOSTILE, "share": [0.5] * len(HOSTILE)})
    write_workbook({"cases": table}, cases, tmp_path / "a.xlsx")
    book = load_workbook(tmp_path / "a.xlsx")
    for name, columns in (("cases", [1]), ("determinations", [1, 3])):
        for row, text in enumerate(HOSTILE, start=2):
            for column in columns:
                cell = book[name].cell(row, column)
                assert cell.data_type == "s"
                assert cell.hyperlink is None
                if len(text) < 100 and text.isprintable() and not text.startswith("_x"):
                    assert cell.value == text
    with zipfile.ZipFile(tmp_path / "a.xlsx") as parts:
        for name in parts.namelist():
            assert b"<f>" not in parts.read(name)
            assert "externalLink" not in name


@pytest.mark.usefixtures("whole_tables")
def test_a_token_comes_back_as_it_was_written(tmp_path: Path) -> None:
    from pipeline.followup.sheets import read_sheet
    from schemas.followup import DeterminationsSheet

    tokens = ["=1+1", "007", "_x0041_", "1e5", "a,b", "<b>"]
    cases = pd.DataFrame([{"trip_id": t} for t in tokens], columns=SHEET_COLUMNS,
                         dtype=object)  # fmt: skip
    write_workbook({}, cases, tmp_path / "a.xlsx")
    sheet = read_sheet(tmp_path / "a.xlsx", DeterminationsSheet, "determinations")
    assert [row.cells["trip_id"] for row in sheet.rows] == tokens


@pytest.mark.usefixtures("whole_tables")
def test_same_tables_same_bytes_and_no_clock(tmp_path: Path) -> None:
    table = {"a": pd.DataFrame({"n": [1, 2], "x": [0.25, None], "t": ["b", None]})}
    for name in ("one", "two"):
        write_workbook(table, no_cases(), tmp_path / f"{name}.xlsx")
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()
    with zipfile.ZipFile(tmp_path / "one.xlsx") as parts:
        assert {part.date_time[0] for part in parts.infolist()} == {1980}
    stamp = load_workbook(tmp_path / "one.xlsx").properties
    assert stamp.created == stamp.modified == datetime.datetime(2000, 1, 1)


@pytest.mark.usefixtures("whole_tables")
def test_values_and_formats(tmp_path: Path) -> None:
    frame = pd.DataFrame({
        "trip_id": ["007", "8"], "month": ["2026-01", None], "flag": [True, False],
        "rate": [0.125, float("inf")], "n": [3, 4], "maybe": [1.0, float("nan")],
    })  # fmt: skip
    write_workbook({"mine": frame}, no_cases(), tmp_path / "a.xlsx")
    tab = load_workbook(tmp_path / "a.xlsx")["mine"]
    assert [[c.value for c in row] for row in tab.iter_rows(min_row=2)] == [
        ["007", "2026-01", True, 0.125, 3, 1], ["8", None, False, "unbounded", 4, None],
    ]  # fmt: skip
    assert tab["D2"].number_format == "0.00##"
    assert tab["E2"].number_format == "0"
    assert tab.freeze_panes == "A2"
    assert tab.column_dimensions["A"].width > 8


@pytest.mark.usefixtures("whole_tables")
@pytest.mark.parametrize("given", [3, 5])
def test_a_long_table_is_cut_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: int
) -> None:
    monkeypatch.setattr("reports.render.workbook.MOST_ROWS", 3)
    table = {"mine": pd.DataFrame({"n": range(given)})}
    write_workbook(table, no_cases(), tmp_path / "a.xlsx", {"mine": 5})
    tab = load_workbook(tmp_path / "a.xlsx")["mine"]
    assert [row[0].value for row in tab.iter_rows()] == [
        "n", 0, 1, 2, "2 more rows are in data/mine.csv",
    ]  # fmt: skip


def test_the_review_writes_every_table_and_the_cases(reviewed_once: Path) -> None:
    path = reviewed_once / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    book = load_workbook(path)
    data = {file.stem for file in (reviewed_once / reviewed_store.MONTH / "data").glob("*.csv")}
    assert data | {"determinations", "correct", "retraining", "how to answer", "columns"} == set(
        book.sheetnames
    )
    rows = reviewed_store.sheet(path)
    month = reviewed_once / reviewed_store.MONTH
    cases = pd.read_csv(month / "data" / "cases.csv", dtype=str, keep_default_na=False)
    flags = pd.read_csv(month / "data" / "flags.csv", dtype=str)
    asked = [(row["trip_id"], row["rules"]) for row in rows]
    whole = cases.loc[cases["rules"] == "", "trip_id"]
    assert len(asked) == len(set(asked)), "a row for each trip and rule"
    assert set(asked) == {*zip(flags["trip_id"], flags["rule"], strict=True),
                          *((trip, "") for trip in whole)}  # fmt: skip
    read = [row["trip_id"] for row in rows if row["group"] != "batch"]
    assert list(dict.fromkeys(read)) == list(cases.loc[cases["kind"] != "batch", "trip_id"])
    batch = [row["rules"] for row in rows if row["group"] == "batch"]
    assert len([rule for rule, _ in itertools.groupby(batch)]) == len(set(batch)), "rule by rule"
    assert [row["group"] for row in rows[-len(batch) :]] == ["batch"] * len(batch)
    for row in rows:
        assert not any(row[name] for name in ANSWERS if name != "rules")
        assert len(row["seen"]) == 12
    assert {row["group"] for row in rows} >= {"deviation", "audit"}


def test_the_sheet_is_made_for_a_laptop_and_leads_to_the_pages(reviewed_once: Path) -> None:
    """Trip and rule stay in view, answers begin within 160 characters, each trip has its link.

    160 characters of 7 pixels and 5 more a column are some 1,280 (common practice, no source).
    """
    path = reviewed_once / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    book = load_workbook(path)
    assert book.sheetnames[0] == "determinations"
    tab = book["determinations"]
    header = [cell.value for cell in tab[1]]
    assert header[:2] == ["trip_id", "rules"]
    assert tab.freeze_panes == "C2"
    widths = {name: tab.column_dimensions[get_column_letter(n)].width
              for n, name in enumerate(header, start=1)}  # fmt: skip
    until = header.index("action") + 1
    assert {"conclusion", "status", "refer_to", "reviewer", "action"} <= set(header[:until])
    assert sum(widths[name] for name in header[:until]) <= 160
    assert tab.auto_filter.ref == f"A1:{get_column_letter(len(header))}{tab.max_row}"
    assert tab.page_setup.orientation == "landscape"
    place = header.index("case")
    details = reviewed_once / reviewed_store.MONTH / "data" / "cases.csv"
    trips = set(pd.read_csv(details, dtype=str)["trip_id"])
    for row in tab.iter_rows(min_row=2):
        assert row[0].value in trips
        assert row[place].hyperlink.target == (
            f"../{reviewed_store.MONTH}/{FOLDER}/{case_file(row[0].value)}"
        )


def test_allowed_answers_are_drop_downs(reviewed_once: Path) -> None:
    tab = load_workbook(reviewed_once / "sheets" / f"{reviewed_store.MONTH}.xlsx")["determinations"]
    header = [cell.value for cell in tab[1]]
    lists = {
        header[min(rule.sqref.ranges).min_col - 1]: (rule.formula1.strip('"').split(","),
                                                     min(rule.sqref.ranges))
        for rule in tab.data_validations.dataValidation if rule.type == "list"
    }  # fmt: skip
    wanted = {"conclusion": [*FINDINGS, MISSED], "status": STATUSES, "refer_to": REFER_TO}
    assert {name: found[0] for name, found in lists.items()} == wanted
    for _, cells in lists.values():
        assert (cells.min_row, cells.max_row > tab.max_row + 100) == (2, True)


def test_a_filled_workbook_reads_back(folder: Path) -> None:
    path = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    trip, rule = reviewed_store.flagged(folder)[0]
    leading = next(row["rules"] for row in reviewed_store.sheet(path) if row["trip_id"] == trip)
    reviewed_store.fill(path, {trip: {"conclusion": "logistics", "status": "open", "reviewer": "R1",
                           "action": "order a second heater", "due_month": "2026-05"}})  # fmt: skip
    done = determine(path, folder)
    assert (done.answered, done.stored, done.problems) == (1, 1, [])
    found = reviewed_store.ask(
        folder, "SELECT rule, conclusion, action, due_month FROM loop.answer"
    )
    assert found == [(leading, "logistics", "order a second heater", "2026-05")]
    assert rule


def test_a_month_that_a_spreadsheet_made_a_date_is_a_month(folder: Path) -> None:
    path = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    trip, _ = reviewed_store.flagged(folder)[0]
    reviewed_store.fill(path, {trip: {"conclusion": "practice", "status": "open", "reviewer": "R1",
                           "action": "talk", "due_month": datetime.datetime(2026, 5, 1)}})  # type: ignore[dict-item]  # fmt: skip
    assert determine(path, folder).problems == []
    assert reviewed_store.ask(folder, "SELECT due_month FROM loop.answer") == [("2026-05",)]


@pytest.fixture
def again(clean_delivery: Path, folder: Path) -> object:
    def run() -> list[str]:
        review(clean_delivery, folder)
        return sorted(path.name for path in (folder / "sheets").glob("*.xlsx"))

    return run


def test_an_untouched_workbook_is_written_anew_with_the_same_bytes(
    folder: Path, again: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbook, "_write_tables", first_rows)
    before = (folder / "sheets" / f"{reviewed_store.MONTH}.xlsx").read_bytes()
    assert again() == [f"{reviewed_store.MONTH}.xlsx"]  # type: ignore[operator]
    assert (folder / "sheets" / f"{reviewed_store.MONTH}.xlsx").read_bytes() == before


def test_a_filled_workbook_is_never_written_over(folder: Path, again: object) -> None:
    path = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    (stored, rule), (half, _) = (
        reviewed_store.flagged(folder)[0],
        reviewed_store.flagged(folder)[-1],
    )
    reviewed_store.fill(path, {
        stored: {"conclusion": "practice", "status": "closed", "reviewer": "R1", "note": "seen"},
        half: {"conclusion": "equipment", "note": "unit two"},
    })  # fmt: skip
    assert determine(path, folder).stored == 1
    filled = path.read_bytes()
    assert again() == [f"{reviewed_store.MONTH}-2.xlsx", f"{reviewed_store.MONTH}.xlsx"]  # type: ignore[operator]
    assert path.read_bytes() == filled
    rows = {
        row["trip_id"]: row
        for row in reversed(
            reviewed_store.sheet(folder / "sheets" / f"{reviewed_store.MONTH}-2.xlsx")
        )
    }
    assert (rows[stored]["conclusion"], rows[stored]["status"]) == ("holds", "closed")
    assert rows[stored]["contributed"] == "skill_or_knowledge"
    assert rows[stored]["note"] == "", "the stored note does not leave the store"
    assert (rows[half]["conclusion"], rows[half]["note"]) == ("holds", "unit two")
    assert again() == [f"{reviewed_store.MONTH}-2.xlsx", f"{reviewed_store.MONTH}.xlsx"]  # type: ignore[operator]
    assert rule


# else `test_a_filled_workbook_reads_back`
@with_deep
def test_a_filled_workbook_in_the_months_own_folder_is_read_and_stays(
    folder: Path, again: object
) -> None:
    """Where version 0.1.0 put it; an untouched one there goes, for there is one in the sheets."""
    filled, untouched = (
        folder / reviewed_store.MONTH / name for name in ("review.xlsx", "review-2.xlsx")
    )
    own = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    shutil.copy(own, filled)
    shutil.copy(own, untouched)
    digest = hashlib.sha256(own.read_bytes()).hexdigest()
    reviewed_store.tamper(
        folder,
        f"INSERT INTO loop.workbook SELECT '{reviewed_store.MONTH}', 'review-2.xlsx', '{digest}'",
    )
    trip, _ = reviewed_store.flagged(folder)[0]
    reviewed_store.fill(filled, {trip: {"conclusion": "equipment", "note": "unit two"}})
    content = filled.read_bytes()
    assert again() == [f"{reviewed_store.MONTH}.xlsx"]  # type: ignore[operator]
    rows = {row["trip_id"]: row for row in reversed(reviewed_store.sheet(own))}
    assert (rows[trip]["conclusion"], rows[trip]["note"]) == ("holds", "unit two")
    assert filled.read_bytes() == content
    assert not untouched.exists()


def test_a_damaged_workbook_is_left_alone(folder: Path, again: object) -> None:
    path = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    path.write_bytes(b"half saved")
    assert again() == [f"{reviewed_store.MONTH}-2.xlsx", f"{reviewed_store.MONTH}.xlsx"]  # type: ignore[operator]
    assert path.read_bytes() == b"half saved"


def test_answers_to_a_changed_trip_are_shown_and_asked_for_again(
    folder: Path, clean_delivery: Path, tmp_path: Path
) -> None:
    path = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    (one, _), (two, _) = reviewed_store.flagged(folder)[0], reviewed_store.flagged(folder)[-1]
    reviewed_store.fill(path, {
        one: {"conclusion": "practice", "status": "closed", "reviewer": "R1"},
        two: {"conclusion": "equipment", "status": "open", "reviewer": "R1"},
    })  # fmt: skip
    determine(path, folder)
    newer = tmp_path / "newer"
    shutil.copytree(clean_delivery, newer)
    trips = pd.read_csv(newer / "trips.csv", dtype=str, keep_default_na=False)
    trips.loc[trips["trip_id"] == one, "diagnosis_group"] = "pneumonia"
    trips.to_csv(newer / "trips.csv", index=False)
    review(newer, folder)
    rows = {
        row["trip_id"]: row
        for row in reversed(
            reviewed_store.sheet(folder / "sheets" / f"{reviewed_store.MONTH}-2.xlsx")
        )
    }
    assert rows[one]["conclusion"] == ""
    assert rows[one]["earlier_answer"] == (
        "holds, skill or knowledge, closed (R1); the record has changed since"
    )
    assert (rows[two]["conclusion"], rows[two]["earlier_answer"]) == ("holds", "")
    stale = determine(path, folder)
    assert [p.code for p in stale.problems] == ["stale-answer"]
    assert (stale.stored, stale.unchanged) == (0, 1)


OF_0_1_0 = ["trip_id", "service_month", "base", "group", "severity", "findings", "why",
            "earlier_answer", "seen", "rules", "conclusion", "status", "refer_to", "reviewer",
            "action", "due_month", "note"]  # fmt: skip
"""The determinations sheet's columns as version 0.1.0 wrote them."""


# else `test_same_rules.py` reads answers in both tongues
@with_deep
@pytest.mark.parametrize("place", ["own folder", "sheets"][: examples(1, 2)])
def test_a_filled_sheet_of_version_0_1_0_is_read_and_carried_over(
    folder: Path, again: object, place: str
) -> None:
    """One row a trip, with several rules in it, in its own order of columns and no link."""
    own = folder / "sheets" / f"{reviewed_store.MONTH}.xlsx"
    seen = {row["trip_id"]: row["seen"] for row in reviewed_store.sheet(own)}
    rules: dict[str, list[str]] = {}
    for trip, rule in reviewed_store.flagged(folder):
        rules.setdefault(trip, []).append(rule)
    several = next(trip for trip, named in rules.items() if len(named) > 1)
    other = next(trip for trip in rules if trip != several)
    audited = next(r["trip_id"] for r in reviewed_store.sheet(own) if r["group"] == "audit")
    path = folder / reviewed_store.MONTH / "review.xlsx" if place == "own folder" else own
    book = Workbook()
    tab = book.active
    assert tab is not None
    tab.title = "determinations"
    tab.append(OF_0_1_0)
    filled = {
        several: {"rules": " ".join(rules[several]), "conclusion": "practice", "status": "open"},
        other: {"rules": " ".join(rules[other]), "conclusion": "record_gap", "status": "closed"},
        audited: {"status": "closed"},
    }
    for trip, cells in filled.items():
        row = {"trip_id": trip, "service_month": reviewed_store.MONTH, "group": "deviation",
               "seen": seen[trip], "reviewer": "R1", **cells}  # fmt: skip
        tab.append([row.get(name) for name in OF_0_1_0])
    book.save(path)
    again()  # type: ignore[operator]
    newest = max((folder / "sheets").glob("*.xlsx"), key=lambda p: len(p.name))
    carried = {(r["trip_id"], r["rules"]): r for r in reviewed_store.sheet(newest)}
    assert newest != path
    for rule in rules[several]:
        assert carried[several, rule]["conclusion"] == "holds", "each rule has its row now"
    assert carried[audited, ""]["status"] == "closed"
    done = determine(path, folder)
    assert (done.answered, done.stored, done.problems) == (3, 3, [])
    found = reviewed_store.ask(
        folder,
        f"SELECT rule FROM loop.answer WHERE trip_id = '{several}' AND holds ORDER BY rule",
    )
    assert [rule for (rule,) in found] == rules[several]
    again()  # type: ignore[operator]
    same = {(r["trip_id"], r["rules"]): r for r in reviewed_store.sheet(newest)}
    assert same[several, rules[several][0]]["status"] == "open"
    assert determine(newest, folder).stored == 0, "what was carried over is known by now"
