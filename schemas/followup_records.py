"""What changed after a month was published, as typed records."""

from __future__ import annotations

from schemas.record import dataclass

CAUSES = ("late", "replaced", "corrected", "rejudged")
"""Came after the publication; delivered again with other content, or in another month; a value
corrected; judged otherwise though its record is the same."""


@dataclass(frozen=True)
class RestatedTrip:
    """A trip that is not as it was when its month was published; `cause` is one of CAUSES."""

    trip_id: str
    cause: str


@dataclass(frozen=True)
class RestatedFigure:
    """A published figure that is another one now; None where there was none, or is none."""

    measure: str
    group_by: str
    group_value: str
    unit: str
    then: float | None
    then_numerator: float | None
    then_denominator: float | None
    now: float | None
    now_numerator: float | None
    now_denominator: float | None
    why: str

    @property
    def change(self) -> float | None:
        """By how much it rose, in its unit."""
        return None if self.then is None or self.now is None else self.now - self.then


@dataclass(frozen=True)
class RestatedMonth:
    """One published month with figures that have changed: every trip behind it, every figure.

    `answers`: how many answers to its trips were read since.
    """

    month: str
    trips: tuple[RestatedTrip, ...]
    figures: tuple[RestatedFigure, ...]
    answers: int = 0

    def of(self, cause: str) -> tuple[str, ...]:
        """Tokens of the trips with one cause."""
        return tuple(trip.trip_id for trip in self.trips if trip.cause == cause)
