"""The rules' page: each rule's question, parameters, unknown time, source and worked cases."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files

from pydantic.fields import FieldInfo

from pipeline.docs.markdown import capital, code, page, table
from pipeline.rules import all_rules
from pipeline.rules.explain import CAUTION, TIMES, asks_words, shown_value
from pipeline.rules.rule import Rule
from pipeline.simulate.start import meaning_of
from schemas.rule_parameters import Parameters

HEAD = """\
`tailrace explain RULE` prints the same, with `--protocol FILE` also your own limits. A rule is
judged where the protocol file has a table for it, `[version.rules.<rule>]`."""

VERDICTS = """\
Each rule answers each trip with one verdict: `met`; `deviation`, a variance for review;
`authorised`, a variance that a call allowed in time; `borderline`, where recorded times are too
coarse to say; `cannot_tell`, where the record does not hold what it takes; `not_applicable`."""


def rules_page() -> str:
    """Every rule in full, in the order of their ids."""
    rules = all_rules()
    return page(
        "Rules",
        HEAD,
        VERDICTS,
        f"{TIMES} {CAUTION}",
        table(
            ["rule", "question"],
            [[f"[{rule.id}](#{rule.id})", rule.question] for rule in rules.values()],
        ),
        "## What every rule's table may say",
        _parameters(Parameters),
        *[part for rule in rules.values() for part in _rule(rule)],
    )


def _rule(rule: Rule) -> Iterator[str]:
    yield f"## {rule.id}"
    yield f"**{rule.question}**"
    asks = re.sub(r"<(\w+)>", r"`\1`", asks_words(rule))  # bare, it would be taken for HTML
    yield f"Asks: {asks}."
    own = _parameters(rule.parameters, own=True)
    yield own or "It has no parameters of its own."
    if rule.authorisation:
        yield (
            f"Authorised by a call that carries {code(rule.authorisation)}. Where a row of the"
            " trip's calls was set aside, whatever its time, a variance cannot be told."
        )
    yield f"- Unknown time: {rule.unknown_time}\n- Why it is asked: {rule.reason_to_ask}\n" + (
        f"- Source: {rule.source}"
    )
    yield from _worked(rule)


def _parameters(model: type[Parameters], *, own: bool = False) -> str:
    """Parameters with their defaults; with `own`, without those that are as for every rule."""
    common = {name: repr(field) for name, field in Parameters.model_fields.items()}
    rows = [
        [
            code(name),
            "must be given" if field.is_required() else _default(field),
            capital(meaning_of(field)),
        ]
        for name, field in model.model_fields.items()
        if not own or common.get(name) != repr(field)
    ]
    return table(["parameter", "default", "meaning"], rows) if rows else ""


def _default(field: FieldInfo) -> str:
    """What holds where the parameter is left out; 'none' where it then says nothing."""
    default = field.get_default()
    return "none" if default is None else code(shown_value(default))


def _worked(rule: Rule) -> Iterator[str]:
    """The rule's sheet of worked cases as it stands, its headings two levels down."""
    sheet = files("pipeline.rules.worked") / f"{rule.id}.md"
    if not sheet.is_file():
        return
    _, _, text = sheet.read_text(encoding="utf-8").strip().partition("\n")
    yield "### Worked cases: " + rule.id
    yield re.sub(r"(?m)^## (.+)", lambda found: f"#### {capital(found[1])}", text.strip())
