"""A protocol file as a person reads it, and what changed between two of them."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import Any

from pipeline.ingest.settings_files import read_protocol_file
from pipeline.rules import all_rules, parameters_of
from schemas.protocol import ProtocolFile, ProtocolVersion

WIDTH = 92
TRIPS_NAMED = 10


def check_protocol(path: Path) -> str:
    """Validate a protocol file and write it out in sentences; Refused lists what is wrong."""
    protocol = read_protocol_file(path)
    versions = sorted(protocol.version, key=lambda v: v.from_month)
    return "\n\n".join(_version(v) for v in versions)


def compare_protocols(before: Path, after: Path, store: Path | None) -> str:
    """What changed from one file to another, and, with a store, which verdicts change with it.

    The latest version of each file is compared; over a store, each trip is judged by the version
    of each file that was in force in its month.
    """
    old, new = read_protocol_file(before), read_protocol_file(after)
    lines = changes(_latest(old), _latest(new)) or ["Nothing that is judged has changed."]
    if store is not None:
        lines += ["", *_verdict_changes(old, new, store)]
    return "\n".join(lines)


def changes(old: ProtocolVersion, new: ProtocolVersion) -> list[str]:
    """One sentence for each difference between two versions, general settings first."""
    lines = []
    for name in type(old).model_fields:
        if name not in ("rules", "id"):
            lines += _field_changes(name, getattr(old, name), getattr(new, name))
    for rule in sorted({*old.rules, *new.rules}):
        lines += _rule_changes(rule, old, new)
    return lines


def _rule_changes(rule: str, old: ProtocolVersion, new: ProtocolVersion) -> list[str]:
    before, after = _judged(old).get(rule), _judged(new).get(rule)
    if before is None or after is None:
        if before is None and after is None:
            return []
        return [f"{rule}: {'is judged now' if before is None else 'is no longer judged'}."]
    lines = []
    for name, value in before.items():
        lines += _field_changes(f"{rule}.{name}", value, after[name])
    return lines


def _field_changes(name: str, before: Any, after: Any) -> list[str]:
    if before == after:
        return []
    return [f"{name}: was {_shown(before)}, is now {_shown(after)}."]


def _judged(version: ProtocolVersion) -> dict[str, dict[str, Any]]:
    return {name: p.model_dump() for name, p in parameters_of(version.rules).items()}


def _latest(protocol: ProtocolFile) -> ProtocolVersion:
    return max(protocol.version, key=lambda version: version.from_month)


def _version(version: ProtocolVersion) -> str:
    approved = version.approved
    state = f"approved by {approved.by} in {approved.month}" if approved else "LIMITS NOT APPROVED"
    lines = [f"Version {version.id}, in force from {version.from_month}: {state}.", ""]
    carried = "; ".join(
        f"{field} {_carry(value)}"
        for field, value in version.carry_forward_min.model_dump().items()
    )
    lines += [
        _wrapped(f"A charted value is taken to hold: {carried}."),
        _wrapped(
            f"Occlusions within {version.merge_within_s:g} s of the one before count as one."
            if version.merge_within_s
            else "Every logged occlusion counts."
        ),
        _wrapped(
            f"Clocks: {version.matched_tolerance_s:g} s are left uncertain where a start stands in"
            f" both records, {version.clock_tolerance_s:g} s where none does."
        ),
        _wrapped(f"Always read by a person: {', '.join(version.always_read) or 'nothing'}."),
        "",
    ]
    parameters = parameters_of(version.rules)
    for name, rule in all_rules().items():
        if name in parameters:
            p = parameters[name]
            extra = _rest(rule.asks, p.model_dump())
            lines.append(_wrapped(f"{name} ({p.severity}): {rule.asks_here(p)}{extra}."))
        else:
            lines.append(f"{name}: not judged.")
    return "\n".join(lines)


def _rest(asks: str, parameters: dict[str, Any]) -> str:
    """The parameters that the question itself does not name."""
    general = ("enabled", "severity", "text", "source")
    rest = {k: v for k, v in parameters.items() if k not in general and f"{{{k}" not in asks}
    return f" ({', '.join(f'{k} {_shown(v)}' for k, v in rest.items())})" if rest else ""


def _carry(value: Any) -> str:
    return "until changed" if value == "until_changed" else f"{value:g} min"


def _shown(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "nothing"
    if hasattr(value, "model_dump"):
        return ", ".join(f"{k} {_shown(v)}" for k, v in value.model_dump().items())
    return str(value).lower() if isinstance(value, bool) else str(value)


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="    ")


def _verdict_changes(old: ProtocolFile, new: ProtocolFile, store: Path) -> list[str]:
    """How many verdicts of which trips change, rule by rule."""
    from pipeline.judging.replay import difference

    rows, judged = difference(old, new, store)
    lines = [f"Over {judged} trips in the store:"]
    if not rows:
        return [*lines, "no verdict changes."]
    total = sum(len(trips) for *_, trips in rows)
    lines = [f"Over {judged} trips in the store, {total} verdicts change:"]
    for rule, was, becomes, trips in rows:
        named = ", ".join(trips[:TRIPS_NAMED]) + (" ..." if len(trips) > TRIPS_NAMED else "")
        lines.append(
            _wrapped(
                f"{rule}: {len(trips)} from {was or 'not judged'} to {becomes or 'not judged'}:"
                f" {named}".replace("_", " ")
            )
        )
    return lines
