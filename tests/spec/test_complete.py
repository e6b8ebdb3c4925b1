"""Every rule has a spec table, and every spec table has every kind of case."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.rules import all_rules
from pipeline.rules.worked import SHOWN_KINDS, worked_sheet

from .cases import (
    AT_LIMIT,
    BOUNDARY,
    FOLDER,
    VERDICTS,
    Case,
    all_cases,
    cases_of,
    missing_kinds,
    never,
    sheets,
)

RULES = sorted(all_rules())


def own(rule: str, *kinds: str) -> list[Case]:
    cases = [case for case in all_cases() if case.rule == rule]
    return [case for case in cases if case.kind in kinds] if kinds else cases


def test_no_kind_is_missing() -> None:
    missing = [
        f"{rule}: {kind}"
        for rule in RULES
        for kind in missing_kinds(all_rules()[rule], own(rule), never(sheets(rule)))
    ]
    assert not missing, "spec tables lack these kinds of case: " + ", ".join(missing)


def test_a_rule_without_a_spec_table_would_be_found() -> None:
    unheard_of = replace(all_rules()["wall-oxygen-time"], id="unheard-of")
    found = sheets("unheard-of")
    assert missing_kinds(unheard_of, cases_of(found), never(found)) == [*VERDICTS, *AT_LIMIT]


@pytest.mark.parametrize("rule", RULES)
def test_a_kind_taken_away_would_be_found(rule: str) -> None:
    for kind in {case.kind for case in own(rule)} - set(never(sheets(rule))):
        left = [case for case in own(rule) if case.kind != kind]
        extra = kind in BOUNDARY and "at_limit" in all_rules()[rule].parameters.model_fields
        found = missing_kinds(all_rules()[rule], left, never(sheets(rule)))
        assert found == ([] if extra else [kind])


@pytest.mark.parametrize("rule", RULES)
def test_what_a_rule_never_says_has_no_sentence(rule: str) -> None:
    can = all_rules()[rule].sentences
    excluded = never(sheets(rule))
    assert set(excluded) <= {"authorised", "borderline", "not applicable"}
    for verdict in ("authorised", "borderline", "not applicable"):
        sentence = verdict.replace(" ", "_") in can
        assert sentence != (verdict in excluded), f'"{verdict}" of {rule}'
    assert not [case.id for case in own(rule) if case.expected.verdict in excluded]
    if all_rules()[rule].authorisation:
        assert "authorised" not in excluded


def test_every_sheet_is_of_a_rule() -> None:
    found = {path.stem for path in FOLDER.glob("*.md")}
    assert found <= set(RULES)
    for rule in RULES:
        assert {sheet.rule for sheet in sheets(rule)} == {rule}
        assert worked_sheet(rule)


@pytest.mark.parametrize("rule", RULES)
def test_worked_cases_are_the_three_shown(rule: str) -> None:
    sheet = worked_sheet(rule)
    assert sheet is not None
    assert tuple(case.kind for case in sheet.shown) == SHOWN_KINDS


def test_every_case_has_a_name_of_its_own() -> None:
    ids = [case.id for case in all_cases()]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("case", all_cases(), ids=lambda case: case.id)
def test_kind_and_verdict_agree(case: Case) -> None:
    if case.kind in VERDICTS:
        assert case.expected.verdict == case.kind, case.place


@pytest.mark.parametrize("rule", RULES)
def test_parameters_are_all_stated(rule: str) -> None:
    common = {"enabled", "severity", "goal_share", "text", "source"}
    wanted = set(all_rules()[rule].parameters.model_fields) - common
    for case in own(rule):
        assert set(case.parameters) == wanted, case.place


@pytest.mark.parametrize("rule", RULES)
def test_at_the_limit_only_the_parameter_differs(rule: str) -> None:
    passing, failing = ({c.title: c for c in own(rule, kind)} for kind in AT_LIMIT)
    assert passing.keys() == failing.keys()
    for title, case in passing.items():
        other = failing[title]
        assert case.parameters | {"at_limit": "fail"} == other.parameters, other.place
        assert case.parameters["at_limit"] == "pass", case.place
        assert case.recorded == other.recorded, other.place
        assert case.expected.verdict != other.expected.verdict, other.place


@pytest.mark.parametrize("rule", RULES)
def test_each_boundary_is_approached_from_both_sides(rule: str) -> None:
    inside, outside = (own(rule, kind) for kind in BOUNDARY)
    assert len(inside) == len(outside)
    for case, other in zip(inside, outside, strict=True):
        assert case.expected.verdict != other.expected.verdict, other.place
