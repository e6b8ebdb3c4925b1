"""Retraining from a sheet of its own: what holds, what is set aside, what can be taken back."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from openpyxl import load_workbook

from pipeline.errors import Refused
from pipeline.followup import retraining as module
from pipeline.followup.ledger_words import ledger
from pipeline.followup.retraining import Retrained, retrained, retrained_words
from pipeline.store.retrainings import held_retraining
from pipeline.store.session import store_in
from schemas.followup import RetrainingSheet

from . import reviewed_store

RULE = "wall-oxygen-time"
COLUMNS = list(RetrainingSheet.to_schema().columns)


def row(**cells: str) -> dict[str, str]:
    """One retraining of the first base, unless told otherwise."""
    given = {"month": "2026-01", "base": "north", "crew_member": "", "rule": RULE, "withdrawn": ""}
    return given | cells


@pytest.fixture
def base(folder: Path) -> str:
    """A base of the store without a delivered retraining."""
    ((found,),) = reviewed_store.ask(folder, """
        SELECT min(base) FROM delivered.trips
        WHERE base NOT IN (SELECT base FROM delivered.training)""")  # fmt: skip
    return str(found)


def read(folder: Path, *rows: dict[str, str]) -> Retrained:
    return retrained(reviewed_store.write_csv(folder.parent / "retraining.csv", rows), folder, "E1")


def held(folder: Path) -> list[tuple[str | None, ...]]:
    with store_in(folder, read_only=True) as con:
        return sorted(con.execute(held_retraining(con)).fetchall(), key=str)


def test_a_sheet_joins_what_was_delivered_and_is_compared(folder: Path, base: str) -> None:
    from pipeline.followup.confirmed import make_flags
    from pipeline.measures import measure
    from pipeline.measures.bases import before_after_training
    from pipeline.store.answers_view import make_answers

    before = held(folder)
    done = read(folder, row(base=base), row(base="", crew_member="C-77"))
    assert (done.stored, done.unchanged, done.set_aside, done.problems) == (2, 0, 0, [])
    sentence = retrained_words(done)
    assert sentence.startswith("2 rows read: 2 stored, 0 known before, 0 set aside.")
    assert "crew members is kept and compared nowhere" in sentence
    assert set(held(folder)) - set(before) == {
        ("2026-01", base, None, RULE), ("2026-01", None, "C-77", RULE),
    }  # fmt: skip
    with store_in(folder) as con:
        measure(con, reviewed_store.MONTH)
        make_answers(con)
        make_flags(con, reviewed_store.MONTH)
        found = before_after_training(con, reviewed_store.MONTH)
    own = found.rows((found["base"] == base) & (found["rule"] == RULE))
    assert list(own["month"]) == ["2026-01"]
    assert "C-77" not in str(found.records())


def test_the_same_sheet_again_stores_nothing(folder: Path, base: str) -> None:
    rows = [row(base=base), row(base=base)]
    assert (read(folder, *rows).stored, read(folder, *rows).stored) == (1, 0)
    again = read(folder, *rows)
    assert (again.read, again.unchanged, again.set_aside) == (2, 2, 0)
    assert len(reviewed_store.ask(folder, "FROM loop.retraining")) == 1
    text, problems = ledger(folder)
    assert problems == []
    assert text.count("retrainings: 1 of 2 rows stored") == 1
    assert text.splitlines()[-2].endswith("by E1")


def test_what_was_delivered_is_known_and_may_be_taken_back(folder: Path) -> None:
    delivered = [entry for entry in held(folder) if entry[1]]
    month, base, _, rule = delivered[0]
    mine = row(month=str(month), base=str(base), rule=str(rule))
    assert read(folder, mine).unchanged == 1
    back = mine | {"withdrawn": "yes"}
    assert read(folder, back).stored == 1
    assert (month, base, None, rule) not in held(folder)
    assert (read(folder, back).stored, read(folder, back).problems) == (0, [])
    assert read(folder, mine).stored == 1
    assert (month, base, None, rule) in held(folder)
    assert len(reviewed_store.ask(folder, "FROM loop.retraining")) == 2, "each word is kept"


@pytest.mark.usefixtures("with_screen")
def test_rows_that_cannot_stand_are_set_aside_and_the_rest_is_used(folder: Path, base: str) -> None:
    done = read(
        folder,
        row(base=base),
        row(base=base, month="January"),
        row(base=""),
        row(base=base, crew_member="C-77"),
        row(base="nowhere"),
        row(base=base, rule="wall-oxigen-time"),
        row(base=base, month="2026-02", withdrawn="yes"),
        row(base=base, month="2025-12"),
        row(base=base, month="2025-12", withdrawn="yes"),
        row(base="", crew_member="Jane Doe"),
        row(base=base, rule=""),
        row(base=base, withdrawn="no"),
    )
    assert [(p.line, p.column, p.code) for p in done.problems] == [
        (3, "month", "not-a-token"),
        (4, "base", "no-subject"),
        (5, "base", "no-subject"),
        (6, "base", "unknown-base"),
        (7, "rule", "unknown-rule"),
        (8, "withdrawn", "unknown-retraining"),
        (9, "withdrawn", "contradictory-answer"),
        (10, "withdrawn", "contradictory-answer"),
        (11, "crew_member", "private-content"),
        (12, "rule", "missing-value"),
        (13, "withdrawn", "not-a-code"),
    ]
    assert (done.read, done.stored, done.unchanged, done.set_aside) == (12, 1, 0, 11)
    assert "Jane" not in str([problem.sentence() for problem in done.problems])
    assert ("2026-01", base, None, RULE) in held(folder)


def test_a_sheet_of_the_workbook_is_read(folder: Path, base: str) -> None:
    """A month that the spreadsheet made a date of is a month."""
    book = load_workbook(folder / "sheets" / f"{reviewed_store.MONTH}.xlsx")
    tab = book["retraining"]
    assert [cell.value for cell in tab[1]] == COLUMNS
    cells = {"month": pd.Timestamp("2026-01-01").to_pydatetime(), "base": base, "rule": RULE}
    for name, value in cells.items():
        tab.cell(2, COLUMNS.index(name) + 1, value)
    book.save(folder.parent / "filled.xlsx")
    done = retrained(folder.parent / "filled.xlsx", folder)
    assert (done.stored, done.problems) == (1, [])
    assert ("2026-01", base, None, RULE) in held(folder)
    del book["retraining"]
    book.save(folder.parent / "filled.xlsx")
    with pytest.raises(Refused) as refused:
        retrained(folder.parent / "filled.xlsx", folder)
    assert refused.value.problems[0].code == "missing-sheet"


def test_a_failure_leaves_nothing(folder: Path, base: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise RuntimeError

    before = held(folder)
    monkeypatch.setattr(module, "record_stored", fail)
    with pytest.raises(RuntimeError):
        read(folder, row(base=base))
    assert held(folder) == before
    assert reviewed_store.ask(folder, "FROM loop.sheet") == []


def test_a_store_from_before_there_were_such_sheets_still_verifies(folder: Path) -> None:
    before = held(folder)
    reviewed_store.tamper(folder, "DROP TABLE loop.retraining")
    assert ledger(folder)[0].splitlines()[-1].startswith("The ledger is whole: ")
    assert ledger(folder)[1] == []
    assert held(folder) == before


def test_a_table_that_is_taken_away_shows(folder: Path, base: str) -> None:
    assert read(folder, row(base=base)).stored == 1
    reviewed_store.tamper(folder, "DROP TABLE loop.retraining")
    sentences = [problem.sentence() for problem in ledger(folder)[1]]
    assert any("stored of retrainings is not" in sentence for sentence in sentences)
