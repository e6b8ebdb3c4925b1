"""Mistakes that people make, and what they are told: the cause, where they made it."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.errors import CODES, Mistake
from pipeline.mapping.command import map_source
from tests.acceptance.command_runs import Run
from tests.deep import examples
from tests.mapping.mistakes import FRESH, MISTAKES, Slip, workbook


def told(mistake: Slip, tmp_path: Path) -> tuple[list[tuple[str, str]], int]:
    """Every sentence with its code, in their order, and the exit code."""
    folder = mistake.write(tmp_path)
    try:
        mapped = map_source(folder, tmp_path / "out", months=mistake.months)
    except Mistake as error:
        return [(p.code, p.sentence()) for p in error.problems], error.exit_code
    found = [*mapped.account.first, *mapped.problems]
    return [(p.code, p.sentence()) for p in found], mapped.exit_code


def test_there_are_sixty() -> None:
    assert len(MISTAKES) >= 60
    assert len({mistake.name for mistake in MISTAKES}) == len(MISTAKES)


@pytest.mark.parametrize("mistake", MISTAKES, ids=lambda mistake: mistake.name)
def test_the_cause_is_said_first(mistake: Slip, tmp_path: Path) -> None:
    sentences, code = told(mistake, tmp_path)
    first, sentence = sentences[0]
    assert first == mistake.code, sentences
    assert mistake.place in sentence
    assert mistake.word in sentence
    assert code in CODES[first].exit_codes
    # one mistake is one thing to read, but where it goes on to spoil what hangs on it
    assert len(sentences) <= 3


@pytest.mark.parametrize("slip", FRESH[:: examples(3, 1)], ids=lambda slip: slip.name)
def test_as_typed(slip: Slip, run: Run) -> None:
    """What the last of the commands prints, the first of the table's own sentences first."""
    slip.write(Path.cwd())
    for typed in slip.typed.split("; "):
        ran = run(*typed.split())
    sentences = (ran.out + ran.err).splitlines()
    told = [line for line in sentences if slip.place in line and slip.word in line]
    assert told, sentences
    assert ran.code in CODES[slip.code].exit_codes
    if slip.typed.startswith("map") and "check" not in slip.typed:
        assert told[0] == sentences[0]


def test_without_a_mistake_nothing_is_said(tmp_path: Path) -> None:
    assert told(Slip("none", "", "", ""), tmp_path) == ([], 0)


def test_a_trip_that_was_left_out_is_not_missed(tmp_path: Path) -> None:
    """Its rows go with it: nobody is told that it has no time at the bedside."""
    only = {"[tables.trips]\n": '[tables.trips]\nwhere = [{ column = "mode", is = "road" }]\n'}
    assert told(Slip("filtered", "", "", "", mapping=only), tmp_path) == ([], 0)


def test_a_file_that_a_spreadsheet_program_holds_open_is_not_read(tmp_path: Path) -> None:
    files: dict[str, str | bytes | None] = {"trips.xlsx": workbook(), "~$trips.xlsx": b"lock"}
    stars = {'path = "trips.csv"': 'path = "*.xlsx"\nsheet = "Runs"'}
    assert told(Slip("open", "", "", "", files, stars), tmp_path) == ([], 0)
