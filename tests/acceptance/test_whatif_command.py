"""`tailrace whatif` on a reviewed delivery, with every parameter of every rule a user can set."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pipeline.cli.main import app
from pipeline.judging.versions import versions_in_store
from pipeline.judging.whatif_settings import GENERAL
from pipeline.rules import all_rules
from pipeline.store.session import store_in
from tests.deep import examples

from .command_runs import Reviewed

pytestmark = pytest.mark.usefixtures("without_screen")


PARAMETERS = [f"{name}.{field}" for name, rule in all_rules().items()
              for field in rule.parameters.model_fields]  # fmt: skip
IN_SHORT = [*[*{name.partition(".")[0]: name for name in PARAMETERS}.values()][::3],
            next(name for name in PARAMETERS if name.endswith(".enabled"))]  # fmt: skip
"""Tried alone, with several values; with `--deep` all are. All of a rule are tried together, of
every second rule and with `--deep` of each."""
OF_VERSION = [*GENERAL[1 : examples(2, 3)],
              *examples(0, 1) * ["merge_within_s", "carry_forward_min.flow_lpm"]]  # fmt: skip
"""`tests/followup/test_whatif.py` tries the others, as a full run has them."""
OTHER_WORDS = {
    "at_limit": ("pass", "fail"),
    "count": ("total", "longest"),
    "severity": ("low", "high"),
    "enabled": ("true", "false"),
    "goal_share": ("0.05", "0.2"),
    "recovery_counts": ("true", "false"),
    "convert_to": ('"prong"', '"wide"'),
    "satisfied_by": ('["ventilator"]', '["ventilator", "other"]'),
    "accepted_reasons": ('["heater_failed"]', '["power_lost", "supply_low"]'),
}


@pytest.fixture(scope="module")
def reviewed(clean_review: Reviewed) -> Path:
    assert clean_review.ran.code == 0
    return clean_review.out


@pytest.fixture(scope="module")
def in_force(reviewed: Path) -> dict[str, dict[str, Any]]:
    """The parameters of every rule of the invented service's protocol."""
    with store_in(reviewed, read_only=True) as con:
        return {n: p.model_dump() for n, p in versions_in_store(con)[-1].rules.items()}


def values(field: str, now: Any) -> list[str]:
    """Values to try, as they are written after the equals sign, the one in force among them."""
    if isinstance(now, bool) or not isinstance(now, int | float):
        return list(OTHER_WORDS.get(field, ('"one"', '"another"')))
    if isinstance(now, int):
        return [str(now), str(now + 1), str(max(1, now - 1))]
    lower = "0.3" if field == "fio2" else f"{now * 0.6:g}"
    upper = "0.7" if field in ("fio2", "goal_share") else f"{now + 1:g}"
    return [f"{now:g}", lower, upper]


def clean(reviewed: Path, *arguments: str) -> str:
    """What the command printed; it must end with 0, no exception and no warning."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        ended = CliRunner().invoke(app, ["whatif", "--into", str(reviewed), *arguments])
    assert ended.exception is None, (arguments, ended.output, ended.exception)
    assert ended.exit_code == 0
    assert ended.stderr == ""
    return ended.stdout


@pytest.mark.parametrize("name", PARAMETERS if examples(0, 1) else IN_SHORT)
def test_every_parameter_of_every_rule_can_be_tried(
    reviewed: Path, in_force: dict[str, dict[str, Any]], name: str
) -> None:
    rule, _, field = name.partition(".")
    tried = values(field, in_force[rule][field])
    printed = clean(reviewed, "--set", f"{name}={','.join(tried)}")
    head, columns, *lines = printed.splitlines()
    assert head.startswith(f"{name}, over ")
    of_rule = [line for line in lines[: len(tried)] if f"  {rule}  " in line]
    assert len(of_rule) == len(tried), printed
    assert columns.split()[:2] == ["value", "rule"]


@pytest.mark.parametrize("rule", [*all_rules()][:: examples(2, 1)])
def test_every_parameter_of_a_rule_can_be_another_at_once(
    reviewed: Path, in_force: dict[str, dict[str, Any]], rule: str
) -> None:
    others = {n: values(n, now)[1] for n, now in in_force[rule].items() if n != "enabled"}
    assert {f"{rule}.{name}" for name in others} >= {
        n for n in PARAMETERS if n.startswith(f"{rule}.") and not n.endswith(".enabled")
    }
    given = [word for name, value in others.items() for word in ("--set", f"{rule}.{name}={value}")]
    printed = clean(reviewed, *given)
    assert f"  {rule}  " in printed
    assert all(f"{rule}.{name}=" in printed for name in [*others][1:]), "each of them holds"


# of every rule with `--deep`; that each can be tried at all, the test above holds
@pytest.mark.parametrize("rule", [*all_rules()][:: examples(6, 1)])
def test_one_value_alone_can_be_tried_of_every_rule(
    reviewed: Path, in_force: dict[str, dict[str, Any]], rule: str
) -> None:
    name, now = next((n, v) for n, v in in_force[rule].items() if n != "enabled")
    printed = clean(reviewed, "--set", f"{rule}.{name}={values(name, now)[-1]}", "--all")
    assert f"  {rule}  " in printed


@pytest.mark.parametrize("name", OF_VERSION)
def test_every_setting_of_the_whole_version_can_be_tried(reviewed: Path, name: str) -> None:
    assert name in clean(reviewed, "--set", f"{name}=7,45")


def test_every_rule_is_judged_there(in_force: dict[str, dict[str, Any]]) -> None:
    assert in_force.keys() == all_rules().keys()
    assert len(PARAMETERS) > 90
