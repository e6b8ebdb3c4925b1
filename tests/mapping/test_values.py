"""What becomes of one cell: units, codes, null spellings, constants, hashes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.mapping import small_source

pytestmark = pytest.mark.usefixtures("without_screen")


def trips_csv(name: str, values: list[str]) -> str:
    lines = [f"T{n},2026-03,b1,ground,8,croup,{value}" for n, value in enumerate(values)]
    return "\n".join([f"case,month,site,kind,kg,dx,{name}", *lines, ""])


def mapped(tmp_path: Path, spec: str, name: str, values: list[str], **parts: str) -> list[str]:
    column = spec.partition(" =")[0]
    folder = small_source.source(tmp_path / "in", {"trips.csv": trips_csv(name, values)},
                        columns=spec, **parts)  # fmt: skip
    small_source.run(folder)
    return small_source.column(folder, column)


UNITS = [
    # exact by definition: 1 lb is 0.45359237 kg (international yard and pound agreement, 1959)
    ('weight_kg = { from = "x", unit = "lb" }', ["10", "18.5"], ["4.535924", "8.391459"]),
    ('weight_kg = { from = "x", unit = "g" }', ["8400", "0850"], ["8.4", "0.85"]),
    ('sending_fio2 = { from = "x", unit = "percent" }', ["29", "100"], ["0.29", "1"]),
    ('sending_fio2 = { from = "x", unit = "%" }', ["57.5"], ["0.575"]),
    ('sending_flow_lpm = { from = "x", unit = "mL/min" }', ["7500"], ["7.5"]),
    ('planned_transit_min = { from = "x", unit = "hour" }', ["1.5"], ["90"]),
    ('planned_transit_min = { from = "x", unit = "h:mm" }', ["1:35", "0:05"], ["95", "5"]),
    ('departed_s = { from = "x", unit = "min" }', ["12.5", "12", "0"], ["750", "720", "0"]),
    ('departed_s = { from = "x", unit = "h:mm" }', ["1:35:20", "26:00"], ["5720", "93600"]),
    ('age_months = { from = "x", unit = "year" }', ["2", "0.75", "1.99"], ["24", "9", "23"]),
    ('age_months = { from = "x", unit = "week" }', ["52", "53"], ["11", "12"]),
    ('age_months = "x"', ["7", "7.0", "7.9"], ["7", "7", "7"]),
    ('service_seq = "x"', ["7", "7.0"], ["7", "7"]),
    # without a unit the text is kept as it was written
    ('weight_kg = "x"', ["8.40", "1e1"], ["8.40", "1e1"]),
]
UNREADABLE = [
    ('weight_kg = "x"', ["8.4 kg", "ca. 8", "1.000.5", "inf", "0x10"], "not-a-number"),
    ('departed_s = { from = "x", unit = "h:mm" }', ["1:75"], "not-a-number"),
    ('departed_s = { from = "x", unit = "min" }', ["soon"], "not-a-number"),
    ('service_seq = "x"', ["7.5"], "not-a-whole-number"),
    ('outcome = "x"', ["better"], "not-a-code"),
    ('outcome = { from = "x", codes = { same = "unchanged" } }', ["Same"], "not-a-code"),
    ('spo2_exempt = "x"', ["yes"], "not-true-or-false"),
    ('service_month = "x"', ["2026-13"], "not-a-time"),
]


def column_of(spec: str) -> str:
    return spec.partition(" =")[0]


def side_by_side(cases: list[tuple[str, list[str], Any]]) -> list[list[tuple[str, list[str], Any]]]:
    """The cases in as few sources as have no column of ours twice."""
    sources: list[list[tuple[str, list[str], Any]]] = []
    for case in cases:
        ours = column_of(case[0])
        free = (s for s in sources if ours not in [column_of(spec) for spec, *_ in s])
        source = next(free, None)
        if source is None:
            sources.append(source := [])
        source.append(case)
    return sources


def source_of(folder: Path, cases: list[tuple[str, list[str], Any]]) -> Path:
    """A source with a column for each case: its texts in the first rows, then empty cells.

    The month of a trip is never empty.
    """
    most = max(len(texts) for _, texts, _ in cases)
    empty = ["2026-03" if "service_month" in spec else "" for spec, *_ in cases]
    columns = [
        [*texts, *[none] * (most + 1 - len(texts))]
        for (_, texts, _), none in zip(cases, empty, strict=True)
    ]
    names = ",".join(f"x{n}" for n in range(len(cases)))
    text = trips_csv(names, [",".join(row) for row in zip(*columns, strict=True)])
    specs = "\n".join(spec.replace('"x"', f'"x{n}"') for n, (spec, *_) in enumerate(cases))
    return small_source.source(folder, {"trips.csv": text}, columns=specs)


@pytest.mark.parametrize("cases", side_by_side(UNITS))
def test_units(tmp_path: Path, cases: list[tuple[str, list[str], list[str]]]) -> None:
    folder = source_of(tmp_path / "in", cases)
    small_source.run(folder)
    for spec, theirs, ours in cases:
        found = small_source.column(folder, column_of(spec))
        assert found[: len(theirs)] == ours, spec
        assert set(found[len(theirs) :]) <= {""}, spec


@pytest.mark.parametrize("cases", side_by_side(UNREADABLE))
def test_what_cannot_be_read_is_said_and_not_emptied(
    tmp_path: Path, cases: list[tuple[str, list[str], str]]
) -> None:
    folder = source_of(tmp_path / "in", cases)
    result = small_source.run(folder, problems=tmp_path / "problems.csv")
    small_source.found(result)
    assert result.exit_code == 4
    report = result.report(100)
    assert [text for _, theirs, _ in cases for text in theirs if text in report] == []
    assert small_source.listed(tmp_path / "problems.csv") == sorted(
        ("trips.csv", line, f"x{n}", code)
        for n, (_, theirs, code) in enumerate(cases)
        for line in range(2, 2 + len(theirs))
    )
    for spec, theirs, _ in cases:
        found = small_source.column(folder, column_of(spec))
        assert found[: len(theirs)] == ["unreadable"] * len(theirs)
        assert "unreadable" not in found[len(theirs) :]


def test_codes(tmp_path: Path) -> None:
    spec = (
        'outcome = { from = "x", ignore_case = true, otherwise = "unchanged",'
        ' codes = { WORSE = "more_support", "ett*" = "intubated", unknown = "" } }'
    )
    theirs = ["Worse", "ETT 3.5", "ett", "Unknown", "whatever", ""]
    ours = ["more_support", "intubated", "intubated", "", "unchanged", ""]
    assert mapped(tmp_path, spec, "x", theirs) == ours


def test_null_spellings_everywhere_and_for_one_column(tmp_path: Path) -> None:
    spec = 'weight_kg = { from = "x", nulls = ["999"] }'
    theirs = ["NA", " n/a ", "999", "8", "-"]
    ours = ["", "", "", "8", "unreadable"]
    assert mapped(tmp_path, spec, "x", theirs, top='nulls = ["NA", "n/a"]') == ours


def test_a_constant(tmp_path: Path) -> None:
    folder = small_source.source(tmp_path / "in", columns='device_log = { constant = "none" }\n'
                        "spo2_exempt = { constant = false }")  # fmt: skip
    small_source.run(folder)
    assert small_source.column(folder, "device_log") == ["none", "none"]
    assert small_source.column(folder, "spo2_exempt") == ["false", "false"]


def test_a_unit_that_each_row_states(tmp_path: Path) -> None:
    csv = trips_csv("age,unit", ["18,m", "2,y", "3,w", ",y", "2,"])
    spec = (
        'age_months = { from = "age",'
        ' unit = { column = "unit", means = { m = "month", y = "year" } } }'
    )
    folder = small_source.source(tmp_path / "in", {"trips.csv": csv}, columns=spec)
    result = small_source.run(folder)
    assert small_source.column(folder, "age_months") == ["18", "24", "unreadable", "", "unreadable"]
    assert small_source.found(result) == [("trips.csv", 4, "age", "not-a-unit")]


def test_ids_keep_their_zeros_and_lose_their_outer_spaces(tmp_path: Path) -> None:
    text = small_source.TRIPS.replace("T2", '" 007.0\u00a0"')
    folder = small_source.source(tmp_path / "in", {"trips.csv": text})
    small_source.run(folder)
    assert small_source.column(folder, "trip_id") == ["007", "007.0"]


@pytest.mark.parametrize(
    ("spec", "word"),
    [
        ('weight_kg = { from = "kg", unit = "min" }', "measures something else"),
        ('weight_kg = { from = "kg", unit = "wombats" }', "not a unit"),
        ('weight_kg = { from = "kg", unit = "kg**9" }', "must be a unit"),
        ('outcome = { from = "kg", unit = "kg" }', "has no unit"),
        ('outcome = { constant = "fine" }', '"fine" is none of unchanged'),
        ('outcome = { from = "kg", codes = { a = "fine" } }', '"fine" is none of unchanged'),
        ('outcome = { from = "kg", otherwise = "fine" }', "otherwise needs codes"),
        ('outcome = { from = "kg", unit = "kg", codes = { a = "weaned" } }', "cannot both"),
        ('outcome = { from = ["kg", "dx"] }', "only a time"),
        ('weight = "kg"', "no such column"),
        ('weight_kg = { form = "kg" }', "not a key"),
        ("weight_kg = { }", "needs either from"),
        ('crew = { from = "kg", token = "trip" }', "no such column"),
        ('trip_id = { from = "case", token = "trip" }', r"says that it is assigned"),
        ('weight_kg = { from = "kg", time = "iso" }', "is only for"),
        ('departed_s = { from = "kg", time = "iso" }', "bedside: is missing"),
    ],
)
def test_a_mapping_that_cannot_be_meant(tmp_path: Path, spec: str, word: str) -> None:
    import re

    folder = small_source.source(tmp_path / "in", columns=spec)
    if spec.startswith("trip_id"):
        text = (folder / "mapping.toml").read_text().replace('trip_id = "case"\n', "")
        (folder / "mapping.toml").write_text(text)
    problems = small_source.refusals(folder)
    assert {p.code for p in problems} == {"toml-content"}
    assert any(re.search(word, p.sentence()) for p in problems), problems
