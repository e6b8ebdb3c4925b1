"""Corrected values: the original is kept, the trip is judged by the correction, and it lasts."""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import load_workbook

from pipeline.errors import CODES, EXIT_USAGE
from pipeline.followup.correct import Corrected, correct, corrected_words
from pipeline.followup.ledger_words import ledger
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.store.corrections import corrections
from pipeline.store.database import open_store
from pipeline.store.session import store_in
from schemas.contract import TABLES
from schemas.followup_outputs import FOLLOWUP_OUTPUTS
from tests.deep import with_deep
from tests.frames import in_pandas

from . import reviewed_store

corrections = in_pandas(corrections)

VERDICTS = """SELECT w.trip_id, v.rule, v.verdict, v.observed_low, v.observed_high, v.from_s,
                     v.until_s, v.why
              FROM judged.verdict v JOIN judged.trip_window w USING (trip_key) ORDER BY ALL"""
COLUMNS = ["trip_id", "table", "line", "at_s", "column", "value", "reason", "by"]


def row(trip: str, table: str, column: str, value: object, **more: object) -> dict[str, str]:
    cells = {"trip_id": trip, "table": table, "column": column, "value": value,
             "reason": "misread from the chart", "by": "C1", **more}  # fmt: skip
    return {name: str(cells.get(name, "")) for name in COLUMNS}


def put_right(folder: Path, *rows: dict[str, str]) -> Corrected:
    return correct(reviewed_store.write_csv(folder.parent / "fixes.csv", rows), folder)


def codes(done: Corrected) -> list[tuple[int | None, str | None, str]]:
    return [(p.line, p.column, p.code) for p in done.problems]


def load_into(folder: Path, delivery: Path) -> None:
    """Load another delivery into a folder's store; nothing is judged."""
    with store_in(folder) as con:
        load(con, read_delivery(con, delivery))


@pytest.fixture
def stored(judged_store: Path, tmp_path: Path) -> Path:
    """A folder with the clean delivery's store."""
    (tmp_path / "pages").mkdir()
    shutil.copy(judged_store, tmp_path / "pages")
    return tmp_path / "pages"


@pytest.fixture
def table(clean_delivery: Path) -> dict[str, pd.DataFrame]:
    """The delivery's tables as text, with the line of each row."""
    frames = {}
    for name in TABLES:
        path = clean_delivery / f"{name}.csv"
        if path.exists():
            frame = pd.read_csv(path, dtype=str, keep_default_na=False)
            frames[name] = frame.assign(line=range(2, len(frame) + 2))
    return frames


def corrected_delivery(delivery: Path, to: Path, edits: list[tuple[str, int, str, str]]) -> Path:
    """The delivery as it would have been exported with the right values: (table, line, ...)."""
    shutil.copytree(delivery, to)
    for name, line, column, value in edits:
        frame = pd.read_csv(to / f"{name}.csv", dtype=str, keep_default_na=False)
        frame.loc[line - 2, column] = value
        frame.to_csv(to / f"{name}.csv", index=False)
    return to


def test_a_corrected_trip_is_judged_as_if_delivered_right(
    stored: Path, clean_delivery: Path, table: dict[str, pd.DataFrame], tmp_path: Path
) -> None:
    """Verdict by verdict equal to a store of the corrected export; the other trips untouched."""
    trips, settings, calls = table["trips"], table["settings"], table["contacts"]
    wall = settings[settings["source"] == "wall"].iloc[0]
    fixes = [
        ("trips", int(trips["line"].iloc[3]), "handover_s", "9000"),
        ("trips", int(trips["line"].iloc[4]), "outcome", "intubated"),
        ("trips", int(trips["line"].iloc[5]), "departed_s", ""),
        ("settings", int(wall["line"]), "source", "ventilator"),
        ("settings", int(wall["line"]), "flow_lpm", "22"),
        ("contacts", int(calls["line"].iloc[0]), "authorised", "longer_wall_oxygen"),
    ]
    before = {r[:2]: r for r in reviewed_store.ask(stored, VERDICTS)}
    rows = []
    for name, line, column, value in fixes:
        trip = table[name].set_index("line").loc[line, "trip_id"]
        rows.append(row(trip, name, column, value, line="" if name == "trips" else line))
    done = put_right(stored, *rows)
    assert (done.problems, done.stored, done.read) == ([], 6, 6)
    right = corrected_delivery(clean_delivery, tmp_path / "right", fixes)
    (tmp_path / "other").mkdir()
    with closing(open_store(tmp_path / "other" / "store.duckdb")) as con:
        load(con, read_delivery(con, right))
        judge(con)
    after = reviewed_store.ask(stored, VERDICTS)
    assert after == reviewed_store.ask(tmp_path / "other", VERDICTS)
    assert {r[0] for r in after if before[r[:2]] != r} <= {r["trip_id"] for r in rows}
    assert any(before[r[:2]] != r for r in after)
    assert ledger(stored)[1] == []


def test_a_correction_in_the_workbooks_sheet_is_shown_and_the_original_is_kept(
    reviewed_once: Path, stored: Path, tmp_path: Path
) -> None:
    """A later correction replaces it, and the original can be restored."""
    ((trip, was),) = reviewed_store.ask(
        stored, "SELECT trip_id, weight_kg FROM delivered.trips LIMIT 1"
    )
    book = load_workbook(reviewed_once / "sheets" / f"{reviewed_store.MONTH}.xlsx")
    tab = book["correct"]
    assert [cell.value for cell in tab[1]] == COLUMNS
    for place, value in enumerate(row(trip, "trips", "weight_kg", "9").values(), start=1):
        tab.cell(2, place, value or None)
    tab.cell(2, COLUMNS.index("value") + 1, 9)
    book.save(tmp_path / "filled.xlsx")
    done = correct(tmp_path / "filled.xlsx", stored)
    assert (done.stored, done.problems) == (1, [])
    assert corrected_words(done).splitlines()[1].startswith("1 trip was judged again")
    weights = reviewed_store.ask(
        stored, f"SELECT weight_kg FROM delivered.trips WHERE trip_id = '{trip}' ORDER BY trip_key"
    )
    assert weights == [(was,), (9.0,)]
    held = reviewed_store.ask(stored, f"""SELECT weight_kg FROM delivered.holding h
                               JOIN delivered.trips t USING (trip_key)
                               WHERE h.trip_id = '{trip}'""")  # fmt: skip
    assert held == [(9.0,)]
    with store_in(stored) as con:
        shown = corrections(con, "2026-12")
        assert list(shown.columns) == list(FOLLOWUP_OUTPUTS["corrections"].to_schema().columns)
        (found,) = shown.to_dict("records")
        assert corrections(con, "2020-01").empty
    assert (found["trip_id"], found["table"], found["column"]) == (trip, "trips", "weight_kg")
    assert (found["original"], found["value"], found["by"]) == (str(was), "9.0", "C1")
    trips = reviewed_store.ask(
        stored, "SELECT count(*), count(DISTINCT trip_id) FROM delivered.holding"
    )
    assert trips == [(60, 60)]
    for value in ("10", str(was)):
        assert put_right(stored, row(trip, "trips", "weight_kg", value)).stored == 1
        sql = "SELECT weight_kg FROM delivered.holding h JOIN delivered.trips t USING (trip_key)"
        held = reviewed_store.ask(stored, f"{sql} WHERE h.trip_id = '{trip}'")
        assert held == [(float(value),)]
    assert len(reviewed_store.ask(stored, "FROM loop.correction")) == 3
    assert ledger(stored)[1] == []


# else `test_determine.py` reads its sheet again
@with_deep
def test_the_same_sheet_again_stores_nothing(stored: Path) -> None:
    ((trip,),) = reviewed_store.ask(stored, "SELECT min(trip_id) FROM delivered.trips")
    put_right(stored, row(trip, "trips", "weight_kg", "9"))
    before = reviewed_store.ask(stored, "SELECT count(*) FROM delivered.trips")
    again = put_right(stored, row(trip, "trips", "weight_kg", "9"))
    assert (again.stored, again.unchanged, again.trips) == (0, 1, 0)
    assert reviewed_store.ask(stored, "SELECT count(*) FROM delivered.trips") == before


def test_a_correction_survives_redelivery_of_the_same_content(
    stored: Path, clean_delivery: Path, tmp_path: Path
) -> None:
    ((trip, was),) = reviewed_store.ask(
        stored, "SELECT trip_id, weight_kg FROM delivered.trips LIMIT 1"
    )
    put_right(stored, row(trip, "trips", "weight_kg", "9"))
    other = next(
        t for (t,) in reviewed_store.ask(stored, "SELECT trip_id FROM delivered.trips") if t != trip
    )
    edits = {("trips", other): {"diagnosis_group": "croup-late"}}
    again = reviewed_store.delivery_like(clean_delivery, tmp_path / "again", edits=edits)
    weight = f"""SELECT weight_kg, delivery_no FROM delivered.holding h
                 JOIN delivered.trips t USING (trip_key, delivery_no) WHERE h.trip_id = '{trip}'"""
    load_into(stored, again)
    assert reviewed_store.ask(stored, weight) == [(9.0, 2)]
    source = {("trips", trip): {"weight_kg": "11"}}
    load_into(
        stored, reviewed_store.delivery_like(clean_delivery, tmp_path / "third", edits=source)
    )
    assert reviewed_store.ask(stored, weight) == [(11.0, 3)], "the source has been put right itself"
    load_into(stored, clean_delivery)
    assert reviewed_store.ask(stored, weight) == [(9.0, 1)], "the first content again, as corrected"
    assert was != 9.0
    assert ledger(stored)[1] == []


# else `test_ledger.py` tampers with each kind of table
@with_deep
def test_tampering_with_corrected_content_shows(stored: Path) -> None:
    ((trip,),) = reviewed_store.ask(stored, "SELECT min(trip_id) FROM delivered.trips")
    put_right(stored, row(trip, "trips", "weight_kg", "9"))
    assert ledger(stored)[1] == []
    reviewed_store.tamper(stored, "UPDATE delivered.trips SET weight_kg = 8 WHERE trip_key = 61")
    (problem,) = ledger(stored)[1]
    assert "Rows of trips were changed after entry 2 (corrections 1)" in problem.what


@pytest.mark.usefixtures("with_screen")
def test_every_problem_is_told(stored: Path, table: dict[str, pd.DataFrame]) -> None:
    trips, settings = table["trips"], table["settings"]
    trip, line = settings.iloc[0]["trip_id"], settings.iloc[0]["line"]
    other = next(t for t in trips["trip_id"] if t != trip)
    good = row(other, "trips", "weight_kg", "9")
    done = put_right(
        stored,
        good,
        {**good, "table": "training"},
        {**good, "column": "mood"},
        {**good, "column": "service_month"},
        {**good, "trip_id": "T-none"},
        {**good, "by": ""},
        {**good, "reason": ""},
        {**good, "reason": "mother rang 555 123 4567"},
        {**good, "column": "vehicle", "value": "boat"},
        {**good, "column": "handover_s", "value": "9000.5"},
        {**good, "column": "base", "value": ""},
        row(trip, "settings", "flow_lpm", "5"),
        row(trip, "settings", "flow_lpm", "500", line=line),
        row(trip, "settings", "flow_lpm", "5", line="999999"),
        row(trip, "crew", "role", "nurse", at_s="60"),
        row(trip, "trips", "weight_kg", "7"),
        row(trip, "trips", "weight_kg", "8"),
    )
    assert done.stored == 1
    assert codes(done) == [
        (3, "table", "not-a-code"),
        (4, "column", "unknown-cell"),
        (5, "column", "unknown-cell"),
        (6, "trip_id", "unknown-cell"),
        (7, "by", "missing-value"),
        (8, "reason", "missing-value"),
        (9, "reason", "private-content"),
        (10, "value", "not-a-code"),
        (11, "value", "not-a-whole-number"),
        (12, "value", "missing-value"),
        (13, "line", "missing-value"),
        (14, "value", "out-of-range"),
        (15, "trip_id", "unknown-cell"),
        (16, "at_s", "unknown-cell"),
        (17, "value", "contradictory-answer"),
        (18, "value", "contradictory-answer"),
    ]
    assert all(CODES[p.code].kind > EXIT_USAGE for p in done.problems)


def test_rows_are_found_by_time_or_line_and_several_at_one_time_by_line_alone(
    stored: Path, clean_delivery: Path, tmp_path: Path
) -> None:
    shutil.copytree(clean_delivery, tmp_path / "twice")
    path = tmp_path / "twice" / "settings.csv"
    lines = path.read_text("utf-8").splitlines(keepends=True)
    path.write_text("".join([*lines[:2], *lines[1:]]), encoding="utf-8")
    load_into(stored, tmp_path / "twice")
    trip, at_s = lines[1].split(",")[:2]
    settings = pd.read_csv(path, dtype=str).assign(line=lambda rows: range(2, len(rows) + 2))
    counted = settings.groupby(["trip_id", "at_s"])["line"].transform("size")
    one, other = (
        r for _, r in settings[(counted == 1) & (settings["trip_id"] != trip)][:2].iterrows()
    )
    done = put_right(
        stored,
        row(trip, "settings", "flow_lpm", "5", at_s=at_s),
        row(trip, "settings", "flow_lpm", "5", line=3),
        row(one["trip_id"], "settings", "flow_lpm", "5", at_s=one["at_s"]),
        row(other["trip_id"], "settings", "flow_lpm", "6", line=other["line"]),
        row(other["trip_id"], "settings", "flow_lpm", "7", line=other["line"], at_s="1"),
    )
    assert codes(done) == [(2, "at_s", "unknown-cell"), (6, "trip_id", "unknown-cell")]
    assert done.stored == 3
    found = reviewed_store.ask(
        stored, "SELECT at_s, place, value FROM loop.correction ORDER BY correction_no"
    )
    assert found == [
        (int(at_s), 2, "5.0"), (int(one["at_s"]), 1, "5.0"), (int(other["at_s"]), 1, "6.0"),
    ]  # fmt: skip
    flows = reviewed_store.ask(stored, f"""SELECT s.line, flow_lpm FROM delivered.settings s
        JOIN delivered.holding h USING (trip_key) WHERE h.trip_id = '{trip}' AND line IN (2, 3)
        ORDER BY 1""")  # fmt: skip
    assert flows[1] == (3, 5.0)
    assert flows[0][1] != 5.0
