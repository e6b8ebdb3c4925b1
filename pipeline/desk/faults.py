"""What is wrong with a case's form, in the words that stand on it, and at which of its fields."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from pipeline.desk.drafts import Fields
from pipeline.errors import Problem
from pipeline.followup.screen_text import refused_words
from pipeline.store.database import open_scratch

LABELS = {
    "status": "The case", "refer_to": "Refer to", "note": "Note", "reviewer": "You",
    "missed": "Was something missed",
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


def quoted(problems: Sequence[Problem], fields: Fields) -> list[Problem]:
    """The problems, those of privacy with the words that were refused: only who wrote them sees it.

    Elsewhere, as in a log or on a terminal, they are not repeated.
    """
    return [_quoted(p, fields) if p.code == "private-content" else p for p in problems]


def _quoted(problem: Problem, fields: Fields) -> Problem:
    name = (problem.column or "").lstrip("-")
    text = next((v.strip() for v in fields.get(name, []) if v.strip()), "")
    if not text:
        return problem
    with open_scratch() as con:
        found = refused_words(con, text)
    kind = problem.what.rpartition("looks like ")[2]
    return replace(problem, what=f'"{found}" looks like {kind}', column=name)
