"""The guide holds every key of a mapping file; every code that mapping raises says what to do."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from pipeline.errors.codes import TABLE
from pipeline.errors.kinds import NOTED, NOTHING
from pipeline.mapping.plan import check_cells
from pipeline.mapping.read_mapping import shipped
from schemas.mapping import (
    ByItself,
    ColumnMap,
    Filter,
    MappingFile,
    SourceFile,
    TableMap,
    Tokens,
    UnitFrom,
    View,
)
from schemas.mapping_text import parse_mapping

MODULES = Path(__file__).parents[2] / "pipeline" / "mapping"
GUIDE = (Path(__file__).parents[2] / "docs" / "mapping.md").read_text(encoding="utf-8")


EVERY = {code.id for code in TABLE if code.in_source or code.kind in (NOTED, NOTHING)}


def test_every_code_that_is_raised_is_one_of_a_source() -> None:
    """A code is the first argument of `refused` and `problem`, or stands in SQL as an answer."""
    used = set()
    raising = r"(?:refused|problem|_refusal|Unreadable)\(\s*\"([a-z0-9-]+)\""
    for path in [*MODULES.glob("*.py"), *(MODULES.parent / "files").glob("*.py")]:
        used |= set(re.findall(raising, path.read_text()))
    assert used <= EVERY
    raised = "\n".join(p.read_text() for p in MODULES.parent.rglob("*.py") if p.name != "codes.py")
    assert [code for code in EVERY if not re.search(f"[\"']{code}[\"']", raised)] == []


@pytest.mark.parametrize(
    "model",
    [MappingFile, SourceFile, View, TableMap, ColumnMap, Filter, Tokens, ByItself, UnitFrom],
)
def test_every_key(model: type) -> None:
    for name, field in model.model_fields.items():  # type: ignore[attr-defined]
        key = field.alias or name
        assert re.search(
            rf"`{key}`|^{key} = |^\[{key}\]|\b{key} = |`\[{key}|\[{key}\.", GUIDE, re.MULTILINE
        ), key


def test_the_examples_are_mapping_files() -> None:
    examples = re.findall(r"^```toml\n(.*?)^```", GUIDE, flags=re.DOTALL | re.MULTILINE)
    assert len(examples) == 2
    for text in examples:
        assert check_cells(parse_mapping(text, shipped()), "mapping.toml") == []


def test_every_command_exists() -> None:
    from typer.main import get_command

    from pipeline.cli.main import app

    command = get_command(app).commands["map"]  # type: ignore[attr-defined]
    options = {option for parameter in command.params for option in parameter.opts}
    used = set(re.findall(r"(?<!-)(--[a-z][a-z-]*)", GUIDE))
    assert used <= options
    assert {option for option in options if option.startswith("--")} == used
