"""From nothing to a first month: settings files with comments, empty tables, and what goes in.

Rules, parameters, tables and columns are read from where they are defined, so that a new one
appears here by itself. What only the service can know is left for it to fill, as a value that
`tailrace check` names.
"""

from __future__ import annotations

import json
import os
import textwrap
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from pipeline.errors import usage

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo

    from pipeline.rules.rule import Rule

WIDTH = 96
TO_FILL = "# FILL IN"
NOT_YET_LOCAL = "illustrative, not yet from the local protocol"

EXPORT_TEXT = """\
# What a delivery is. Lines marked FILL IN are what only you can know.

# The version of the export contract these files follow.
contract = 1

# Your service's token: letters and digits of your own choice, not its name.
service = ""  {fill}

# The service months in this delivery, as in ["2026-01"].
months = []  {fill}

# On what basis your service may share the export with whoever reviews it; one of
# {bases}.
# A delivery on the basis safe-harbor is refused, because a service month is an element of a date.
# Your privacy officer and counsel decide.
privacy_basis = ""  {fill}

# What your counsel wants under every page that leaves the service, in one line; packs print it.
# confidentiality = "Peer-review record of our service: do not copy."

# Tables your service does not keep, as in ["training"]. Without them, what needs them cannot be
# told; everything else is judged. trips is always needed.
not_recorded = []

# The words your service uses: names of bases, roles and groups that are declared here pass the
# screen for people's names, and any other is pointed out, with the nearest of these.
# [vocabulary]
# bases = ["north", "St Heron"]
# roles = ["lead", "second"]
# diagnosis_groups = ["lower-airway"]
# units = ["V-north-1", "H-north-1"]

# Trip, crew or unit tokens that look like record numbers are refused, unless you state here that
# they are "hashed" or "assigned": numbers of your own that stand in no other record.
# [tokens]
# trip_id = "assigned"

# Columns of your export that are not in tables.txt and are to be left unread, as in
# ["crew.shift"].
# ignore = []

# How finely each table recorded its times, in seconds: 1, or 60 where they are to the minute.
# A table under not_recorded needs none.
[time_resolution_s]
{resolutions}

# A ventilator's clock that is off by more than this, in seconds, is reported, not corrected.
# [device_clock]
# max_offset_s = {max_offset_s}

# How many trips the dispatch log has for each month; pages then say "54 of 58 received".
# [expected_trips]
# 2026-01 = 58
"""

CANNULAS_TEXT = """\
# The cannulas you know, one entry a size. The entry below is invented: write your own and take
# out the "# " before each line of it.

# [[cannula]]
# # The token that settings.csv and trips.csv use for this size; it must never change its meaning.
# id = "prong-2"
# # Kind of cannula, and the order of sizes within the kind: 1 is the smallest.
# family = "prong"
# size_rank = 2
# # How pages name it.
# label = "prong 2 (1.9 mm)"
# # Outer diameter of a prong in mm; may be left out.
# prong_od_mm = 1.9
# # Flows it is meant for, L/min.
# flow_min_lpm = 2
# flow_max_lpm = 12
# # Weights it is meant for, kg; may be left out.
# weight_min_kg = 3
# weight_max_kg = 8
# # false: you do not carry it, but know it from hospitals that do.
# carried = true
"""

PROTOCOL_TEXT = """\
# Your local protocol in numbers. THE NUMBERS BELOW ARE ILLUSTRATIVE AND NOT CLINICAL ADVICE: they
# are those of an invented service. Replace each by what your own protocol says, and take out the
# rules that it does not have. Local protocol, medical direction and law govern.

[[version]]
# Your name of this version. Once reviewed, a version does not change: changed limits get a new
# [[version]] with an id and a from_month of its own.
id = "draft-1"

# The first service month it is in force, written YYYY-MM.
from_month = ""  {fill}

# NOT APPROVED. Every page says so until medical direction has approved these limits and you add
# who did (a token, not a name) and when, as in the next line.
# approved = {{ by = "D1", month = "2025-12" }}

# Occlusions this many seconds or less after the one before count as one blockage; 0: none do.
merge_within_s = {merge_within_s}

# What always puts a trip before a reader (NN in percent); of
# {triggers}.
always_read = {always_read}

# How far the device's clock may be off, in seconds: where no start of the ventilator stands in
# both records, and what remains where one does and the difference is removed.
clock_tolerance_s = {clock_tolerance_s}
matched_tolerance_s = {matched_tolerance_s}

# How many minutes a charted value is taken to hold when nothing else is charted; "until_changed"
# suits what is charted only when it changes.
[version.carry_forward_min]
{carry_forward}
"""

RULES_HEAD = """\
# The rules. Each may say enabled = false, which leaves it unjudged; text, the protocol's own
# sentence for the pages; and source, where the limit comes from.
"""

TABLES_HEAD = """\
What goes into each table. Save each as CSV: UTF-8, the header row as it is, commas between cells,
decimal points. An empty cell means "not known" or "not charted here", never zero.

Times (at_s, departed_s, arrived_s, handover_s) are whole seconds since the crew reached the
bedside. There are no dates but the service month, no names, record numbers or serial numbers:
people, bases, trips and devices appear by tokens of your own (1 to 64 characters on one line).
"""

NEXT = """\
Made {folder}, in order to a first month:
1. export.toml and protocol.toml: fill in what is marked FILL IN, and put your local protocol's
   limits in place of the illustrative ones. cannulas.toml: enter the sizes you know.
2. The tables: fill trips.csv and the others; tables.txt says what goes into each column.
3. tailrace check {folder} says what is still missing.
4. tailrace review {folder} writes the month's page."""


def start_folder(folder: Path) -> str:
    """Fill a new or empty folder with what a first delivery needs; return what to do next.

    Usage where the folder cannot be made, is a file, is not empty or may not be written.
    """
    empty_folder(folder)
    for name, text in _files().items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return NEXT.format(folder=folder)


def empty_folder(folder: Path) -> None:
    """Make the folder if it is missing; Usage where it cannot be filled."""
    what = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            what = "this folder is not empty"
        elif not os.access(folder, os.W_OK | os.X_OK):
            what = "this folder may not be written"
    except FileExistsError:
        what = "this is a file, not a folder"
    except PermissionError:
        what = "this folder may not be made or read"
    except OSError as error:
        what = f"this folder cannot be made ({error.strerror})"
    if what:
        raise usage("folder", None, what, file=str(folder))


def _files() -> dict[str, str]:
    """Every file of a new folder, by name."""
    from pipeline.ingest.delivery import TABLES_TEXT
    from pipeline.ingest.delivery_files import CANNULAS, EXPORT, PROTOCOL
    from schemas.contract import MAY_BE_ABSENT, TABLES

    headers = {
        f"{name}.csv": ",".join(model.to_schema().columns) + "\n"
        for name, model in TABLES.items()
        if name not in MAY_BE_ABSENT
    }
    return {
        EXPORT: export_text(),
        PROTOCOL: protocol_text(),
        CANNULAS: CANNULAS_TEXT,
        TABLES_TEXT: tables_text(),
        **headers,
    }


def export_text() -> str:
    """An export.toml to be filled in: every key, each with what it means."""
    from schemas.contract import PRIVACY_BASES
    from schemas.export_file import DEFAULT_MAX_OFFSET_S, TIMED

    return EXPORT_TEXT.format(
        fill=TO_FILL,
        bases=", ".join(PRIVACY_BASES),
        # 0 is refused with what it must be: a resolution nobody stated would invent precision
        resolutions="\n".join(f"{table} = 0  {TO_FILL}" for table in TIMED),
        max_offset_s=DEFAULT_MAX_OFFSET_S,
    )


def protocol_text() -> str:
    """An unapproved protocol.toml with every rule, its questions and illustrative parameters."""
    from pipeline.rules import all_rules
    from schemas.protocol import TRIGGERS

    demo = _invented_version()
    carry_forward = demo["carry_forward_min"]
    head = PROTOCOL_TEXT.format(
        fill=TO_FILL,
        merge_within_s=_toml(demo["merge_within_s"]),
        triggers="\n# ".join(textwrap.wrap(", ".join(TRIGGERS), WIDTH - 3)),
        always_read=_toml(demo["always_read"]),
        clock_tolerance_s=_toml(demo["clock_tolerance_s"]),
        matched_tolerance_s=_toml(demo["matched_tolerance_s"]),
        carry_forward="\n".join(f"{k} = {_toml(v)}" for k, v in carry_forward.items()),
    )
    tables = [_rule_text(rule, demo["rules"].get(rule.id, {})) for rule in all_rules().values()]
    return "\n".join([head, RULES_HEAD, *tables])


def _invented_version() -> dict[str, Any]:
    """The protocol of the invented service, whose numbers serve as illustration."""
    from pipeline.simulate.service import protocol_text as invented

    version: dict[str, Any] = tomllib.loads(invented("2026-01", all_rules=True))["version"][0]
    return version


def _rule_text(rule: Rule, demo: dict[str, Any]) -> str:
    """One rule's table; all of it a comment where a limit has no illustrative value."""
    lines = []
    incomplete = False
    for name, field in rule.parameters.model_fields.items():
        if name in ("enabled", "text", "source"):
            continue
        lines += _comment(meaning_of(field))
        if name not in demo and field.is_required():
            incomplete = True
            lines.append(f"{name} =")
        elif name not in demo and field.get_default() is None:
            # nothing is said where it is left out
            lines.append(f"# {name} =")
        else:
            lines.append(f"{name} = {_toml(demo.get(name, field.get_default()))}")
    lines += ['text = ""', f'source = "{NOT_YET_LOCAL}"']
    question = [*_comment(rule.question)]
    if rule.authorisation:
        question += _comment(f"Authorised by a call that carries {rule.authorisation}.")
    if incomplete:
        question += _comment("No illustrative limit: fill it in and take out the '# ' below.")
    body = [f"[version.rules.{rule.id}]", *lines]
    if incomplete:
        body = [f"# {line}" for line in body]
    return "\n".join([*question, *body, ""])


def meaning_of(field: FieldInfo) -> str:
    """A parameter's description, with the codes it may be."""
    codes = [code for code in _codes(field.annotation) if isinstance(code, str)]
    return f"{field.description}: {', '.join(codes)}" if codes else str(field.description)


def _codes(annotation: Any) -> Iterator[Any]:
    """The values of a Literal, also inside a list."""
    for part in get_args(annotation):
        yield from _codes(part) if get_args(part) else [part]


def _toml(value: Any) -> str:
    """A number, truth value, text or list of these as TOML, which writes them as JSON does."""
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return json.dumps(value, ensure_ascii=False)


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent="# ", subsequent_indent="#   ")


def tables_text() -> str:
    """Each table and column of the contract, with a line on what goes in."""
    from schemas.contract import TABLES

    parts = [TABLES_HEAD]
    for name, model in TABLES.items():
        schema = model.to_schema()
        width = max(map(len, schema.columns))
        lines = [f"{name}.csv", f"  {' '.join(str(model.__doc__).split())}", ""]
        for column, field in schema.columns.items():
            meant = f"{field.description} ({_kind(field)})"
            lines += textwrap.wrap(
                meant,
                WIDTH,
                initial_indent=f"  {column.ljust(width)}  ",
                subsequent_indent=" " * (width + 4),
            )
        parts.append("\n".join([*lines, ""]))
    return "\n".join(parts)


def _kind(field: Any) -> str:
    """What a column's cells may be, and whether they may be empty."""
    unit = (field.metadata or {}).get("unit")
    return f"{kind_of(field, unit)}; {'may be empty' if field.nullable else 'must be filled'}"


def kind_of(field: Any, unit: str | None = None) -> str:
    """What a column's cells may be, from its pandera type and checks; `unit` goes with a range."""
    from pipeline.ingest.problems import range_words
    from schemas.contract import MONTH_PATTERN, TOKEN_PATTERN

    words = {"int32": "whole number", "float64": "number", "boolean": "true or false"}
    patterns = {MONTH_PATTERN: "month, YYYY-MM", TOKEN_PATTERN: "token"}
    kind = words.get(str(field.dtype), "text")
    for check in field.checks:
        if "allowed_values" in check.statistics:
            kind = f"one of {', '.join(check.statistics['allowed_values'])}"
        else:
            kind = patterns.get(check.statistics.get("pattern"), kind)
    return kind + range_words(field.checks, unit)
