"""A sheet with a slip in it is refused, with its place, instead of testing something else."""

from __future__ import annotations

import re

import pytest

from pipeline.rules.worked import SheetError, read_sheet

from .cases import Case, cases_of, never

SHEET = """\
# wall-oxygen-time

Parameters: limit_min = 50

## met: half an hour

Thirty minutes.

| trip | handover |
| ---- | -------- |
|      | 90:00    |

| settings  | at    | source     | flow_lpm |
| --------- | ----- | ---------- | -------- |
|           | 0:00  | wall       | 8.5      |
| set aside | ?     |            |          |
|           | 30:00 | ventilator |          |

Verdict: met, 29 to 31 min, from 0:00 until 30:00
"""

ROW = """\
# wall-oxygen-time

Parameters: limit_min = 50

| case | why | trip.handover | settings.source | settings.flow_lpm | contacts | verdict |
| --- | --- | --- | --- | --- | --- | --- |
| met: half an hour | Thirty minutes. | 90:00 | 0:00 wall; set aside ?; 30:00 ventilator \
| 0:00 8.5 | 40:00; 20:00 | met, 29 to 31 min, from 0:00 until 30:00 |
"""
"""The same with two calls, as a row."""


def read(text: str) -> Case:
    return cases_of([read_sheet(text, "sheet.md")])[0]


def test_a_sheet_as_it_should_be() -> None:
    case = read(SHEET)
    assert (case.kind, case.title) == ("met", "half an hour")
    assert case.parameters == {"limit_min": 50}
    assert case.tables == {
        "trips": [{"handover_s": 5400}],
        "settings": [
            {"at_s": 0, "source": "wall", "flow_lpm": 8.5},
            {"at_s": 1800, "source": "ventilator", "flow_lpm": None},
        ],
    }
    assert case.lost == [("settings", 1, None)]
    assert case.expected.numbers == (29, 31)
    assert case.expected.span == (0, 1800)


def test_a_row_of_cases_is_a_case() -> None:
    case, section = read(ROW), read(SHEET)
    calls = [{"contacted": "medical_direction", "at_s": at} for at in (1200, 2400)]
    assert case.tables == section.tables | {"contacts": calls}
    assert case.lost == [("settings", 2, None)]
    assert (case.id, case.parameters) == (section.id, section.parameters)
    assert case.expected == section.expected


def test_rows_and_sections_stand_in_one_sheet() -> None:
    sheet = read_sheet(ROW + SHEET.partition("= 50\n")[2].replace("half an hour", "so"), "sheet.md")
    assert [case.title for case in cases_of([sheet])] == ["half an hour", "so"]
    assert cases_of([sheet])[0].tables == read(ROW).tables


def test_a_reason_serves_several_verdicts() -> None:
    text = ROW.replace("= 50\n", "= 50\n\nNever authorised, borderline or not applicable: Why.\n")
    found = never([read_sheet(text, "sheet.md")])
    assert found == dict.fromkeys(("authorised", "borderline", "not applicable"), "Why.")


def test_numbers_of_a_verdict() -> None:
    met = "met, 29 to 31 min, from 0:00 until 30:00"

    def numbers(verdict: str) -> object:
        return read(SHEET.replace(met, verdict)).expected.numbers

    assert numbers("met") is None
    assert numbers("met, no number") == (None, None)
    assert numbers("met, at least 29 min") == (29, None)
    assert numbers("met, -4.02 to -1 min") == (-4.02, -1)
    assert numbers("met, 0.5 L/min, from 0:00 until 0:00") == (0.5, 0.5)


@pytest.mark.parametrize(
    ("was", "becomes", "complaint"),
    [
        ("met: half", "good: half", 'sheet.md, line 5: "good" is none of met, deviation'),
        ("## met: half an hour", "## met", "line 5: a sheet is"),
        ("# wall-oxygen-time\n", "wall-oxygen-time\n", "line 1: the first line"),
        ("Thirty minutes.\n", "", "line 5: a case needs a title and a sentence"),
        ("Verdict: met", "Verdict: good", '"good, 29 to 31 min'),
        ("Verdict: met", "Verdikt: met", "line 5: a case needs a verdict"),
        ("31 min", "31", "is no verdict"),
        ("0:00  | wall", "0     | wall", 'line 13: "0" is no time'),
        ("0:00  | wall", "0:60  | wall", 'line 13: "0:60" is no time'),
        ("?     | ", "0:70 | ", 'line 13: "0:70" is no time'),
        ("| wall ", "| wal  ", 'line 13: the contract does not allow "wal" as source'),
        ("8.5 ", "85  ", 'line 13: the contract does not allow "85" as flow_lpm'),
        ("| flow_lpm", "| flow    ", 'line 13: "flow" is no column of settings'),
        ("| set aside", "| left out ", 'line 13: "left out" is no mark of a row'),
        ("| settings ", "| setting  ", 'line 13: "setting" is no table of a case'),
        ("| wall       | 8.5      |", "| wall |", "line 15: the row has more or fewer cells"),
        ("limit_min = 50", "limit_min 50", "Parameters: "),
        ("|      | 90:00    |", "|      | 90:00    |\n|      | 91:00    |", "is of one trip"),
    ],
)  # fmt: skip
def test_slips_are_found(was: str, becomes: str, complaint: str) -> None:
    assert SHEET.count(was) == 1
    with pytest.raises(SheetError, match=re.escape(complaint)):
        read(SHEET.replace(was, becomes))


@pytest.mark.parametrize(
    ("was", "becomes", "complaint"),
    [
        ("met: half", "good: half", 'sheet.md, line 7: "good" is none of met, deviation'),
        ("met: half an hour", "met", 'line 7: a row of cases begins with "kind: title"'),
        ("Thirty minutes.", "", "line 7: a case needs a title and a sentence"),
        ("| verdict |", "| verdikt |", 'line 5: "verdikt" is no column of a case'),
        ("| contacts |", "| never |", 'line 5: "never" is no column of a case'),
        ("met, 29", "good, 29", '"good, 29 to 31 min'),
        ("0:00 wall", "0 wall", 'line 7: "0" is no time'),
        ("set aside ?", "?", 'line 7: "?" is no time'),
        ("0:00 wall", "0:00 wal", 'line 7: the contract does not allow "wal" as source'),
        ("30:00 ventilator", "0:00 ventilator", "settings.source has two values at 0:00"),
        ("40:00;", "40:00 me;", 'line 7: "" is no column of contacts'),
        ("settings.flow_lpm", "settings.flow", 'line 7: "flow" is no column of settings'),
        ("trip.handover", "trips.handover", 'line 5: "trips.handover" is no column of a case'),
    ],
)  # fmt: skip
def test_slips_in_a_row_are_found(was: str, becomes: str, complaint: str) -> None:
    assert ROW.count(was) == 1
    with pytest.raises(SheetError, match=re.escape(complaint)):
        read(ROW.replace(was, becomes))
