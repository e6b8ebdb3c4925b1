"""Every rule gives the verdicts that its spec table says, case by case."""

from __future__ import annotations

import pytest

from pipeline.rules import all_rules

from .cases import Case, all_cases
from .store import verdicts


@pytest.mark.parametrize("case", all_cases(), ids=lambda case: case.id)
def test_case(case: Case) -> None:
    verdict, low, high, from_s, until_s, why = verdicts()[case.id]
    rule, expected = all_rules()[case.rule], case.expected
    got = f"{case.place}: got {verdict}, {low} to {high}, because of {why!r}"
    assert verdict.replace("_", " ") == expected.verdict, got
    if expected.numbers is not None:
        assert (low, high) == pytest.approx(expected.numbers), got
    if expected.unit is not None:
        one = expected.numbers == (1, 1) and expected.unit in ("episode", "run")
        assert rule.unit == (f"{expected.unit}s" if one else expected.unit), case.place
    if expected.span is not None:
        assert (from_s, until_s) == expected.span, case.place
    assert why in rule.sentences, f"{case.place}: no sentence says why"
    if expected.reason is not None:
        assert rule.sentences[why] == expected.reason, case.place
