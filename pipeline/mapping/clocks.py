"""SQL for absolute times: read, placed on one time line across clock changes, made elapsed.

A local time is kept as seconds since 1970 as if the clock on the wall were UTC's (`l_`), a time
written with its offset also as seconds since 1970 in UTC (`u_`), and a time of day alone as
seconds since midnight (`d_`). Near a change of the clock a local time has two readings, early and
late; both may exist (the hour that comes twice), or neither (the hour that is left out).
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from pipeline.store.sql import literal
from schemas.mapping import ISO, ColumnMap

DAY_S = 86_400
BEFORE_S, AFTER_S = 2 * DAY_S, 4 * DAY_S
"""How far from its bedside time a trip's other times may lie; the contract allows two days."""

FIRST_S = int(datetime(1970, 1, 1, tzinfo=UTC).timestamp()) + 10 * DAY_S
LAST_S = int(datetime(2200, 1, 1, tzinfo=UTC).timestamp())
"""Times outside are typing mistakes."""

ISO_TIME = (
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}([.,][0-9]{1,9})?)?"
    r"( ?Z|[+-][0-9]{2}(:?[0-9]{2})?)?"
)
ISO_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}( 00:00:00|T00:00:00)?"
OFFSET = r"[T ][0-9:.,]+( ?Z|[+-][0-9]{2}(:?[0-9]{2})?)$"

EARLIEST_OF_DAY_S, LATEST_OF_DAY_S = -3_600, 82_800
"""A time of day alone is taken as the one from an hour before the bedside to 23 hours after it."""


def read_time(spec: ColumnMap, text: str) -> tuple[str, str]:
    """SQL for the local reading of a time and for its moment in UTC; both null if unreadable.

    Times written by ISO 8601 are read whatever the format, for they cannot be mistaken.
    """
    formats = [literal(form) for form in spec.time if form != ISO]
    iso = f"regexp_full_match({text}, {literal(ISO_TIME)})"
    offset = f"regexp_extract({text}, {literal(OFFSET)}, 1)"
    plain = f"replace(left({text}, length({text}) - length({offset})), ',', '.')"
    local = f"try_cast(case when {iso} then {plain} end as TIMESTAMP)"
    if formats:
        local = f"coalesce({local}, try_strptime({text}, [{', '.join(formats)}]))"
    local_s = f"cast(floor(epoch({local})) as BIGINT)"
    bounded = f"case when {local_s} between {FIRST_S} and {LAST_S} then {local_s} end"
    has_offset = f"{iso} and {offset} <> ''"
    utc = f"case when {has_offset} then {bounded} - ({_offset_s(offset)}) end"
    return bounded, utc


def _offset_s(offset: str) -> str:
    """SQL for a written offset in seconds."""
    hours = f"coalesce(try_cast(left({offset}, 3) as INTEGER), 0)"
    minutes = f"coalesce(try_cast(right(replace({offset}, ':', ''), 2) as INTEGER), 0)"
    return (
        f"case when {offset} in ('Z', ' Z', '') then 0"
        f" when length(replace({offset}, ':', '')) = 3 then {hours} * 3600"
        f" else {hours} * 3600 + case when left({offset}, 1) = '-' then -1 else 1 end"
        f" * {minutes} * 60 end"
    )


def read_date(spec: ColumnMap, text: str) -> str:
    """SQL for a date of birth as seconds since 1970; null if unreadable."""
    formats = [literal(form) for form in spec.time if form != ISO]
    date = f"try_cast(case when regexp_full_match({text}, {literal(ISO_DATE)})"
    date += f" then left({text}, 10) end as TIMESTAMP)"
    if formats:
        date = f"coalesce({date}, try_strptime({text}, [{', '.join(formats)}]))"
    return f"cast(floor(epoch({date})) as BIGINT)"


def read_time_of_day(spec: ColumnMap, text: str) -> str:
    """SQL for a time of day as seconds since midnight; null if unreadable."""
    known = [ISO_OF_DAY, *(form for form in spec.time if form != ISO)]
    listed = ", ".join(literal(form) for form in known)
    # a time without a date is read as of 1900, whose seconds are negative
    seconds = f"cast(floor(epoch(try_strptime({text}, [{listed}]))) as BIGINT)"
    return f"({seconds} % {DAY_S} + {DAY_S}) % {DAY_S}"


ISO_OF_DAY = "%H:%M:%S"
"""How a typed time of day arrives from a workbook."""


def on_day(time_of_day: str, bedside: str) -> str:
    """SQL for the local time that a time of day means, near the bedside's local time."""
    same_day = f"({bedside} - {bedside} % {DAY_S} + {time_of_day})"
    return (
        f"({same_day} + case when {same_day} < {bedside} + {EARLIEST_OF_DAY_S} then {DAY_S}"
        f" when {same_day} >= {bedside} + {LATEST_OF_DAY_S} then -{DAY_S} else 0 end)"
    )


PLACED = """
    select *,
        case
            when u is not null then u
            when l is null or off1 is null then null
            when change is null then l - off1
            when l - off1 < change and l - off2 >= change then null
            when l - off1 < change then l - off1
            when l - off2 >= change then l - off2
        end as utc,
        case
            when u is not null or l is null or off1 is null or change is null then null
            when l - off1 < change and l - off2 >= change then 'hour-twice'
            when l - off1 >= change and l - off2 < change then 'no-such-hour'
        end as doubt
    from ({times})
"""
"""Where a time lies in UTC, if it has one reading. `times` has l, u, and of the trip's days off1
and off2 (offsets before and after) and change (when in UTC, or null)."""

IN_ORDER = """
    with placed as materialized ({placed}), stream as (
        select * from placed
        where stream in (select stream from placed where doubt = 'hour-twice')
            and (utc is not null or doubt = 'hour-twice')
    ), seeds as (
        select *,
            coalesce(utc < max(utc) over (partition by stream order by place
                rows between unbounded preceding and 1 preceding), false) as goes_back,
            coalesce(utc >= change, false) or coalesce(not_before >= change, false)
                or coalesce(doubt is not null and l < max(l) filter (doubt is not null)
                    over (partition by stream order by place
                        rows between unbounded preceding and 1 preceding), false) as late_from_here,
            coalesce(utc < change, false) or coalesce(not_after < change, false)
                or coalesce(doubt is not null and l > min(l) filter (doubt is not null)
                    over (partition by stream order by place
                        rows between 1 following and unbounded following), false) as early_so_far
        from stream
    ), forced as (
        select *, bool_or(goes_back) over (partition by stream) as not_in_order,
            bool_or(late_from_here) over (partition by stream order by place
                rows between unbounded preceding and current row) as is_late,
            bool_or(early_so_far) over (partition by stream order by place
                rows between current row and unbounded following) as is_early
        from seeds
    )
    select stream, place, case when is_late then l - off2 else l - off1 end as utc
    from forced where doubt is not null and is_late <> is_early and not not_in_order
"""
"""The times of an hour that came twice which the order of their stream decides.

A stream is what one trip's rows say one after the other, so its times do not go back: whatever
follows a time after the change, or a time later on the clock, is after the change itself; whatever
comes before a time from before the change, or before an earlier time on the clock, is from before.
A time that both or neither says is left undecided, and so is every time of a stream that goes back
where there is no doubt: its order is not that of time. `placed` also has stream, place (the order),
not_before and not_after (moments in UTC that a time is not before, and not after, or null)."""


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
