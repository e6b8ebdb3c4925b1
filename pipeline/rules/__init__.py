"""Every rule of the review, found by file: a module here with a `RULE` is a rule."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from functools import cache
from typing import Any

from pydantic import ValidationError

from pipeline.rules.rule import Rule
from schemas.rule_parameters import Parameters


@cache
def all_rules() -> dict[str, Rule]:
    """Every rule by its id, in the order of their ids."""
    found = {}
    for module in pkgutil.iter_modules(__path__):
        rule = getattr(importlib.import_module(f"{__name__}.{module.name}"), "RULE", None)
        if isinstance(rule, Rule):
            found[rule.id] = rule
    return dict(sorted(found.items()))


def parameters_of(rules: Mapping[str, Mapping[str, Any]]) -> dict[str, Parameters]:
    """The enabled rules of one protocol version with their parameters, by id.

    Raises pydantic.ValidationError or KeyError on a table that `parameter_problems` would list.
    """
    known = all_rules()
    read = {
        name: known[name].parameters.model_validate(dict(rules[name])) for name in sorted(rules)
    }
    return {name: parameters for name, parameters in read.items() if parameters.enabled}


def parameter_problems(rules: Mapping[str, Any]) -> list[tuple[str, str]]:
    """What is wrong with the rules of one protocol version: (dotted path, sentence) pairs."""
    from schemas.located import plain_problems

    problems = []
    for name, table in rules.items():
        rule = all_rules().get(name)
        if rule is None:
            known = ", ".join(all_rules())
            problems.append((f"rules.{name}", f"is not a rule of this program; it knows {known}"))
            continue
        try:
            rule.parameters.model_validate(table)
        except ValidationError as error:
            problems += [
                (f"rules.{name}.{found.path}", found.message)
                for found in plain_problems(error, table)
            ]
    return problems
