"""SQL about the ventilator's own record, shared by the two occlusion rules."""

from __future__ import annotations


def ventilator_use() -> str:
    """trip_key and `no_ventilator`: surely no ventilator time in the window of the trip."""
    return f"SELECT trip_key, unused AS no_ventilator FROM ({source_use('ventilator')})"


def source_use(*sources: str) -> str:
    """trip_key and `unused`: surely no time on any of the sources in the window of the trip."""
    listed = ", ".join(f"'{source}'" for source in sources)
    return f"""
    SELECT w.trip_key,
           NOT (w.open_end OR w.start_s IS NULL
                OR bool_or(t.trip_key IS NOT NULL AND coalesce(t.source IN ({listed}), TRUE)))
               AS unused
    FROM version_trips w LEFT JOIN timeline_now t USING (trip_key)
    GROUP BY w.trip_key, w.open_end, w.start_s
    """


def as_logged(plain: str) -> str:
    """A verdict after the device log is looked at.

    A log that was never downloaded looks like a trip without occlusions: it cannot show that
    nothing happened. A trip without settings has no window to look in.
    """
    return f"""CASE WHEN start_s IS NULL THEN 'cannot_tell'
                WHEN no_ventilator THEN 'not_applicable'
                WHEN NOT log_complete AND {plain} IN ('met', 'not_applicable') THEN 'cannot_tell'
                ELSE {plain} END"""
