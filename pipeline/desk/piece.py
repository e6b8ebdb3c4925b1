"""One piece of open work, of whatever kind."""

from __future__ import annotations

from schemas.months import later
from schemas.record import dataclass


@dataclass(frozen=True)
class Piece:
    """One open thing; months are YYYY-MM, `age` in months, `trip` empty where it is of several.

    `late`: its due month has passed. Work of a month is due the month after, with its review.
    """

    kind: str
    trip: str
    n: int
    why: str
    owner: str
    state: str
    opened: str
    due: str
    age: int
    late: bool
    href: str


def after(month: str) -> str:
    """The month after."""
    return later(month, 1)
