"""Validate a delivery and say what is wrong, storing nothing."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from pathlib import Path

from pipeline.errors import Problem, Refused, problem
from pipeline.errors.mistakes import seen
from pipeline.ingest.delivery import Staged
from schemas.record import dataclass


@dataclass(frozen=True)
class Checked:
    """A report in lines, how many rows of each file would be set aside, and what is doubtful."""

    report: str
    set_aside: dict[str, int]
    doubtful: int


def check_delivery(
    delivery: Path, protocol: Path | None, cannulas: Path | None, *, shown: int
) -> tuple[str, int]:
    """A report in lines, and how many rows would be set aside or things are doubtful.

    Refused as `review` would be.
    """
    found = checked(delivery, protocol, cannulas, shown=shown, named=True)
    return found.report, sum(found.set_aside.values()) + found.doubtful


def checked(
    delivery: Path, protocol: Path | None, cannulas: Path | None, *, shown: int, named: bool = False
) -> Checked:
    """As `check_delivery`, with rows set aside by file.

    `named`: nothing of the report is kept, so files left unread are called by their names.
    """
    from pipeline.ingest.delivery import read_delivery
    from pipeline.store.database import open_scratch

    with open_scratch() as con:
        try:
            staged = read_delivery(con, delivery, protocol=protocol, cannulas=cannulas)
        except Refused as refused:
            raise Refused([*refused.problems, *_not_looked_at(refused.problems)]) from None
        every = staged.problems(con)
        rows = Counter(file for file, _ in {(p.file or "", p.line) for p in every})
        problems = _by_kind(every)
        doubtful = staged.doubtful(con)
    lines = [*_not_approved(staged), *_mentions(staged, named=named)]
    lines += [problem.sentence() for problem in problems[:shown]]
    if len(problems) > shown:
        lines.append(f"... and {len(problems) - shown} more kinds of problem.")
    lines += [f"Doubtful: {found.sentence()}" for found in doubtful[:shown]]
    if len(doubtful) > shown:
        lines.append(f"... and {len(doubtful) - shown} more that are doubtful.")
    lines += _end(rows.total(), len(doubtful))
    return Checked("\n".join(lines), dict(rows), len(doubtful))


def _mentions(staged: Staged, *, named: bool) -> list[str]:
    """A line for each; `named`: of a file that was left unread its own name, as can be shown."""
    from pipeline.ingest.delivery import UNSAID, may_name_a_person

    hidden = (name for name in staged.parts.unnamed if named and may_name_a_person(name))
    return [
        f"{seen(next(hidden, file)) if file == UNSAID else file}: {what}."
        for file, what in staged.mentions
    ]


def _end(set_aside: int, doubtful: int) -> list[str]:
    """The last line: whether the delivery can be reviewed, and with what."""
    if not set_aside and not doubtful:
        return ["Nothing is wrong: the delivery can be reviewed."]
    parts = [f"{set_aside} rows would be set aside"] if set_aside else []
    if doubtful:
        parts.append(f"{doubtful} {'thing is' if doubtful == 1 else 'things are'} doubtful")
    left = "the rest" if set_aside else "the delivery"
    return [f"{' and '.join(parts)}; {left} can be reviewed."]


def _by_kind(problems: list[Problem]) -> list[Problem]:
    """One problem for each thing wrong with a column: at its first line, with its count."""
    kinds: dict[tuple[str | None, ...], list[Problem]] = {}
    for found in problems:
        kinds.setdefault((found.file, found.column, found.code), []).append(found)
    return [
        replace(first, what=f"{first.what} (in {1 + len(more)} rows)") if more else first
        for first, *more in kinds.values()
    ]


def _not_looked_at(problems: list[Problem]) -> list[Problem]:
    """Say that the tables may hold more problems, where export.toml kept them from being read."""
    from pipeline.ingest.delivery_files import EXPORT

    unusable = ("toml-syntax", "toml-content", "not-utf8", "no-permission")
    if not any(p.file == EXPORT and p.code in unusable for p in problems):
        return []
    what = "until this file can be used, the tables are not looked at"
    remedy = "Correct it, see that the tables are filled, trips.csv at least, and check again."
    return [problem("toml-content", EXPORT, what, remedy=remedy)]


def _not_approved(staged: Staged) -> list[str]:
    """A line for each version of the protocol that nobody has approved."""
    versions = staged.files.protocol.version if staged.files.protocol else []
    return [
        f"protocol.toml: the limits of version {version.id} are not approved, and every page"
        " will say so."
        for version in versions
        if version.approved is None
    ]
