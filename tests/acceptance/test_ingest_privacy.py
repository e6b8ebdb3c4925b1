"""The privacy screen, on names of columns and on content; every identifier here is made up."""

from __future__ import annotations

import random
import re
from pathlib import Path

import duckdb
import pytest

from pipeline.ingest.looks import alphabet, in_ascii, looks, named_inside, perhaps_person, prepare
from pipeline.ingest.screen import private_name

from . import small_delivery

# kinds of identifier: 45 CFR 164.514(b)(2)(i)(A) to (R)
IDENTIFYING = {
    "a full date": [
        "2026-01-17", "17/01/2026", "1/17/26", "17.01.2026", "20260117", "2026-01-17T10:30",
        "17 Jan 2026", "January 17, 2026", "b. 3.4.2019",
    ],
    "a person's name": [
        "Ann Example", "Example, Ann", "EXAMPLE, ANN", "Ann B. Example", "Dr Example",
    ],
    "an e-mail or web address": ["ann@example.org", "https://example.org/7", "www.example.org"],
    "a phone number": ["555 0100 123", "(555) 010-0123", "+15550100123", "020 7946 0018"],
    "a social security number": ["000-12-3456"],
    "a long number, as record, account or phone numbers are": ["000123456", "no 1234567890"],
    "a labelled identifier": ["MRN 4711", "dob known", "S/N 4711"],
    "a postal address": ["12 Example Street", "7b Long Hill Rd."],
    "a postcode": ["ZZ9 9ZZ", "K1A 0B1", "00000-0000"],
    "a network address": ["192.0.2.17", "00:00:5E:00:53:01"],
    "free text": ["child was crying when we came", "seen. Then left"],
}  # fmt: skip
HARMLESS = [
    "007", "0012345", "T-2026-017", "2026-0017", "26-01-017", "trip 17", "c1", "b7f3",
    "bronchiolitis", "post operative cardiac", "Congenital heart disease", "Heart Failure",
    "Flight Nurse", "Respiratory Therapist", "respiratory therapist", "North Base", "base 12",
    "RSV+", "1.9 mm", "prong-2", "v3.1.2", "A1", "Q2", "flow/source", "PICU", "ICD J21.9",
    "3f2504e0-4f89-41d3-9a0c-0305e82c3301",
]  # fmt: skip
EACH = [(kind, value) for kind, values in IDENTIFYING.items() for value in values]


@pytest.fixture(scope="module")
def screened() -> dict[str, set[str]]:
    """What the screen takes each value for in a column that is no name of anything."""
    with duckdb.connect() as con:
        con.execute("create table cell (name VARCHAR, value VARCHAR)")
        values = [value for _, value in EACH] + HARMLESS
        con.execute("insert into cell select 'about', unnest(?)", [values])
        prepare(con, "cell")
        kinds = looks()
        answers = ", ".join(f"({condition})" for condition in kinds.values())
        rows = con.execute(f"select value, {answers} from cell").fetchall()
    return {
        value: {kind for kind, answer in zip(kinds, found, strict=True) if answer}
        for value, *found in rows
    }


@pytest.mark.parametrize(("kind", "value"), EACH)
def test_identifying_content_is_known_for_what_it_is(
    screened: dict[str, set[str]], kind: str, value: str
) -> None:
    assert any(kind in found for found in screened[value])


@pytest.mark.parametrize("value", HARMLESS)
def test_harmless_content_is_taken_for_nothing(screened: dict[str, set[str]], value: str) -> None:
    assert screened[value] == set()


def test_conditions_put_in_ascii_answer_alike() -> None:
    # plain texts are asked a shorter question: the same answer for samples, and for pieces of them
    # put together at random, in each kind of column
    samples = [v for v in [*(value for _, value in EACH), *HARMLESS] if v.isascii()]
    draw = random.Random(7)
    pieces = [*re.findall(r"\w+|\W", " ".join(samples)), *map(chr, range(1, 128)),
              "Van", "de", "Mr", "str", "suite", "Jan", "12", "2026", "no", "O'Example",
              "Dr", ". ", "Ann", "Flight", "lat 51.50741"]  # fmt: skip
    samples += ["0" * 17, "51.5074, -0.1278", "-1234567-"]
    texts = {
        *samples,
        *("".join(draw.choices(pieces, k=draw.randint(1, 6))) for _ in range(1_500)),
    }
    columns = ("about", "base", "crew_member", "trip_id", "ventilator_unit", "diagnosis_group")
    asked = {**looks(), "perhaps": perhaps_person(), "inside": named_inside()}
    differ = [f"count(*) filter (({sql}) is distinct from ({in_ascii(sql)}))"
              for sql in asked.values()]  # fmt: skip
    found = [f"count(*) filter ({sql})" for sql in asked.values()]
    with duckdb.connect() as con:
        con.execute("create table cell (name VARCHAR, value VARCHAR)")
        for column in columns:
            con.execute("insert into cell select ?, unnest(?)", [column, sorted(texts)])
        prepare(con, "cell")
        assert alphabet(con, "cell") is in_ascii
        assert set(con.execute(f"select {', '.join(differ)} from cell").fetchall()[0]) == {0}
        answers = con.execute(f"select {', '.join(found)} from cell").fetchall()[0]
        assert [what for what, n in zip(asked, answers, strict=True) if not n] == []
        con.execute("insert into cell (name, value) values ('base', 'Ω')")
        assert alphabet(con, "cell") is not in_ascii


def test_identifying_content_is_refused_and_never_shown(
    tmp_path: Path, screened: dict[str, set[str]]
) -> None:
    """A value of each kind in one delivery: each kind is told with the line it is first met in."""
    contacts = "trip_id,at_s,contacted,about,authorised\n007,300,medical_direction,flow,\n"
    for values in IDENTIFYING.values():
        contacts += f'007,360,medical_direction,"{values[0]}",\n'
    problems = small_delivery.refusals(small_delivery.write(tmp_path / "d", contacts=contacts))
    assert {(p.file, p.column, p.code) for p in problems} == {
        ("contacts.csv", "about", "private-content")
    }
    values = [each[0] for each in IDENTIFYING.values()]
    for kind in IDENTIFYING:
        first = next(n for n, v in enumerate(values, 3) if any(kind in k for k in screened[v]))
        assert [p.line for p in problems if kind in p.what] == [first], kind
    assert not [v for v in values for p in problems if v in p.sentence()]


def test_harmless_look_alikes_pass(tmp_path: Path) -> None:
    contacts = "trip_id,at_s,contacted,about\n"
    contacts += "".join(f'007,300,medical_direction,"{value}"\n' for value in HARMLESS)
    assert small_delivery.aside(small_delivery.write(tmp_path / "d", contacts=contacts)) == []


HASHES = {
    "sha256(i::VARCHAR)[:16]": "2026011720260117",
    "upper(sha256(i::VARCHAR)[:10])": "2026011720",
    "regexp_replace(md5(i::VARCHAR), '(.{8})(.{4})(.{4})(.{4})', '\\1-\\2-\\3-\\4-')":
        "3f2504e0-4f89-41d3-9a0c-030582113301",
}  # fmt: skip
"""Ways to write a keyed hash, and one of each that is a date or a number by chance."""


def test_keyed_hashes_pass_as_tokens(tmp_path: Path) -> None:
    """Of each way in a column of its own."""
    con = duckdb.connect()
    rows = con.execute(f"select {', '.join(HASHES)} from range(3000) t(i)").fetchall()
    trips = "trip_id,service_month,base,vehicle,diagnosis_group,ventilator_unit,heater_unit\n"
    trips += "".join(
        f"{trip},2026-01,b1,ground,croup,{unit},{heater}\n"
        for trip, unit, heater in [*rows, tuple(HASHES.values())]
    )
    empty = {
        name: small_delivery.TABLES[name][1:].split("\n")[0]
        for name in small_delivery.TABLES
        if name != "training"
    }
    assert (
        small_delivery.aside(small_delivery.write(tmp_path / "d", **{**empty, "trips": trips}))
        == []
    )


def test_long_numbers_are_no_hashes_and_a_serial_number_of_a_ventilator_is_known(
    tmp_path: Path,
) -> None:
    header = "trip_id,service_month,base,vehicle,diagnosis_group,ventilator_unit\n"
    trips = header + "".join(
        f"{600_000_000_000 + n},2026-01,b1,ground,croup,{'AB-1234567' if n == 1 else 'v3'}\n"
        for n in range(9)
    )
    problems = small_delivery.refusals(small_delivery.write(tmp_path / "d", trips=trips))
    found = {(p.line, p.column): p for p in problems}
    assert found.keys() == {(2, "trip_id"), (3, "ventilator_unit")}
    assert {p.code for p in problems} == {"private-content"}
    assert "8 more" in found[2, "trip_id"].what
    assert "serial number" in found[3, "ventilator_unit"].what


def test_two_words_for_a_person_look_like_a_name(tmp_path: Path) -> None:
    """Each of them; one word cannot be told from a token."""
    crew = "trip_id,crew_member,role\n" + "".join(
        f"007,{value},nurse\n" for value in ("Ann", "ann.example", "ann example", "example_ann")
    )
    problem = small_delivery.only(
        small_delivery.refusals(small_delivery.write(tmp_path / "d", crew=crew))
    )
    assert (problem.line, problem.column) == (3, "crew_member")
    assert "2 more" in problem.what


def test_content_of_cells_that_would_be_set_aside_is_looked_at_too(tmp_path: Path) -> None:
    folder = small_delivery.write(
        tmp_path / "d",
        **small_delivery.swap("settings", ",8,0.4", ",17/01/2026,0.4"),
        **small_delivery.swap("crew", "007,c1,nurse", "007,c1,nurse,Ann Example"),
    )
    problems = [(p.file, p.line, p.column) for p in small_delivery.refusals(folder)]
    assert sorted(problems) == [("crew.csv", 2, None), ("settings.csv", 2, "flow_lpm")]


PRIVATE_NAMES = [
    *("patient_name", "DateOfBirth", "dob", "home phone", "eMail", "MRN", "ZIP", "Notes",
      "vent_serial", "comment1x comment", "post code", "Street", "departure date"),
]  # fmt: skip


@pytest.mark.parametrize("name", PRIVATE_NAMES)
def test_private_names(name: str) -> None:
    assert private_name(name)


def test_every_column_with_a_private_name_is_refused(tmp_path: Path) -> None:
    names = PRIVATE_NAMES
    crew = f"trip_id,crew_member,role,{','.join(names)}\n007,c1,nurse{',x' * len(names)}\n"
    problems = small_delivery.refusals(small_delivery.write(tmp_path / "d", crew=crew))
    assert [(p.file, p.line, p.column, p.code) for p in problems] == [
        ("crew.csv", 1, name, "private-name") for name in names
    ]


@pytest.mark.parametrize("name", ["rank", "shift", "flow_kept", "serially", "daybreak", "renamed"])
def test_harmless_names(name: str) -> None:
    assert private_name(name) is None


def test_no_contract_column_has_a_private_name() -> None:
    from schemas.contract import TABLES

    names = {name for model in TABLES.values() for name in model.to_schema().columns}
    assert [name for name in sorted(names) if private_name(name)] == []
