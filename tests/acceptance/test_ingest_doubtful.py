"""Rows that are legal and hardly true: kept, listed with place and remedy, and counted."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from . import small_delivery as small
from .command_runs import Run, rows, verdicts_alone

HEADER = "trip_id,at_s,support,source,flow_lpm,fio2,humidification,cannula,reason\n"


def doubted(run: Run, folder: Path) -> list[tuple[str, str, str]]:
    """What `tailrace check` calls doubtful: file, line and column; and that it ends with 4."""
    ran = run("check", folder)
    assert ran.err == ""
    found = re.findall(r"^Doubtful: (\S+?)(?:, line (\d+))?(?:: (\w+))?: ", ran.out, re.MULTILINE)
    assert ran.code == (4 if found else 0), ran.out
    assert len(found) == ran.out.count("Doubtful: ")
    return found


@pytest.mark.parametrize(
    ("changes", "places"),
    [
        (
            {
                "observations":
                    "trip_id,at_s,spo2_pct\n007,0,0.96\n007,60,0.93\nT2,0,0.9\n",
                **small.swap("settings", "heated,prong-2", "heated,Prong2"),
                **small.swap("trips", "T2,2026-01,b1", "T2,2026-01,B1"),
                **small.swap("crew", "T2,c2", "T2,C-1"),
                "export": small.EXPORT.replace("2026-01 = 3", "2026-01 = 9"),
            },
            [
                ("observations.csv", "2", "spo2_pct"), ("settings.csv", "2", "cannula"),
                ("trips.csv", "3", "base"), ("crew.csv", "3", "crew_member"),
                ("trips.csv", "", "service_month"),
            ],
        ),
        (
            {
                "trips": small.TABLES["trips"][1:].replace("T2,2026-01,b1", "T2,2026-01,b1 base")
                .replace("T3,2026-02,b2", "T3,2026-02,Jurong Tampines"),
                "settings": f"{HEADER}007,0,,ventilator,8,,,,\n007,60,,,80,,,,\n007,120,,,8,,,,\n"
                "T2,0,,blender,,0.3,,,\nT2,60,,,,0.9,,,\nT2,120,,,,0.3,,,\n",
            },
            [
                ("trips.csv", "3", "base"), ("trips.csv", "4", "base"),
                ("settings.csv", "3", "flow_lpm"), ("settings.csv", "6", "fio2"),
            ],
        ),
    ],
    ids=["in every table", "names and jumps"],
)  # fmt: skip
def test_doubtful_rows_are_listed_with_their_place(
    run: Run, tmp_path: Path, changes: dict[str, Any], places: list[tuple[str, str, str]]
) -> None:
    assert set(places) <= set(doubted(run, small.write(tmp_path / "d", **changes)))


BLANK = ",,,,,,,\n , ,,,,,,\n,,\n,,,,,,,\n,,,,,,,\n"
"""Empty rows: of commas, with spaces, of too few columns, several."""


def test_what_happens_in_practice_is_not_doubtful(run: Run, tmp_path: Path) -> None:
    """Raised and left there, raised a little or at the end, undiluted oxygen from the wall.

    Nor are tokens of the same digits otherwise parted alike; what `start` writes beside the tables
    is known, and empty rows at the end are left out.
    """
    settings = (
        f"{HEADER}007,0,,ventilator,8,,,,\n007,60,,,20,,,,\n007,120,,,20,,,,\n"
        "T2,0,,ventilator,8,0.4,,,\nT2,60,,,12,0.6,,,\nT2,120,,,8,0.4,,,\n"
        "T3,0,,blender,8,0.4,,,\nT3,60,,wall,8,1.0,,,\nT3,120,,blender,20,0.4,,,\n"
    )
    crew = "trip_id,crew_member,role\n007,C-1-11,nurse\nT2,C-11-1,nurse\n"
    trips = small.TABLES["trips"][1:] + BLANK
    assert run("start", tmp_path / "d").code == 0
    ran = run("check", small.write(tmp_path / "d", settings=settings, crew=crew, trips=trips))
    assert (ran.code, ran.err) == (0, "")
    assert "Doubtful: " not in ran.out
    assert "trips.csv: rows without anything in them were left out: 5." in ran.out
    assert "tables.txt" not in ran.out


def test_fractions_written_as_percents_are_set_aside_and_said_to_be_percents(
    run: Run, tmp_path: Path
) -> None:
    """In their own lines, whatever empty rows stand between."""
    settings = f"{HEADER}007,0,,,8,40,,,\n007,60,,,8,45,,,\n{BLANK}T2,0,,hose,8,50,,,\n"
    ran = run("check", small.write(tmp_path / "d", settings=settings))
    assert ran.code == 4
    assert "Doubtful: settings.csv, line 2: fio2: " in ran.out
    assert "settings.csv, line 9: source: must be one of" in ran.out
    assert "settings.csv: rows without anything in them were left out: 5." in ran.out
    assert "3 rows would be set aside and 1 thing is doubtful" in ran.out


def test_a_table_that_had_rows_last_month_and_has_none(run: Run, tmp_path: Path) -> None:
    """Twenty trips with a row each foresee twenty in the next month."""
    head = small.TABLES["trips"][1:].split("\n")[0]
    trips = [f"{m}{n},2026-0{m},b1,ground,croup,,,\n" for m in (1, 2) for n in range(20)]
    seen = "".join(f"1{n},0,96,\n" for n in range(20))
    folder = small.write(
        tmp_path / "d", trips=f"{head}\n{''.join(trips)}",
        observations=f"trip_id,at_s,spo2_pct,resp_rate\n{seen}",
        **{t: small.TABLES[t][1:].split("\n")[0] + "\n"
           for t in ("crew", "settings", "device_events", "contacts")},
    )  # fmt: skip
    assert doubted(run, folder) == [("observations.csv", "", "")]


def test_a_review_goes_on_and_says_so_each_time(run: Run, tmp_path: Path) -> None:
    folder = small.write(
        tmp_path / "d", **small.swap("settings", "heated,prong-2", "heated,prong-9")
    )
    with verdicts_alone():
        for _ in range(2):
            ran = run("review", folder, "--into", tmp_path / "out", "--month", "2026-01")
            assert (ran.code, ran.err) == (0, "")
            assert "1 thing is doubtful" in ran.out
    found = [
        row
        for row in rows(tmp_path / "out" / "2026-01" / "data" / "problems.csv")
        if row["kind"] == "doubtful"
    ]
    assert [(r["problem"], r["file"], r["line"], r["column"]) for r in found] == [
        ("unknown-cannula", "settings.csv", "2", "cannula")
    ]
    assert small.ask(
        tmp_path / "out" / "store.duckdb", "select count(*) from delivered.settings"
    ) == [(4,)]


# ---- the service's own words, and tokens

VOCABULARY = """
[vocabulary]
bases = ["b1", "b2", "Anna Keller"]
roles = ["nurse", "respiratory therapist"]
units = ["V-1"]
"""


def test_a_declared_word_passes_for_no_name_in_its_own_column_alone(
    run: Run, tmp_path: Path
) -> None:
    named = small.swap("trips", "T3,2026-02,b2", "T3,2026-02,Anna Keller")
    assert run("check", small.write(tmp_path / "a", **named)).code == 3
    elsewhere = small.swap("crew", "007,c1,nurse", "007,c1,Anna Keller")
    declared = small.write(tmp_path / "b", **named, **elsewhere, export=small.EXPORT + VOCABULARY)
    ran = run("check", declared)
    assert ran.code == 3
    assert "crew.csv, line 2: role: the cell looks like a person's name" in ran.err
    assert "trips.csv" not in ran.err


def test_a_declared_date_number_address_or_contact_is_refused(run: Run, tmp_path: Path) -> None:
    words = ["2026-03-04", "0049 30 901820", "12 Long Street", "a@b.example"]
    declared = ", ".join(f'"{word}"' for word in ["b1", "b2", *words])
    trips = small.TABLES["trips"][1:]
    trips += "".join(f"W{n},2026-02,{word},ground,croup,,,\n" for n, word in enumerate(words))
    export = small.EXPORT + f"\n[vocabulary]\nbases = [{declared}]\n"
    ran = run("check", small.write(tmp_path / "d", export=export, trips=trips))
    assert ran.code == 3
    for line, word in enumerate(words, start=5):
        assert f"trips.csv, line {line}: base" in ran.err
        assert word not in ran.err


def test_an_undeclared_word_is_doubtful_with_the_nearest_declared(run: Run, tmp_path: Path) -> None:
    folder = small.write(
        tmp_path / "d", export=small.EXPORT + VOCABULARY,
        **small.swap("crew", "T2,c2,respiratory therapist", "T2,c2,respiratory terapist"),
        **small.swap("trips", "T3,2026-02,b2", "T3,2026-02,Anna Keller"),
    )  # fmt: skip
    ran = run("check", folder)
    assert (ran.code, ran.out.count("Doubtful: ")) == (4, 1)
    assert "Doubtful: crew.csv, line 3: role: " in ran.out
    assert "the nearest known is respiratory therapist" in ran.out


NUMBERS = {
    **{t: small.TABLES[t][1:].split("\n")[0] + "\n" for t in small.TABLES if t != "trips"},
}  # fmt: skip


@pytest.mark.parametrize(
    ("trip_ids", "origin"),
    [(["48000000"], "hashed"), ([str(31_337 + 977 * n * n) for n in range(12)], "assigned")],
    ids=["long", "scattered"],
)
def test_record_numbers_as_trip_tokens_need_a_word(
    run: Run, tmp_path: Path, trip_ids: list[str], origin: str
) -> None:
    head = "trip_id,service_month,base,vehicle,diagnosis_group\n"
    trips = head + "".join(f"{trip},2026-02,b1,ground,croup\n" for trip in trip_ids)
    delivery = {
        **NUMBERS,
        "trips": trips,
        "export": small.EXPORT.replace("2026-01 = 3", ""),
    }
    ran = run("check", small.write(tmp_path / "a", **delivery))
    assert ran.code == 3
    assert "trips.csv, line 2: trip_id: the cell looks like a record number" in ran.err
    assert "[tokens] trip_id" in ran.err
    delivery["export"] += f'\n[tokens]\ntrip_id = "{origin}"\n'
    assert run("check", small.write(tmp_path / "b", **delivery)).code == 0


def test_numbers_given_out_in_turn_are_tokens(run: Run, tmp_path: Path) -> None:
    head = "trip_id,service_month,base,vehicle,diagnosis_group\n"
    trips = head + "".join(f"{100_300 + n},2026-02,b1,ground,croup\n" for n in range(40))
    export = small.EXPORT.replace("2026-01 = 3", "")
    assert run("check", small.write(tmp_path / "d", **{**NUMBERS, "trips": trips, "export": export})
               ).code == 0  # fmt: skip


def test_a_token_that_a_spreadsheet_would_run_is_set_aside(tmp_path: Path) -> None:
    tokens = ["=1+1", "+1", "-b1", "@b1", "x" * 65]
    contacts = "trip_id,at_s,contacted,about,authorised\n"
    contacts += "".join(f"007,300,medical_direction,{token},\n" for token in tokens)
    folder = small.write(tmp_path / "d", contacts=contacts)
    assert small.aside(folder) == [
        ("contacts.csv", line, "about", "not-a-token") for line in (2, 3, 4, 5, 6)
    ]


def test_a_bad_cell_of_a_ragged_file_is_screened_in_its_own_column(tmp_path: Path) -> None:
    observations = "trip_id,at_s,spo2_pct,resp_rate\n007,0\n007,60,96,17/01/2026\n"
    problem = small.only(small.refusals(small.write(tmp_path / "d", observations=observations)))
    assert (problem.line, problem.column) == (3, "resp_rate")
