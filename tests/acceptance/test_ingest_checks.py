"""The checks in the tree are the contract's; `test_imports.py`: a review imports no pandera."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.ingest import contract_checks
from pipeline.ingest.make_checks import checks_module
from schemas.contract import TABLES
from schemas.shape import to_pandera


def test_the_checks_in_the_tree_are_those_of_the_contract() -> None:
    assert contract_checks.__file__ is not None
    assert Path(contract_checks.__file__).read_text(encoding="utf-8") == checks_module()


@pytest.mark.parametrize("table", TABLES)
def test_a_table_of_the_contract_becomes_the_pandera_schema_it_reads_like(table: str) -> None:
    schema = TABLES[table].to_schema()
    made = to_pandera(schema)
    assert list(made.columns) == list(schema.columns)
    for name, column in made.columns.items():
        ours = schema.columns[name]
        assert (str(column.dtype), column.nullable) == (str(ours.dtype), ours.nullable)
        assert [(c.name, c.statistics) for c in column.checks] == [
            (c.name, c.statistics) for c in ours.checks
        ]
