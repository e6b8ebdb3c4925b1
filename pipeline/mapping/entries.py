"""One entry of [files], and what the plans want of it."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.mapping.files import Found
from pipeline.mapping.plan import TablePlan
from schemas.mapping import SourceFile


@dataclass(frozen=True)
class Entry:
    """One entry of [files]: its number, the files it means, and the tables made from it."""

    number: int
    spec: SourceFile
    files: list[Found]
    plans: list[TablePlan]


def wanted_by(plans: list[TablePlan]) -> tuple[list[str], frozenset[str]]:
    """Every column that some plan reads, and those that all of them can do without."""
    names: dict[str, None] = {}
    needed: set[str] = set()
    for plan in plans:
        columns, optional = plan.wanted()
        names |= dict.fromkeys(columns)
        needed |= set(columns) - optional
    return list(names), frozenset(set(names) - needed)
