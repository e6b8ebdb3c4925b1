"""Make `contract_checks.py` from the contract: `python -m pipeline.ingest.make_checks`.

The checks are the contract's own, as pandera's ibis backend applies them. To make them takes
longer than to read a month's delivery, and they change with the contract alone.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from schemas.contract import TABLES
from schemas.shape import DataFrameSchema, to_pandera

if TYPE_CHECKING:
    import ibis.expr.types as ir

HEAD = '''"""Every check of the contract as SQL over the typed columns of its table.

Made by `python -m pipeline.ingest.make_checks`; a test holds it equal to the contract.
"""

# ruff: noqa: E501
# fmt: off

CHECKS: dict[str, dict[str, tuple[str, ...]]] = {
'''


def checks_module() -> str:
    """The text of `contract_checks.py`: by table and column, each check in the contract's order."""
    lines = [HEAD]
    for table, model in TABLES.items():
        lines.append(f"    {table!r}: {{\n")
        for column, checks in table_checks(model.to_schema()).items():
            lines.append(f"        {column!r}: (\n")
            lines += [f"            {check!r},\n" for check in checks]
            lines.append("        ),\n")
        lines.append("    },\n")
    return "".join([*lines, "}\n"])


def table_checks(schema: DataFrameSchema) -> dict[str, list[str]]:
    """SQL of each check of each column that has any, true or null where a cell is fine."""
    import ibis

    checked = to_pandera(schema)
    table = ibis.table({name: c.dtype.type for name, c in schema.columns.items() if c.dtype})
    return {
        name: [_sql(table, _expression(table, name, check)) for check in column.checks]
        for name, column in checked.columns.items()
        if column.checks
    }


def _expression(table: ir.Table, column: str, check: Any) -> ir.BooleanColumn:
    """What a pandera check says of each cell.

    Pandera's built-in checks answer with a one-column projection of the table; its expression is
    taken out, so that many checks share one scan. The check is made anew from its name and
    statistics, because one made before pandera's ibis backend was first used does not know it.
    """
    import ibis
    from pandera.api.checks import Check
    from pandera.api.ibis.types import IbisData
    from pandera.backends.ibis.checks import IbisCheckBackend
    from pandera.backends.ibis.register import register_ibis_backends

    register_ibis_backends()
    anew = getattr(Check, check.name)(**check.statistics)
    answer = IbisCheckBackend(anew).check_fn(IbisData(table, column))
    if isinstance(answer, ibis.Table):
        answer = answer.op().values[column].to_expr()
    return answer


def _sql(table: ir.Table, expression: ir.BooleanColumn) -> str:
    """The expression in DuckDB's SQL; codes sorted, because pandera keeps them as a set."""
    import ibis
    import sqlglot
    from sqlglot import expressions as e

    text = str(ibis.to_sql(table.select(ok=expression), dialect="duckdb"))
    (alias,) = sqlglot.parse_one(text, dialect="duckdb").expressions
    for column in alias.find_all(e.Column):
        column.set("table", None)
    for codes in alias.find_all(e.In):
        codes.set("expressions", sorted(codes.expressions, key=lambda code: code.sql("duckdb")))
    return str(alias.this.sql("duckdb"))


if __name__ == "__main__":
    place = Path(__file__).with_name("contract_checks.py")
    place.write_text(checks_module(), encoding="utf-8", newline="\n")
