"""`tailrace explain` prints what a rule asks, with the very cases that are tested."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.errors import Refused, Usage
from pipeline.ingest.settings_files import read_protocol_file
from pipeline.rules import all_rules
from pipeline.rules.explain import WIDTH, explain_all, explain_rule
from pipeline.rules.worked import SHOWN_KINDS

from .cases import all_cases

RULES = sorted(all_rules())
PROTOCOL = """
[[version]]
id = "2026.2"
from_month = "2026-06"
[version.rules.wall-oxygen-time]
limit_min = 40

[[version]]
id = "2026.1"
from_month = "2026-01"
[version.rules.wall-oxygen-time]
limit_min = 50
enabled = false
[version.rules.settings-gap]
limit_min = 30
"""


def words(text: str) -> str:
    return re.sub(r"\s+", " ", text)


@pytest.mark.parametrize("rule", RULES)
def test_says_everything_in_lines_that_fit(rule: str) -> None:
    text = explain_rule(rule)
    assert max(map(len, text.splitlines())) <= WIDTH
    told = words(text)
    known = all_rules()[rule]
    for part in (known.question, known.unknown_time, known.reason_to_ask, known.source):
        assert words(part) in told
    for name in known.parameters.model_fields:
        assert f" {name}: " in text


@pytest.mark.parametrize("rule", RULES)
def test_prints_the_tested_cases(rule: str) -> None:
    text = explain_rule(rule)
    tested = [case for case in all_cases() if case.rule == rule][: len(SHOWN_KINDS)]
    assert not [case.place for case in tested if "/" in case.place]
    assert tuple(case.kind for case in tested) == SHOWN_KINDS
    shown = [text.index(f"{case.kind.capitalize()}: {case.title}") for case in tested]
    assert shown == sorted(shown)
    for case, begins, ends in zip(tested, shown, [*shown[1:], len(text)], strict=True):
        told = text[begins:ends]
        assert told.count("Verdict: ") == 1
        assert f"Verdict: {case.expected.verdict}" in told
        for rows in case.tables.values():
            for value in {value for row in rows for value in row.values() if value}:
                assert isinstance(value, int) or str(value) in told


def test_all_rules_are_listed_with_their_questions() -> None:
    text = words(explain_all())
    for rule in all_rules().values():
        assert f"{rule.id} {words(rule.question)}" in text


def test_an_unknown_rule_lists_the_known_ones() -> None:
    with pytest.raises(Usage) as caught:
        explain_rule("nonesuch")
    assert 'there is no rule "nonesuch"' in str(caught.value)
    assert all(rule in str(caught.value) for rule in RULES)


def test_a_protocol_file_lends_its_values(tmp_path: Path) -> None:
    path = tmp_path / "local.toml"
    path.write_text(PROTOCOL, encoding="utf-8")
    text = words(explain_rule("wall-oxygen-time", read_protocol_file(path), path.name))
    assert "In local.toml Version 2026.1, from 2026-01: not judged" in text
    assert "Version 2026.2, from 2026-06: No more than 40 minutes (total)" in text
    assert 'limit_min = 40, at_limit = "pass"' in text
    assert "2026-06: not judged" in words(
        explain_rule("settings-gap", read_protocol_file(path), path.name)
    )


def test_a_protocol_file_that_cannot_be_used_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "local.toml"
    path.write_text(PROTOCOL.replace("limit_min = 40", "limit_min = 0"), encoding="utf-8")
    with pytest.raises(Refused, match="limit_min"):
        explain_rule("wall-oxygen-time", read_protocol_file(path), path.name)
