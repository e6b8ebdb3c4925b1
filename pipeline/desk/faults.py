"""What is wrong with a case's form, in the words that stand on it, and at which of its fields."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.errors import Problem

LABELS = {
    "status": "The case", "refer_to": "Refer to", "note": "Note", "reviewer": "You",
    "action": "What is to be done", "owner": "For whom", "due_month": "Due",
    "query": "What the crew is asked", "query_due": "By when",
    "conclusion": "Does it hold", "contributed": "What contributed", "rules": "Findings",
}  # fmt: skip
"""What each field is called on the form, by the column of the sheet that it stands for."""


def as_on_the_form(problems: Sequence[Problem]) -> list[str]:
    """Each problem as a sentence without file, line and column; the same one once."""
    plain = [
        replace(p, file=None, line=None, column=LABELS.get(p.column or "", p.column))
        for p in problems
    ]
    return list(dict.fromkeys(p.sentence() for p in plain))


def at_fault(problems: Sequence[Problem]) -> list[str]:
    """Fields that a problem is about."""
    return list(dict.fromkeys(p.column for p in problems if p.column in LABELS))
