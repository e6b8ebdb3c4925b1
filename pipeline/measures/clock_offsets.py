"""How far the devices' clocks were off, as a distribution over the trips of a month.

Published audits of prehospital clocks found mean absolute offsets of about two minutes with far
worse tails (Cordell 1994; Ornato 1998; Castren 2005).
"""

from __future__ import annotations

_QUANTILES = {"p5_s": 0.05, "p25_s": 0.25, "median_s": 0.5, "p75_s": 0.75, "p95_s": 0.95}


def clock_offsets() -> str:
    """Make `month_clock_offset`: a row for each month up to $month, and one for all of them.

    Offsets are device minus charts in seconds, of every matched start, those beyond the export's
    limit included; quantiles interpolate between neighbours, to 0.1 s; null where no start was
    matched.
    """
    quantiles = ", ".join(
        f"round(quantile_cont(k.offset_s, {share}), 1) AS {name}"
        for name, share in _QUANTILES.items()
    )

    def grouped(month: str) -> str:
        return f"""
        SELECT {month} AS "month", count(*)::INTEGER AS trips,
               count(*) FILTER (k.removed)::INTEGER AS matched,
               count(*) FILTER (k.offset_s IS NOT NULL AND NOT k.removed)::INTEGER AS beyond_limit,
               count(*) FILTER (k.offset_s IS NULL)::INTEGER AS unmatched,
               {quantiles}, round(avg(abs(k.offset_s)), 1) AS mean_abs_s
        FROM judged.clock k JOIN judged.trip_window w USING (trip_key)
        WHERE w.service_month <= $month
        GROUP BY ALL
        """

    return f"""
    CREATE OR REPLACE TEMP TABLE month_clock_offset AS
    {grouped("w.service_month")} UNION ALL {grouped("'to ' || $month")}
    """
