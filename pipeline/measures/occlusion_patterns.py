"""What occlusions came with, and what followed, counted by pattern.

What followed is not what helped: crews act on the worst cases. The counts describe; they compare
nothing.
"""

from __future__ import annotations

from schemas.outputs import HELD_PATTERNS, NEXT_ACTIONS


def occlusion_patterns() -> str:
    """Make `month_occlusion_pattern`: $month, and all months to it, by pattern and over all.

    Counts the events that the rates count. An event that fits several patterns stands in each of
    their rows, so these do not add up to the row `all`; next actions do, within a row.
    """
    holds = ", ".join(f"CASE WHEN e.{p} THEN '{p}' END" for p in HELD_PATTERNS)
    actions = ",\n               ".join(
        f"count(*) FILTER (next_action = '{a}')::INTEGER AS {a}" for a in NEXT_ACTIONS
    )

    def grouped(month: str, where: str) -> str:
        return f"""
        SELECT {month} AS "month", fits AS pattern, count(*)::INTEGER AS events,
               count(*) FILTER (len(fitting) = 1)::INTEGER AS only_this,
               count(DISTINCT trip_key)::INTEGER AS trips,
               {actions},
               count(*) FILTER (next_action IS NULL)::INTEGER AS next_unknown,
               count(another_within_15_min)::INTEGER AS watched,
               count(*) FILTER (another_within_15_min)::INTEGER AS another_within_15_min,
               count(*) FILTER (prolonged)::INTEGER AS prolonged,
               count(*) FILTER (unrecovered)::INTEGER AS unrecovered
        FROM (SELECT *, unnest(list_append(fitting, 'all')) AS fits FROM event)
        WHERE {where}
        GROUP BY ALL
        """

    return f"""
    CREATE OR REPLACE TEMP TABLE month_occlusion_pattern AS
    WITH event AS (
        SELECT e.*, w.service_month,
               CASE WHEN e.pattern IN {tuple(HELD_PATTERNS)}
                    THEN list_filter([{holds}], lambda p : p IS NOT NULL)
                    ELSE [e.pattern] END AS fitting
        FROM judged.occlusion_context e
        JOIN judged.occlusion o USING (trip_key, line)
        JOIN judged.trip_window w USING (trip_key)
        WHERE o.not_counted_because IS NULL AND w.service_month <= $month
    )
    {grouped("$month", "service_month = $month")}
    UNION ALL
    {grouped("'to ' || $month", "TRUE")}
    """
