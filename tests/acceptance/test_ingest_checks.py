"""The checks that stand in the tree are the contract's; reading a delivery imports no pandera."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.ingest import contract_checks
from pipeline.ingest.make_checks import checks_module
from schemas.contract import TABLES
from schemas.shape import to_pandera

from . import small_delivery

HEAVY = ("pandera", "ibis", "sqlglot")

REVIEW = """
import sys
from pathlib import Path
from pipeline.review import review
review(Path(sys.argv[1]), Path(sys.argv[2]))
print('imported:', *(name for name in sys.argv[3:] if name in sys.modules))
"""


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


def test_a_review_imports_nothing_that_only_makes_the_checks(tmp_path: Path) -> None:
    """In an interpreter of its own, which has imported nothing before."""
    delivery = small_delivery.write(tmp_path / "delivery")
    told = subprocess.run(
        [sys.executable, "-c", REVIEW, delivery, tmp_path / "store", *HEAVY],
        cwd=Path(__file__).parents[2], capture_output=True, text=True, check=True,
    )  # fmt: skip
    # before it there may be the database's bars, which it draws for code without a file
    assert told.stdout.splitlines()[-1].rstrip() == "imported:"
