"""The data dictionary: tables from their pandera models, settings files from pydantic."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from pipeline.docs.markdown import code, page, table
from pipeline.simulate.start import kind_of

IN = """\
A delivery is a folder: `export.toml`, `protocol.toml`, `cannulas.toml` and one file a table, named
after it. Times are elapsed whole seconds since the crew reached the bedside. An empty cell means
"not known" or "not charted here", never zero; a column that may be empty may also be left out. A
token is 1 to 64 characters on one line, of your own choice, never a name or number that identifies
a person, a place or a device."""

OUT = """\
`<month>/data/` beside the pages has each as CSV. Shares are fractions of 1. Null, an empty cell,
means "not known" or "does not apply", never zero. Tables marked *not a file* are on the pages and
in the workbook only."""

SHEETS = """\
Sheets that people fill in, as a workbook or as CSV, read by `tailrace determine`,
`tailrace correct` and `tailrace retrained`. All cells are text."""

STORE = """\
`store.duckdb` is a DuckDB file, for whoever asks it what no page answers; open it for reading only.
`delivered.*` holds every delivery as it was received and only grows; of these, the view
`delivered.holding` has the content of each trip that counts, and `delivered.protocol` the protocol
versions as they stand. `loop.*` holds what followed the flags. `judged.*` ({judged}) is made of
both, and anew as needed: nothing is kept there that is not known otherwise, and its columns may
change with any version of the program."""

CASES = """\
What case pages are drawn from, for whoever changes the pages; columns of the tables above are not
listed again."""


def dictionary_page() -> str:
    """Every table and column in and out, and every key of the settings files."""
    from schemas.contract import TABLES
    from schemas.followup import CorrectionsSheet, DeterminationsSheet, RetrainingSheet
    from schemas.followup_outputs import FOLLOWUP_OUTPUTS
    from schemas.measure_outputs import MEASURE_OUTPUTS
    from schemas.outputs import OUTPUTS

    sheets = {
        "determinations": DeterminationsSheet,
        "correct": CorrectionsSheet,
        "retraining (sheet)": RetrainingSheet,
    }
    written = {**OUTPUTS, **MEASURE_OUTPUTS, **FOLLOWUP_OUTPUTS}
    return page(
        "Data dictionary",
        "[A delivery](#a-delivery) · [Settings files](#settings-files) ·"
        " [What a review writes](#what-a-review-writes) ·"
        " [Sheets read back](#sheets-read-back) · [The store](#the-store) ·"
        " [Frames of a case page](#frames-of-a-case-page)",
        "## A delivery",
        IN,
        *_tables(TABLES),
        "## Settings files",
        *_settings(),
        "## What a review writes",
        OUT,
        *_tables(written, not_files=_not_files()),
        "## Sheets read back",
        SHEETS,
        *_tables(sheets),
        "## The store",
        *_store(),
        "## Frames of a case page",
        CASES,
        *_cases({**TABLES, **written}),
    )


def _not_files() -> set[str]:
    from schemas.followup_outputs import FOLLOWUP_OUTPUTS, MONTH_TABLES

    return {"rule_counts", *FOLLOWUP_OUTPUTS} - set(MONTH_TABLES)


def _tables(models: Mapping[str, Any], not_files: Iterable[str] = ()) -> Iterator[str]:
    for name, model in models.items():
        yield f"### {name}" + (" (not a file)" if name in not_files else "")
        yield _paragraphs(str(model.__doc__))
        yield _columns(model.to_schema().columns)


def _paragraphs(docstring: str) -> str:
    return "\n\n".join(" ".join(part.split()) for part in docstring.strip().split("\n\n"))


def _columns(columns: Mapping[str, Any]) -> str:
    """One row a column: what a cell may be, its unit, whether it may be empty, and its meaning."""
    return table(
        ["column", "a cell is", "unit", "empty", "meaning"],
        [
            [code(name), kind_of(field), _unit(field), _empty(field), field.description]
            for name, field in columns.items()
        ],
    )


def _unit(field: Any) -> str:
    unit = (field.metadata or {}).get("unit", "")
    return "none" if unit == "1" else str(unit)


def _empty(field: Any) -> str:
    return "may be" if field.nullable else "no"


def _store() -> Iterator[str]:
    """The store's tables, each with the columns that are not those of the delivery's table."""
    from pipeline.judging.evaluator import KEPT
    from pipeline.store.database import sql_type
    from schemas.contract import TABLES
    from schemas.followup import FOLLOWUP_TABLES
    from schemas.stored import STORED, stored_as

    yield STORE.format(judged=", ".join(map(code, sorted(KEPT))))
    for place, schemas in (("delivered", STORED), ("loop", FOLLOWUP_TABLES)):
        for name, schema in schemas.items():
            kept = {stored_as(table): table for table in TABLES}.get(name, "")
            contract = TABLES[kept].to_schema().columns if kept else {}
            without = "".join(f" without {code(c)}" for c in contract if c not in schema.columns)
            also = f" The columns of {code(kept)}{without}, and these:" if contract else ""
            yield f"### {place}.{name}"
            yield f"{schema.description}.{also}"
            yield table(
                ["column", "type", "empty", "meaning"],
                [
                    [code(column), sql_type(field), _empty(field), field.description]
                    for column, field in schema.columns.items()
                    if column not in contract
                ],
            )


def _cases(known: Mapping[str, Any]) -> Iterator[str]:
    """Each frame's own columns, beside what it shares with the table of its name."""
    from schemas.case_detail import CASE_TABLES

    for name, schema in CASE_TABLES.items():
        shared = set(known[name].to_schema().columns) if name in known else set()
        own = {column: field for column, field in schema.columns.items() if column not in shared}
        yield f"### Case: {name}"
        description = f"{schema.description}." if schema.description else ""
        also = f"Columns of {code(name)}{', and these:' if own else '.'}" if shared else ""
        yield " ".join(
            filter(None, [_paragraphs(description) if name not in known or own else "", also])
        )
        if own:
            yield _columns(own)


# ---- settings files


def _settings() -> Iterator[str]:
    from schemas.catalogue import Catalogue
    from schemas.export_file import ExportFile
    from schemas.protocol import ProtocolFile

    yield (
        "`tailrace start FOLDER` writes all three with comments. Unknown keys are refused. The"
        " parameters of each rule are in [rules.md](rules.md), the keys of a mapping file in"
        " [mapping.md](mapping.md)."
    )
    for file, model in (
        ("export.toml", ExportFile), ("protocol.toml", ProtocolFile), ("cannulas.toml", Catalogue),
    ):  # fmt: skip
        yield f"### {file}"
        yield _paragraphs(str(model.__doc__))
        yield table(["key", "value", "default", "meaning"], _keys(model))


def _keys(model: type[BaseModel], above: str = "") -> Iterator[list[str]]:
    """One row a key, those of a table or list of tables below it under its dotted name."""
    schema = model.model_json_schema()
    for name, field in model.model_fields.items():
        path = f"{above}{name}"
        inner = _model_in(field)
        kind = "table" if inner else _value(schema["properties"][name])
        if inner and "list" in str(field.annotation):
            kind = "list of tables"
        yield [code(path), kind, _default(field), str(field.description)]
        if inner:
            yield from _keys(inner, f"{path}.")


def _model_in(field: FieldInfo) -> type[BaseModel] | None:
    waiting: list[Any] = [field.annotation]
    while waiting:
        part = waiting.pop()
        if isinstance(part, type) and issubclass(part, BaseModel):
            return part
        waiting += get_args(part)
    return None


WORDS = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
}
BOUNDS = {
    "minimum": "at least {:g}", "exclusiveMinimum": "above {:g}", "maximum": "at most {:g}",
}  # fmt: skip


def _value(schema: Mapping[str, Any]) -> str:
    """A JSON schema of one key in words; what only code checks is in the description."""
    for part in schema.get("anyOf", []):
        if part.get("type") != "null":
            return _value(part)
    if "enum" in schema:
        return " or ".join(map(str, schema["enum"]))
    if schema.get("type") == "array":
        return f"list of {_value(schema['items'])}"
    if schema.get("type") == "object":
        inner = schema.get("additionalProperties")
        return f"table of {_value(inner)}" if isinstance(inner, dict) else "table"
    kind = WORDS.get(schema.get("type", ""), 'minutes above 0, or "until_changed"')
    bounds = [words.format(schema[key]) for key, words in BOUNDS.items() if key in schema]
    return ", ".join([kind, *bounds])


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "must be given"
    value = field.get_default(call_default_factory=True, validated_data={})
    if isinstance(value, BaseModel):
        return "see its keys"
    if value is None or value in ([], {}):
        return "none"
    return code(json.dumps(value))
