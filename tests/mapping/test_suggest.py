"""A draft of a mapping: right where it is certain, silent nowhere, and never more than a draft."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from pipeline.mapping.command import Wanted, map_command, map_source
from pipeline.mapping.read_mapping import shipped
from pipeline.simulate import simulate
from schemas.mapping import MappingFile
from schemas.mapping_text import parse_mapping
from tests.mapping import (
    direct,
    junk_system,
    log_system,
    reports_system,
    small_source,
    wide_csv,
    workbook_system,
)

pytestmark = pytest.mark.usefixtures("without_screen")


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[direct.Row]]:
    folder = tmp_path_factory.mktemp("direct") / "delivery"
    simulate(folder, trips=40, months=2, seed=3)
    return direct.tables(folder)


def draft(source: Path) -> str:
    text, code = map_command(Wanted(source=source, suggest=True), 10)
    assert code == 0
    return text


def filled(text: str, **answers: str) -> MappingFile:
    """The draft with what only the service can know filled in."""
    known = {"service": "heron-ridge", "privacy_basis": "limited-data-set", "key_file": "keep/key",
             "time_zone": "America/Denver"}  # fmt: skip
    for key, value in known.items():
        text = text.replace(f'\n{key} = ""', f'\n{key} = "{value}"')
    for old, new in answers.items():
        assert f"# {old} = " in text, old
        text = text.replace(f"# {old} = ", f"{old} = ", 1).replace("?", new) if new else text
    return parse_mapping(text, shipped())


def test_what_is_certain_is_right(tables: dict[str, Any], tmp_path: Path) -> None:
    """Every line of the draft agrees with the mapping that a person wrote for the workbook."""
    bedside = direct.bedsides(tables["trips"], ZoneInfo(workbook_system.ZONE))
    source = workbook_system.write(tmp_path / "in", tables, bedside)
    lines = draft(source)
    data = tomllib.loads(lines)
    truth = parse_mapping(workbook_system.MAPPING, {})
    certain = total = 0
    for name, table in truth.tables.items():
        found = data["tables"][name]
        assert data["files"][found["from"]]["sheet"] == truth.files[table.from_].sheet
        for column, spec in table.columns.items():
            total += 1
            made = found["columns"].get(column)
            if made is None:
                not_used = f"# not used: {json.dumps(spec.from_[0])}"
                assert f"# {column} = " in lines or not_used in lines, column
                continue
            certain += 1
            made = {"from": made} if isinstance(made, str) else made
            assert [made["from"]] == spec.from_
            assert made.get("token") == spec.token
            if spec.unit is not None:
                same = {"%": "percent"}
                assert made["unit"] == same.get(str(spec.unit), spec.unit)
            if spec.codes is not None:
                known = {key.lower(): value for key, value in spec.codes.items()}
                assert all(known[key.lower()] == value for key, value in made["codes"].items())
        extra = set(found["columns"]) - set(table.columns)
        assert extra == set(), extra
    assert certain >= 0.75 * total, (certain, total)


def test_a_draft_becomes_a_mapping(tables: dict[str, Any], tmp_path: Path) -> None:
    """Take out what is not certain, fill in what is asked, and the delivery is made."""
    (tmp_path / "in").mkdir()
    trips = ["Trip no,Base,Vehicle,Diagnosis,Weight (kg),At bedside,Age"]
    trips += [
        f"{n},b{n % 2},Helicopter,croup,{n + 3},{13 + n}/03/2026 10:{n:02d},{n}" for n in range(9)
    ]
    seen = ["Trip no,Charted at,SpO2 %,HR,Nurse's name"]
    seen += [f"{n},{13 + n}/03/2026 10:{n + 40},9{n},120,Ann Other" for n in range(9)]
    (tmp_path / "in" / "trips.csv").write_text("\n".join([*trips, ""]))
    (tmp_path / "in" / "vitals.csv").write_text("\n".join([*seen, ""]))
    text = draft(tmp_path / "in")
    assert "# age_months = " in text
    assert "in what unit?" in text
    assert '# not used: "Nurse\'s name" (its name says that it holds a name)' in text
    assert "Ann" not in text
    keep = tmp_path / "keep"
    keep.mkdir()
    (keep / "key").write_text(direct.KEY)
    (keep / "key").chmod(0o600)
    text = text.replace('service = ""', 'service = "x"').replace(
        'zone = ""', 'zone = "Europe/Paris"'
    )
    text = text.replace('basis = ""', 'basis = "internal-operations"')
    (tmp_path / "mapping.toml").write_text(text.replace('key_file = ""', 'key_file = "keep/key"'))
    mapped = map_source(tmp_path / "in", tmp_path / "in-mapped", tmp_path / "mapping.toml")
    assert mapped.problems == []
    assert small_source.column(tmp_path / "in", "at_s", "observations") == ["2400"] * 9
    assert small_source.column(tmp_path / "in", "vehicle") == ["rotor"] * 9


def test_days_and_months_that_cannot_be_told_apart_are_left_open(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(
        "Trip,Time,SpO2\n1,03/04/2026 10:00,97\n1,04/03/2026 10:05,96\n"
    )
    text = draft(tmp_path / "a.csv")
    assert '# at_s = { from = "Time", time = "%d/%m/%Y %H:%M" }  # day and month cannot' in text
    assert '"%m/%d/%Y %H:%M"' in text


@pytest.mark.parametrize(
    ("values", "form"),
    [
        (["2026-03-04 10:00", "2026-03-05"], ["iso"]),
        (["13/04/26 9:05 PM", "02/04/26 12:05 am"], ["%d/%m/%y %I:%M %p"]),
        (["4.13.2026", "4.3.2026"], ["%m.%d.%Y"]),
        (["13.04.2026", "04/13/2026"], []),
        (["soon"], []),
        ([], []),
    ],
)
def test_time_formats(values: list[str], form: list[str]) -> None:
    from pipeline.mapping.suggest_values import Column

    assert Column("x", "x", values).time_format()[0] == form


def test_numbered_columns_are_one(tmp_path: Path) -> None:
    names = [f"{name}_{n}" for n in range(1, 5) for name in ("SpO2", "HR")]
    row = ",".join(["97", "120"] * 4)
    (tmp_path / "wide.csv").write_text(f"Trip,{','.join(names)}\nT1,{row}\n")
    text = draft(tmp_path)
    assert 'repeat = "1-4"' in text
    assert 'spo2_pct = "SpO2_{n}"' in text


def test_files_with_the_same_headings_are_one_entry(tables: dict[str, Any], tmp_path: Path) -> None:
    """Of a system in another language little is matched, and every other column is listed."""
    bedside = direct.bedsides(tables["trips"], ZoneInfo(wide_csv.ZONE))
    source = wide_csv.write(tmp_path / "in", tables, bedside)
    text = draft(source)
    data = tomllib.loads(text)
    assert data["files"]["fahrten-2026-01"]["path"] == "Fahrten 2026-0*.csv"
    assert data["files"]["verlauf"]["delimiter"] == ";"
    listed = set(re.findall(r'# not used: "(.*?)" ', text))
    assert {"Fahrt-Nr.", "Kanüle vorher", "AF_{n}", "Quelle"} <= listed
    assert data["tables"]["observations"]["columns"] == {"spo2_pct": "SpO2_{n}"}
    assert "# trip_id = " in text


def test_reports(tables: dict[str, Any], tmp_path: Path) -> None:
    bedside = direct.bedsides(tables["trips"], ZoneInfo(reports_system.ZONE))
    text = draft(reports_system.write(tmp_path / "in", tables, bedside))
    data = tomllib.loads(text)
    assert (data["extends"], data["files"]["reports"]["path"]) == ("nemsis-3.5", "*.xml")
    assert "#   custom:hf-flow" in text
    assert reports_system.MARK not in text


def test_nothing_to_draft_from(tmp_path: Path) -> None:
    (tmp_path / "readme.md").write_text("x")
    with pytest.raises(small_source.Refused) as caught:
        draft(tmp_path)
    assert caught.value.problems[0].code == "not-found"
    with pytest.raises(small_source.Refused):
        draft(tmp_path / "absent")


def test_names_and_values_that_would_break_out_of_the_draft(tmp_path: Path) -> None:
    name = 'x" ]\n[evil]\ny="'
    quoted = '"' + name.replace('"', '""') + '"'
    (tmp_path / "a.csv").write_text(f'Trip,Time,SpO2,{quoted}\n1,"]\n",97,"\x7f"\n')
    assert "evil" not in tomllib.loads(draft(tmp_path))


# ---- what is seen in the files as a whole


def test_titles_above_the_headings_are_found(tmp_path: Path) -> None:
    folder = junk_system.write(tmp_path / "in", junk_system.truth())
    data = tomllib.loads(draft(folder))
    (file,) = data["files"].values()
    assert (file["header_line"], file["delimiter"]) == (4, "\t")


def test_a_log_of_facts_becomes_a_view_that_maps(tmp_path: Path) -> None:
    """With what only the service knows filled in, the draft's numbers are those of the log."""
    truth = log_system.truth()
    folder = log_system.write(tmp_path / "in", truth)
    text = draft(folder)
    for old, new in {
        'service = ""': 'service = "x"', 'privacy_basis = ""': 'privacy_basis = "limited-data-set"',
        'time_zone = ""': 'time_zone = "Europe/Berlin"', 'key_file = ""': 'key_file = "keep/key"',
        '# vehicle = ""': 'vehicle = { constant = "ground" }',
        # where the log numbers its entries, group by that, too, as the draft says
        'group by "run", "at"': 'group by "run", "at", "entry"',
    }.items():  # fmt: skip
        assert old in text, old
        text = text.replace(old, new)
    (folder / "mapping.toml").write_text(text)
    (folder / "keep").mkdir()
    (folder / "keep" / "key").write_text(direct.KEY)
    (folder / "keep" / "key").chmod(0o600)
    small_source.run(folder)
    found = small_source.rows(folder, "observations")
    expected = sorted(
        (direct.token("trip", row["trip_id"]), row["at_s"], row["spo2_pct"], row["heart_rate"])
        for row in truth["observations"]
    )
    keys = ("trip_id", "at_s", "spo2_pct", "heart_rate")
    assert sorted(tuple(row[key] for key in keys) for row in found) == expected


def test_the_trips_number_is_known_by_its_values(tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "a.csv").write_text(
        "Vorgang,base,vehicle,weight kg\n" + "".join(f"Z{n}9,b1,ground,{n}\n" for n in range(3, 9))
    )
    rows = "".join(f"{n % 4 + 90},Z{3 + n % 6}9,{n},{100 + n}\n" for n in range(24))
    (folder / "b.csv").write_text("spo2,Akte,minute,heart rate\n" + rows)
    tables = tomllib.loads(draft(folder))["tables"]
    assert tables["trips"]["columns"]["trip_id"] == {"from": "Vorgang", "token": "trip"}
    assert tables["observations"]["columns"]["trip_id"] == {"from": "Akte", "token": "trip"}


def test_columns_that_only_look_alike_are_not_the_trips_number(tmp_path: Path) -> None:
    """Small numbers and dates stand in many files, and tell no trip."""
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "a.csv").write_text("nr,base,vehicle,weight kg\n" + "4,b,ground,5\n" * 9)
    (folder / "b.csv").write_text("spo2,count\n" + "".join(f"9{n},{n}\n" for n in range(9)))
    text = draft(folder)
    assert "token" not in tomllib.loads(text)["tables"]["trips"]["columns"].get("trip_id", {})
