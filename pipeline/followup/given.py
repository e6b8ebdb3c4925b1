"""An answer as it is given, by a sheet's row or in the desk, and the trip it is given to."""

from __future__ import annotations

from dataclasses import field

from schemas.record import dataclass

FLAGGED = ("deviation", "borderline", "cannot_tell", "authorised")
FINDINGS = FLAGGED[:2]


@dataclass(frozen=True)
class Answer:
    """What a reader says of some findings of a trip; `rules` is empty for the case as a whole.

    `line` is the row of the sheet, or the place among a reader's answers in the desk. `conclusion`
    and `contributed` are in the words of `schemas.findings`.
    """

    line: int
    trip_id: str
    rules: tuple[str, ...]
    conclusion: str | None
    status: str
    refer_to: str | None
    reviewer: str
    action: str | None
    due_month: str | None
    note: str | None
    seen: str | None
    contributed: str | None = None
    basis: str = "read"

    @property
    def about(self) -> tuple[str | None, ...]:
        """Every rule it is about, or None once for the case as a whole."""
        return self.rules or (None,)

    @property
    def without_note(self) -> tuple[str | None, ...]:
        """What it says, the note apart, which may be left blank in a later sheet."""
        return (
            self.conclusion,
            self.contributed,
            self.status,
            self.refer_to,
            self.action,
            self.due_month,
        )


@dataclass(frozen=True)
class Trip:
    """What the store holds of a trip that is answered: its content, mark and verdicts."""

    trip_key: int
    month: str
    seen: str
    verdicts: dict[str, str] = field(default_factory=dict)

    @property
    def flags(self) -> list[str]:
        """Rules that flag it: what is to be concluded before its case is closed."""
        return [rule for rule, verdict in self.verdicts.items() if verdict in FINDINGS]
