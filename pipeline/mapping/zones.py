"""When a time zone's clocks change, asked of zoneinfo day by day."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

DAY_S = 86_400
BEFORE_S, AFTER_S = 2 * DAY_S, 4 * DAY_S
"""How far from its bedside time a trip's other times may lie; the contract allows two days."""

FIRST_S = int(datetime(1970, 1, 1, tzinfo=UTC).timestamp()) + 10 * DAY_S
LAST_S = int(datetime(2200, 1, 1, tzinfo=UTC).timestamp())
"""Times outside are typing mistakes."""


def offset_s(zone: ZoneInfo, utc_s: int) -> int:
    """Return the zone's offset from UTC, in seconds, at a moment in seconds since 1970."""
    offset = datetime.fromtimestamp(utc_s, tz=UTC).astimezone(zone).utcoffset()
    return int((offset or timedelta()).total_seconds())


def changes(zone: ZoneInfo, days: Iterable[int]) -> list[tuple[int, int, int, int | None]]:
    """For each day (since 1970): the offset before and after, and when the clock changes.

    It changes at most once in the days around a trip; None where it does not.
    """
    rows: list[tuple[int, int, int, int | None]] = []
    for day in days:
        low, high = day * DAY_S - BEFORE_S, day * DAY_S + AFTER_S
        before, after = offset_s(zone, low), offset_s(zone, high)
        if before == after:
            rows.append((day, before, after, None))
            continue
        while high - low > 1:
            middle = (low + high) // 2
            if offset_s(zone, middle) == before:
                low = middle
            else:
                high = middle
        rows.append((day, before, after, high))
    return rows
