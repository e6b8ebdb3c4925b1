"""The examples of the guide are run: two mappings over files as they describe, and each view."""

from __future__ import annotations

import io
import re
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import pytest
from openpyxl import Workbook

from pipeline.mapping.command import map_source
from tests.acceptance import small_delivery
from tests.mapping import direct, reports_system, small_source
from tests.mapping.test_guide import GUIDE

pytestmark = pytest.mark.usefixtures("without_screen")

FILES, REPORTS = re.findall(r"^```toml\n(.*?)^```", GUIDE, flags=re.DOTALL | re.MULTILINE)

TRANSPORTS = """\
Record no;Date;At bedside;Station;Mode;ICD;Age;Age unit;Weight;Left;Crew 1 no;Crew 1 role;\
Crew 2 no;Crew 2 role;Kind;Charted;Flow;FiO2
R7;20/03/2026;10:00;Süd;HELI;J21.9;14;m;22,5;10:40;501;nurse;502;doctor;SET;20/03/2026 10:10;8500;40
R8;21/03/2026;23:30;Süd;road;R06.0;2;y;0;00:15;501;nurse;;;NOTE;21/03/2026 23:40;9000;?
"""
LOGS = {
    "R7": ["20260320 160830,17", "20260320 160840,900", "Page 1 of 1,", "20260320 160900,18"],
    "R8": ["---,", "Total 0,", "20260322 000000,17"],
}


def exports(folder: Path) -> Path:
    """The files that the first mapping names, with something of every kind that it says."""
    (folder / "logs").mkdir(parents=True)
    (folder / "mapping.toml").write_text(FILES, encoding="utf-8")
    (folder / "protocol.toml").write_text(small_delivery.PROTOCOL)
    (folder / "cannulas.toml").write_text(small_delivery.CANNULAS)
    reports_system.keep_key(folder)
    (folder / "transports 2026-03.csv").write_bytes(TRANSPORTS.encode("cp1252"))
    book = Workbook()
    sheet = book.create_sheet("Vital signs")
    for row in (["Ward list"], [], ["Record no", "Minute", "SpO2"], ["R7", 5, 93], ["R8", 7, None]):
        sheet.append(row)
    kept = io.BytesIO()
    book.save(kept)
    (folder / "monitor.xlsx").write_bytes(kept.getvalue())
    for trip, lines in LOGS.items():
        (folder / "logs" / f"{trip}.csv").write_text("\n".join(["Stamp,Code", *lines, ""]))
    return folder


def test_the_first_mapping_makes_a_delivery(tmp_path: Path) -> None:
    folder = exports(tmp_path / "in")
    mapped = small_source.run(folder)
    assert ([p.sentence() for p in mapped.problems], mapped.exit_code) == ([], 0)
    seventh, eighth = (direct.token("trip", number) for number in ("R7", "R8"))
    trips = {row["trip_id"]: row for row in small_source.rows(folder)}
    wanted = {"service_month": "2026-03", "base": "Süd", "vehicle": "rotor", "age_months": "14",
              "diagnosis_group": "bronchiolitis", "weight_kg": "10.205828",
              "departed_s": "2400", "device_log": "none"}  # fmt: skip
    assert {name: trips[seventh][name] for name in wanted} == wanted
    wanted = {"vehicle": "ground", "age_months": "24", "diagnosis_group": "other", "weight_kg": "",
              "departed_s": "2700"}  # fmt: skip
    assert {name: trips[eighth][name] for name in wanted} == wanted
    crew = [(row["trip_id"], row["role"]) for row in small_source.rows(folder, "crew")]
    assert sorted(crew) == sorted([(seventh, "nurse"), (seventh, "doctor"), (eighth, "nurse")])
    (setting,) = small_source.rows(folder, "settings")
    assert setting == {"trip_id": seventh, "at_s": "600", "flow_lpm": "8.5", "fio2": "0.4"}
    (seen,) = small_source.rows(folder, "observations")
    assert seen == {"trip_id": seventh, "at_s": "300", "spo2_pct": "93"}
    events = [tuple(row.values()) for row in small_source.rows(folder, "device_events")]
    assert events == [(seventh, "600", "occlusion"), (seventh, "630", "restored")]
    text = (tmp_path / "in-mapped" / "export.toml").read_text()
    assert "2026-03 = 58" in text
    assert "max_offset_s = 600" in text
    assert (folder / "keep" / "crosswalk.csv").exists()


def test_the_mapping_of_reports_makes_a_delivery(tmp_path: Path, clean_delivery: Path) -> None:
    tables = direct.tables(clean_delivery)
    bedside = direct.bedsides(tables["trips"], ZoneInfo(reports_system.ZONE))
    source = reports_system.write(tmp_path / "in", tables, bedside)
    mapping = source / "mapping.toml"
    mapping.write_text(REPORTS)
    mapped = map_source(source, tmp_path / "in-mapped", mapping)
    made = small_source.rows(source, "settings")
    assert {row["source"] for row in made} >= {"wall", "ventilator"}
    found = sorted((row["trip_id"], row["at_s"], row["flow_lpm"]) for row in made)
    assert found == sorted(
        (direct.token("trip", row["trip_id"]), row["at_s"], row["flow_lpm"])
        for row in tables["settings"]
    )
    assert mapped.rows["trips"] == len(tables["trips"])
    groups = {row["diagnosis_group"] for row in small_source.rows(source)}
    assert groups == {"bronchiolitis", "other"}


ROWS_OF_VIEWS = GUIDE.partition("| what it is | how it is written |\n| --- | --- |\n")[2]
WRITTEN = re.findall(
    r"^\| (.+?) \| .*?`(.+?)`.*? \|$", ROWS_OF_VIEWS.split("\n\n")[0], re.MULTILINE
)
TRY = {
    "one fact a row": (
        "with log(trip, entry, fact, value) as (values ('a', 1, 'Flow', '8'), ('a', 1, 'x', '9'))"
        " select {}", ["8"]),
    "blank where it is as above": (
        "with log(file_name, line, \"Trip\") as (values"
        " ('f', 1, 'a'), ('f', 2, null), ('g', 1, null))"
        " select {} from log order by file_name, line", ["a", "a", None]),
    "ditto marks": (
        "with log(\"Date\") as (values ('1 May'), ('\"')) select {} from log", ["1 May", None]),
    "several readings in a row": (
        "with log(\"T1\", \"V1\", \"T2\", \"V2\") as (values ('7:00', 1, '8:00', 2))"
        " select v from (select {} from log)", [1, 2]),
    "off the scale": (
        "with log(spo2) as (values ('<85'), ('90')) select {} from log", ["84", "90"]),
    "thousands marks": (
        "with log(\"Volume\") as (values ('1.200')) select {} from log", ["1200"]),
    "a part of a text": (
        "with log(text) as (values ('peep=4 paw=11.5')) select {} from log", ["11.5"]),
    "who was on duty": (
        "with trips(unit, day) as (values ('u', 'd')),"
        " roster(\"Unit\", \"Day\", who) as (values ('u', 'd', 'w'), ('u', 'e', 'v'))"
        " select who {}", ["w"]),
    "only some trips' rows": (
        "with runs(\"Run\") as (values ('a')), log(\"Run\") as (values ('a'), ('b'))"
        " select \"Run\" from log {}", ["a"]),
}  # fmt: skip


@pytest.mark.parametrize(("what", "written"), WRITTEN, ids=[what for what, _ in WRITTEN])
def test_what_a_view_is_said_to_do(what: str, written: str) -> None:
    around, expected = TRY[what]
    sql = around.replace("{}", written.replace(" ... ", " from log "))
    assert [value for value, *_ in duckdb.sql(sql).fetchall()] == expected


def test_every_view_is_tried() -> None:
    assert [what for what, _ in WRITTEN] == list(TRY)
