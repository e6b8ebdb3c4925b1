"""Handing over: what an edition or a base's pack would tell, what to know first, and the act.

What was handed over cannot be unsaid, so what it would be can be looked at before (`proposed`), and
only `hand_over` remembers it and enters it in the ledger.
"""

from __future__ import annotations

from collections.abc import Callable

from pipeline.sharing.counts import SharedCounts, shared_counts
from pipeline.sharing.edition import Rows, received_of, shared_review
from pipeline.sharing.memory import keep, kept
from pipeline.sharing.periods import Period
from pipeline.sharing.sizes import given_away
from pipeline.store.database import transaction
from pipeline.store.ledger import record_shared
from schemas.connection import Connection
from schemas.month_review import MonthReview
from schemas.record import dataclass
from schemas.shared_outputs import SharedTables

WARNING = "Warning:"


@dataclass(frozen=True)
class Proposal:
    """What would be handed over, or was.

    `safe`: the review that all of it is drawn from; `new` and `shared_before`: its periods,
    oldest first; `cautions`: sentences for who hands it over, not for who gets it.
    """

    safe: MonthReview
    new: tuple[Period, ...]
    shared_before: tuple[Period, ...]
    cautions: tuple[str, ...]

    @property
    def tables(self) -> SharedTables:
        """The numbers that would be told."""
        assert self.safe.shared is not None
        return self.safe.shared

    def words(self, *, done: bool) -> str:
        """Which periods are, or would be, told for the first time and which again; cautions."""
        verb = "Told" if done else "Would be told"
        lines = []
        if self.new:
            lines.append(f"{verb} for the first time, and for good: {_listed(self.new)}.")
        if self.shared_before:
            lines.append(f"{verb} again, as first shared: {_listed(self.shared_before)}.")
        if not lines:
            until = self.tables.next_until
            lines.append(f"No period is told yet: the first one ends in {until} at the earliest.")
        return "\n".join([*lines, *self.cautions])


def proposed(con: Connection, review: MonthReview) -> Proposal:
    """What of a judged month may be told; stores nothing."""
    counts = shared_counts(con, review.month)
    before = kept(con)
    safe = shared_review(review, counts, before)
    assert safe.shared is not None
    periods = [
        Period(str(row["from_month"]), str(row["until_month"]))
        for row in safe.shared.periods.records()
    ]
    new = tuple(p for p in periods if p not in before)
    again = tuple(p for p in periods if p in before)
    cautions = [
        *_missing(review, new),
        *_restated(review, new),
        *_disclosed_too_much(counts, before, again),
    ]
    return Proposal(safe, new, again, tuple(cautions))


def hand_over(
    con: Connection,
    proposal: Proposal,
    by: str | None = None,
    base: str | None = None,
    write: Callable[[], None] = lambda: None,
) -> None:
    """The act: its periods are remembered as told, and the ledger gets an entry.

    `by`: who; `base`: whose pack it is, None for the whole edition. `write` writes what is handed
    over; if it fails, nothing was handed over. The first entry tells of the periods shared before
    there were entries, too.
    """
    with transaction(con):
        keep(con, proposal.tables, proposal.new)
        record_shared(con, proposal.safe.month, by, base)
        write()


def share(
    con: Connection, review: MonthReview, by: str | None = None, base: str | None = None
) -> Proposal:
    """What of a judged month may be told, handed over at once."""
    found = proposed(con, review)
    hand_over(con, found, by, base)
    return found


def _missing(review: MonthReview, new: tuple[Period, ...]) -> list[str]:
    """How many of the trips expected each new period was received with, in a sentence."""
    cautions = []
    for period in new:
        got, due = received_of(review, period)
        if due is None:
            cautions.append(
                f"{WARNING} {period.name} has {got:,} trips received; how many to expect is not"
                " known. Trips that come later are not added to it."
            )
        elif got < due:
            cautions.append(
                f"{WARNING} of {due:,} trips expected in {period.name}, {due - got:,} are missing."
                " Trips that come later are not added to it."
            )
        else:
            cautions.append(f"{period.name}: all {due:,} trips expected were received.")
    return cautions


def _restated(review: MonthReview, new: tuple[Period, ...]) -> list[str]:
    """Months of new periods that were published with other figures than they have now."""
    if review.followup is None:
        return []
    months = sorted({str(m) for m in review.followup.restatements["month"]})
    return [
        f"{WARNING} {month}, in {period.name}, was published, and its figures changed since; the"
        " period is told as they are now, and stays so if they change again."
        for period in new
        for month in months
        if period.holds(month)
    ]


def _disclosed_too_much(
    counts: SharedCounts, before: dict[Period, Rows], again: tuple[Period, ...]
) -> list[str]:
    """What periods shared by an earlier version told too much of, and cannot be unsaid."""
    cautions = []
    for period in again:
        own = counts.ventilator[counts.ventilator["month"].map(period.holds)]
        if sizes := given_away(before[period]["shared_sizes"], own):
            cautions.append(
                f"{WARNING} {period.name} was first shared by an earlier version, and what it told"
                f" cannot be unsaid: events and hours of few trips ({', '.join(sizes)}) are the"
                " whole service's without those of the sizes told. It stays as first shared, for"
                " whoever has it; think before handing it to anybody else."
            )
    return cautions


def _listed(periods: tuple[Period, ...]) -> str:
    return ", ".join(period.name for period in periods)
