"""A rule in words: question, parameters, unknown time, source, and three worked cases."""

from __future__ import annotations

import re
import textwrap
from typing import TYPE_CHECKING, Any

from pipeline.errors import usage
from pipeline.rules import all_rules, parameters_of
from pipeline.rules.rule import Rule
from pipeline.rules.worked import Section, key_lines, plain_table, worked_sheet
from schemas.rule_parameters import Parameters

if TYPE_CHECKING:
    from schemas.protocol import ProtocolFile

WIDTH = 92
CAUTION = "The local protocol, medical direction and law govern; these are not clinical advice."
TIMES = (
    "Times are minutes:seconds since the crew reached the bedside. Settings, observations,"
    " calls and trip times are recorded to the minute and the ventilator's log to the second,"
    " so each may be up to that much later than it is written."
)
"""How the times of worked cases are to be read."""


def explain_all() -> str:
    """Every rule with its question, one line each."""
    width = max(len(name) for name in all_rules())
    lines = [
        textwrap.fill(f"{name.ljust(width)}  {rule.question}", WIDTH,
                      subsequent_indent=" " * (width + 2))
        for name, rule in all_rules().items()
    ]  # fmt: skip
    return "\n".join([*lines, "", "tailrace explain RULE says more of one of them."])


def explain_rule(name: str, protocol: ProtocolFile | None = None, file: str = "") -> str:
    """One rule in full; with a `protocol`, whose file is called `file`, its versions' parameters.

    Usage where there is no such rule.
    """
    rule = all_rules().get(name)
    if rule is None:
        remedy = f"The rules are {', '.join(all_rules())}."
        raise usage("unknown-rule", "RULE", f'there is no rule "{name}"', remedy=remedy)
    parts = [rule.id, rule.question, "", _headed("Asks", asks_words(rule)), "", "Parameters"]
    parts += _parameters(rule)
    if protocol is not None:
        parts += ["", *_here(rule, protocol, file)]
    if rule.authorisation:
        parts += ["", _headed("Authorised by", f"a call that carries {rule.authorisation}")]
    for head, text in (
        ("Unknown time", rule.unknown_time),
        ("Why it is asked", rule.reason_to_ask),
        ("Source", rule.source),
    ):
        parts += ["", _headed(head, text)]
    return "\n".join([*parts, "", *_worked(rule), CAUTION])


def asks_words(rule: Rule) -> str:
    """The question's form with the names of the parameters where their values go."""
    return re.sub(r"\{(\w+)[^}]*\}", r"<\1>", rule.asks)


def _parameters(rule: Rule) -> list[str]:
    lines = []
    for name, field in rule.parameters.model_fields.items():
        default = (
            "no default" if field.is_required() else f"default {shown_value(field.get_default())}"
        )
        lines.append(_headed(f"  {name}", f"{field.description} ({default})"))
    return lines


def _here(rule: Rule, protocol: ProtocolFile, file: str) -> list[str]:
    """The rule as each version of a protocol file has it, every value written out."""
    lines = [f"In {file}"]
    for version in sorted(protocol.version, key=lambda v: v.from_month):
        head = f"  Version {version.id}, from {version.from_month}"
        lines.append(_headed(head, _values(rule, parameters_of(version.rules).get(rule.id))))
    return lines


def _values(rule: Rule, parameters: Parameters | None) -> str:
    if parameters is None:
        return "not judged"
    own = parameters.model_dump(exclude={"enabled"})
    values = ", ".join(f"{key} = {shown_value(value)}" for key, value in own.items())
    return f"{rule.asks_here(parameters)}. {values}"


def shown_value(value: Any) -> str:
    """A parameter's value as a protocol file writes it."""
    if isinstance(value, list):
        return f"[{', '.join(map(shown_value, value))}]"
    if isinstance(value, bool) or value is None:
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else f'"{value}"'


def _worked(rule: Rule) -> list[str]:
    """The worked cases as plain text; nothing where the rule has none."""
    sheet = worked_sheet(rule.id)
    if sheet is None:
        return []
    lines = ["Worked cases", *_indented(*sheet.shared.text)]
    lines += _indented(TIMES)
    lines += _lines_and_tables(sheet.shared)
    for case in sheet.shown:
        lines += ["", f"  {case.kind[:1].upper()}{case.kind[1:]}: {case.title}"]
        lines += [*_indented(*case.text), *_lines_and_tables(case)]
        lines += ["", *_indented(*key_lines(case.says, "Verdict", "Reason"))]
    return [*lines, ""]


def _lines_and_tables(section: Section) -> list[str]:
    lines = _indented(*key_lines(section.says, "Parameters", "Protocol", "Export"))
    for table in section.tables:
        lines += ["", *(f"    {row}" for row in plain_table(table))]
    return lines


def _indented(*paragraphs: str) -> list[str]:
    return [
        textwrap.fill(text, WIDTH, initial_indent="    ", subsequent_indent="    ")
        for text in paragraphs
    ]


def _headed(head: str, text: str) -> str:
    return textwrap.fill(f"{head}: {text}", WIDTH, subsequent_indent="    ")
