"""`tailrace retrained`: read which bases were retrained, when and about what.

Retraining comes with a delivery, in its table `training`, or from a sheet of its own. Both count
once; the last sheet that speaks of one decides whether it was held.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import Problem, in_cell
from pipeline.followup.screen_text import check_by, screened
from pipeline.followup.sheets import Row, Sheet, cell_problems, read_sheet
from pipeline.store.database import transaction
from pipeline.store.followup_tables import ensure_followup_tables, insert, next_number
from pipeline.store.ledger import record_stored
from pipeline.store.retrainings import WITHDRAWN, held_retraining
from pipeline.store.session import store_in
from schemas.connection import Connection
from schemas.followup import RetrainingSheet
from schemas.record import dataclass

TAB = "retraining"
KIND = "retrainings"
TOKENS = ("base", "crew_member", "rule")


@dataclass(frozen=True)
class Retrained:
    """What reading a sheet did: counts of its rows, and what was set aside."""

    read: int
    stored: int
    unchanged: int
    set_aside: int
    of_crew: int
    problems: list[Problem]


@dataclass(frozen=True)
class Entry:
    """One retraining a sheet tells of, or takes back."""

    line: int
    month: str
    base: str | None
    crew_member: str | None
    rule: str
    withdrawn: bool

    @property
    def key(self) -> tuple[str | None, ...]:
        """Tells the retraining, whether held or taken back."""
        return self.month, self.base, self.crew_member, self.rule


def retrained(file: Path, folder: Path, by: str | None = None) -> Retrained:
    """Store the retrainings of a sheet that are new; set aside rows that cannot stand.

    One transaction: all rows that can stand, or none. Refused if the sheet as a whole cannot be
    read.
    """
    check_by(by)
    sheet = read_sheet(file, RetrainingSheet, TAB)
    with store_in(folder) as con, transaction(con):
        ensure_followup_tables(con)
        held = {tuple(row) for row in con.execute(held_retraining(con)).fetchall()}
        withdrawn_before = {tuple(row) for row in con.execute(WITHDRAWN).fetchall()}
        entries, problems = _checked(con, sheet, held | withdrawn_before)
        new = [entry for entry in entries if entry.withdrawn == (entry.key in held)]
        if new:
            _store(con, sheet, new, by)
    aside = len({problem.line for problem in problems})
    of_crew = sum(entry.base is None for entry in entries)
    unchanged = len(sheet.rows) - len(new) - aside
    return Retrained(len(sheet.rows), len(new), unchanged, aside, of_crew, problems)


def _checked(
    con: Connection, sheet: Sheet, known: set[tuple[str | None, ...]]
) -> tuple[list[Entry], list[Problem]]:
    """The rows that can stand, each retraining once, and what is wrong with the others."""
    bases = {base for (base,) in con.execute(_BASES).fetchall()}
    problems: list[Problem] = []
    for row in sheet.rows:
        wrong = list(cell_problems(sheet, row, RetrainingSheet))
        problems += wrong or _row_problems(sheet.file, row, bases)
    problems += screened(con, sheet, sheet.rows, TOKENS, personal=("base", "crew_member"))
    bad = {problem.line for problem in problems}
    entries = [_entry(row) for row in sheet.rows if row.line not in bad]
    wrong = list(_contradictions(sheet.file, entries, known))
    bad = {problem.line for problem in wrong}
    once = {entry.key: entry for entry in reversed(entries) if entry.line not in bad}
    ordered = sorted([*problems, *wrong], key=lambda p: (p.line or 0, p.column or ""))
    return sorted(once.values(), key=lambda entry: entry.line), ordered


def _entry(row: Row) -> Entry:
    cells = row.cells
    return Entry(
        row.line, str(cells["month"]), cells.get("base"), cells.get("crew_member"),
        str(cells["rule"]), cells.get("withdrawn") is not None,
    )  # fmt: skip


def _row_problems(file: str, row: Row, bases: set[str]) -> Iterator[Problem]:
    """What one row with sound cells leaves out or gets wrong."""
    from pipeline.rules import all_rules

    base, crew, rule = (row.cells.get(name) for name in TOKENS)
    if (base is None) == (crew is None):
        what = "must name either a base or one crew member"
        remedy = "Fill in one of base and crew_member; one row each."
        yield in_cell("no-subject", file, row.line, "base", what, remedy=remedy)
    elif base is not None and base not in bases:
        what = "no trip of the store has this base"
        yield in_cell("unknown-base", file, row.line, "base", what)
    if rule not in all_rules():
        what = "there is no such rule"
        yield in_cell("unknown-rule", file, row.line, "rule", what)


def _contradictions(
    file: str, entries: list[Entry], known: set[tuple[str | None, ...]]
) -> Iterator[Problem]:
    """Rows that both tell of a retraining and take it back, or take back what nobody told of."""
    withdrawn_by_key: dict[tuple[str | None, ...], set[bool]] = {}
    for entry in entries:
        withdrawn_by_key.setdefault(entry.key, set()).add(entry.withdrawn)
    for entry in entries:
        if len(withdrawn_by_key[entry.key]) > 1:
            what = "the sheet both tells of this retraining and takes it back"
            yield in_cell("contradictory-answer", file, entry.line, "withdrawn", what)
        elif entry.withdrawn and entry.key not in known:
            what = "the store knows of no such retraining to take back"
            yield in_cell("unknown-retraining", file, entry.line, "withdrawn", what)


def _store(con: Connection, sheet: Sheet, new: list[Entry], by: str | None) -> None:
    sheet_no = next_number(con, "sheet", "sheet_no")
    number = next_number(con, "retraining", "retraining_no")
    insert(con, "sheet", [(sheet_no, KIND, sheet.sha256, by, len(sheet.rows), len(new))])
    insert(con, "retraining", [
        (place, sheet_no, entry.line, *entry.key, entry.withdrawn)
        for place, entry in enumerate(new, start=number)
    ])  # fmt: skip
    record_stored(con, KIND, sheet_no, {
        "by": by, "sha256": sheet.sha256, "rows_read": len(sheet.rows), "rows_kept": len(new),
    })  # fmt: skip


_BASES = """
    SELECT DISTINCT base FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
"""


def retrained_words(done: Retrained) -> str:
    """What a reading did, for the terminal; the problems come on their own."""
    rows = "1 row" if done.read == 1 else f"{done.read} rows"
    lines = [
        f"{rows} read: {done.stored} stored, {done.unchanged} known before,"
        f" {done.set_aside} set aside."
    ]
    if done.stored:
        lines.append("The Education page shows before and after from the next review on.")
    if done.of_crew:
        lines.append("Retraining of single crew members is kept and compared nowhere.")
    return "\n".join(lines)
