"""Contacts: which of them authorise, and what it means that some cannot be read."""

from __future__ import annotations

from .model import Case, Seconds


def authorising(case: Case, code: str, by_s: Seconds) -> int:
    """How many contacts recorded no later than `by_s` carry the authorisation."""
    return sum(1 for row in case.contacts if row["authorised"] == code and row["at_s"] <= by_s)


def calls_to_medical_direction(case: Case) -> list[int]:
    """Recorded times of the calls to medical direction, in order."""
    return [row["at_s"] for row in case.contacts if row["contacted"] == "medical_direction"]


def settle(case: Case, verdict: str, *, authorised: bool) -> str:
    """What contacts make of a deviation or a borderline; other verdicts stay.

    Where contacts are not recorded, or one was set aside, the contact that would have
    settled it may exist unseen: nobody can tell.
    """
    if verdict not in ("deviation", "borderline"):
        return verdict
    if authorised:
        return "authorised"
    return verdict if case.certain("contacts") else "cannot_tell"
