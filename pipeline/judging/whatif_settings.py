"""The `--set` of a what-if: settings of the protocol by name, and the values to try."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

from pipeline.errors import Usage, problem, usage
from pipeline.rules import all_rules, parameter_problems, parameters_of
from pipeline.store.protocol_versions import VersionInStore
from schemas.record import dataclass

GENERAL = ("merge_within_s", "clock_tolerance_s", "matched_tolerance_s", "carry_forward_min")
"""Settings of a protocol version that belong to no rule and bear on verdicts."""


@dataclass(frozen=True)
class Setting:
    """One setting by its dotted name, e.g. wall-oxygen-time.limit_min, and the values to try."""

    name: str
    values: tuple[Any, ...]

    @property
    def rule(self) -> str | None:
        """The rule it belongs to; None for a setting of the version as a whole."""
        first = self.name.partition(".")[0]
        return None if first in GENERAL else first


def parse_settings(given: Sequence[str]) -> list[Setting]:
    """Read `name=value[,value...]` of each; Usage where a name or form is wrong.

    Values are written as in the protocol file; plain words need no quotation marks there.
    """
    settings = [_parse(text) for text in given]
    names = [setting.name for setting in settings]
    for name in sorted({n for n in names if names.count(n) > 1}):
        raise _wrong(f"{name} is set twice", "Give all its values in one, with commas between")
    if sum(len(setting.values) > 1 for setting in settings) > 1:
        raise _wrong(
            "several settings have more than one value", "Try several values of one setting"
        )
    return settings


def _parse(text: str) -> Setting:
    name, equals, values = text.partition("=")
    name = name.strip()
    first, dot, parameter = name.partition(".")
    if not equals or not values.strip() or (first in all_rules() and not dot):
        raise _wrong(
            f'"{text[:60]}" does not set anything',
            f"Write it as RULE.PARAMETER=VALUE, e.g. {_example()}",
        )
    known = all_rules()
    if first in GENERAL:
        return Setting(name, _values(values))
    if first not in known:
        raise _wrong(f'there is no rule "{first[:60]}"', f"It knows {', '.join(known)}")
    fields = known[first].parameters.model_fields
    if parameter not in fields:
        raise _wrong(
            f'{first} has no parameter "{parameter[:60]}"', f"It has {', '.join(sorted(fields))}"
        )
    return Setting(name, _values(values))


def _example() -> str:
    return next(f"{r.id}.{r.curves[0]}=45" for r in all_rules().values() if r.curves)


def _values(text: str) -> tuple[Any, ...]:
    try:
        return tuple(tomllib.loads(f"x = [{text}]")["x"])
    except tomllib.TOMLDecodeError:
        return tuple(word.strip() for word in text.split(",") if word.strip())


def versions_with(
    versions: Iterable[VersionInStore], chosen: Sequence[tuple[str, Any]]
) -> list[VersionInStore]:
    """The versions with every (name, value) of `chosen` set; Usage if a value is out of range.

    A rule that a version does not judge stays unjudged in it.
    """
    return [_version_with(stored, chosen) for stored in versions]


def _version_with(stored: VersionInStore, chosen: Sequence[tuple[str, Any]]) -> VersionInStore:
    from pydantic import ValidationError

    from schemas.located import plain_problems
    from schemas.protocol import ProtocolVersion

    content = stored.version.model_dump()
    for name, value in chosen:
        path = name.split(".")
        if path[0] not in GENERAL:
            if path[0] not in stored.rules:
                continue
            path = ["rules", *path]
        _set(content, path, value)
    try:
        version = ProtocolVersion.model_validate(content)
    except ValidationError as error:
        problems = [(p.path, p.message) for p in plain_problems(error, content)]
    else:
        problems = parameter_problems(version.rules)
    if problems:
        raise Usage([
            problem("toml-content", None, f"{re.sub('^rules[.]', '', path)} {message}",
                    column="--set", remedy="Name another value.")
            for path, message in problems
        ])  # fmt: skip
    rules = parameters_of(version.rules)
    kept_rules = {name: rules[name] for name in stored.rules if name in rules}
    return replace(stored, version=version, rules=kept_rules)


def _set(content: dict[str, Any], path: list[str], value: Any) -> None:
    place: Any = content
    for part in path[:-1]:
        place = place.get(part) if isinstance(place, dict) else None
    if not isinstance(place, dict):
        raise _wrong(f"the protocol has no setting {'.'.join(path)}", "Check its name")
    place[path[-1]] = value


def shown(value: Any) -> str:
    """A value as it would be written after --set."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return "[" + ", ".join(shown(entry) for entry in value) + "]"
    return str(value)


def _wrong(what: str, remedy: str) -> Usage:
    return usage("toml-content", "--set", what, remedy=f"{remedy}.")
