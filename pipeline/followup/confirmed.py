"""Measures as screened beside measures as confirmed: what readers made of the flags.

A flag is confirmed where a reader concluded that it holds, whatever contributed; what is not
documented, does not hold or cannot be said does not confirm it. An answer counts for as long as
the rule's verdict is the one it was given to; of several readers' answers the later holds, unless
a second reading waits or differs.
"""

from __future__ import annotations

from typing import Any

from schemas.connection import Connection
from schemas.findings import HAPPENED, NOT_CONFIRMED
from schemas.frame import Frame, stacked
from schemas.units import Unit

FEWEST_READINGS = 10
"""With fewer readings counts are given alone: a share or kappa of them says nothing yet."""

CAUSES = [*HAPPENED, *NOT_CONFIRMED]


def make_flags(con: Connection, month: str) -> None:
    """Make `rule_flag`: every variance and borderline up to `month` with the answer to it.

    With it `rule_missed`, what readers found that no rule flagged. Call after `make_answers`.
    """
    con.execute(_FLAGS, {"month": month})
    con.execute(_MISSED, {"month": month})


def screen_quality(con: Connection, month: str) -> Frame:
    """Flags, reviewed and confirmed per rule; follows `schemas.followup_outputs.ScreenQuality`.

    Call after `make_flags` and the measures' `verdict_counts`. The confirmed share has Wilson's
    interval; neither is given where fewer than FEWEST_READINGS flags were reviewed.
    """
    import numpy as np

    from pipeline.statistics.intervals import wilson
    from schemas.followup_outputs import ScreenQuality

    causes = ", ".join(
        f"count(*) FILTER (conclusion = '{cause}')::INTEGER AS {cause}" for cause in CAUSES
    )
    parts = [
        _QUALITY.format(month=at, causes=causes, match=match, happened=tuple(HAPPENED))
        for at, match in (("month", "month"), (f"'to {month}'", "'all'"))
    ]
    asked = f"FROM ({' UNION ALL '.join(parts)}) ORDER BY month, rule, verdict"
    frame = Frame.read(con.execute(asked))
    enough = frame["reviewed"] >= FEWEST_READINGS
    interval = wilson(frame["confirmed"], frame["reviewed"])
    found = {
        "confirmed_share": interval.estimate, "low": interval.lower, "high": interval.upper,
    }  # fmt: skip
    shown = {name: np.where(enough, values, np.nan) for name, values in found.items()}
    frame = frame.assign(method=interval.method, **shown)
    return frame.only(ScreenQuality.to_schema().columns)


def confirmed_measures(quality: Frame) -> Frame:
    """`screen_quality` as rows of the measures table, each rule and month.

    `confirmed-share`: confirmed flags over reviewed ones. `confirmed-deviation-share`: confirmed
    variances over trips judged; flags nobody has read yet are left out of the numerator, counted
    in left_out, and added in bound_high. `practice-share`: likewise, put down to practice alone.
    """
    import numpy as np

    from pipeline.measures.estimate_rows import with_interval
    from pipeline.statistics.intervals import wilson

    flags = quality.rows(quality["verdict"] == "deviation")
    unread = flags["flags"] - flags["reviewed"]
    shares = {
        "confirmed-share": (flags["confirmed"], flags["reviewed"]),
        "confirmed-deviation-share": (flags["confirmed"], flags["judged"]),
        "practice-share": (flags["practice"], flags["judged"]),
    }
    parts = []
    for name, (numerator, denominator) in shares.items():
        part: dict[str, Any] = {
            "measure": name, "month": flags["month"], "group_by": "rule",
            "group_value": flags["rule"], "numerator": numerator.astype(float),
            "denominator": denominator.astype(float), "trips": denominator, "left_out": unread,
        }  # fmt: skip
        if name != "confirmed-share":
            known = np.where(denominator > 0, denominator, np.nan).astype(float)
            part["bound_low"] = numerator / known
            part["bound_high"] = (numerator + unread) / known
        parts.append(Frame(part))
    counts = stacked(parts)
    rows = with_interval(counts, wilson(counts["numerator"], counts["denominator"]), Unit.SHARE)
    few = (rows["measure"] == "confirmed-share") & (rows["denominator"] < FEWEST_READINGS)
    shown = ("estimate", "low", "high")
    return rows.assign(**{name: np.where(few, np.nan, rows[name]) for name in shown})


def practice_variances(con: Connection) -> Frame:
    """Variances put down to practice, by month, rule and base; call after `make_flags`."""
    return Frame.read(
        con.execute("""
        WITH flags AS (
            SELECT month, rule, base, count(*) AS flags, count(conclusion) AS reviewed,
                   count(*) FILTER (conclusion = 'practice') AS practice
            FROM rule_flag WHERE verdict = 'deviation' GROUP BY ALL
        ),
        missed AS (SELECT month, rule, base, count(*) AS missed FROM rule_missed GROUP BY ALL)
        SELECT j.month, j.rule, j.base, j.judged::INTEGER AS judged,
               coalesce(flags, 0)::INTEGER AS flags, coalesce(reviewed, 0)::INTEGER AS reviewed,
               coalesce(practice, 0)::INTEGER AS practice, coalesce(missed, 0)::INTEGER AS missed
        FROM verdict_counts j
        LEFT JOIN flags USING (month, rule, base)
        LEFT JOIN missed USING (month, rule, base)
        WHERE j.judged > 0 OR missed > 0
        ORDER BY ALL
    """)
    )


def determinations(con: Connection, month: str) -> Frame:
    """The answers that hold for the trips of `month`, one row a trip and rule, without notes."""
    asked = """
        WITH readers AS (
            SELECT trip_id, rule, count(*)::INTEGER AS readers,
                   count(DISTINCT conclusion) < 2 AS agreed
            FROM answer_now WHERE latest_of_reviewer AND conclusion IS NOT NULL GROUP BY ALL
        )
        SELECT a.trip_id, a.rule, a.verdict, a.conclusion, a.status, a.refer_to, a.reviewer,
               coalesce(r.readers, 0)::INTEGER AS readers, coalesce(r.agreed, TRUE) AS agreed
        FROM answer_now a
        LEFT JOIN readers r ON r.trip_id = a.trip_id AND r.rule IS NOT DISTINCT FROM a.rule
        WHERE a.holds AND a.month = ? ORDER BY ALL
    """
    return Frame.read(con.execute(asked, [month]))


def agreement(con: Connection, month: str) -> Frame:
    """Cohen's kappa of the first two readers of each case, for `month` and all months to it.

    Readers in the order they first answered; a reader's last conclusion counts. Below
    FEWEST_READINGS cases there is no kappa.
    """
    import numpy as np

    from pipeline.statistics.intervals import cohen_kappa
    from schemas.findings import CONCLUSIONS

    rows = []
    for label, where in ((month, "month = $month"), (f"to {month}", "month <= $month")):
        pairs = Frame.read(con.execute(_PAIRS.format(where=where), {"month": month}))
        counts = np.zeros((2, 2))
        if len(pairs) >= FEWEST_READINGS:
            both = pairs.keys("first", "second")
            counts = np.array([[both.count((a, b)) for b in CONCLUSIONS] for a in CONCLUSIONS])
        found = cohen_kappa(counts)
        same = int((pairs["first"] == pairs["second"]).sum())
        rows.append((label, len(pairs), same, found.kappa, found.lower, found.upper, found.method))
    names = ["month", "cases", "same", "kappa", "low", "high", "method"]
    frame = Frame(dict(zip(names, map(list, zip(*rows, strict=True)), strict=True)))
    return frame.assign(**{n: frame[n].astype(np.int32) for n in ("cases", "same")})


_FLAGS = """
    CREATE OR REPLACE TEMP TABLE rule_flag AS
    SELECT w.service_month AS month, w.trip_id, t.base, v.rule, v.verdict,
           CASE WHEN a.verdict = v.verdict THEN a.conclusion END AS conclusion,
           a.conclusion IS NOT NULL AND a.verdict IS DISTINCT FROM v.verdict AS outdated
    FROM judged.verdict v
    JOIN judged.trip_window w USING (trip_key)
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN answer_now a ON a.trip_id = w.trip_id AND a.rule = v.rule AND a.holds
        AND a.conclusion <> 'missed'
    WHERE w.service_month <= $month AND v.verdict IN ('deviation', 'borderline')
"""

_MISSED = """
    CREATE OR REPLACE TEMP TABLE rule_missed AS
    SELECT a.month, a.trip_id, t.base, a.rule
    FROM answer_now a
    JOIN delivered.holding h USING (trip_id)
    JOIN delivered.trips t ON t.trip_key = h.trip_key
    LEFT JOIN judged.verdict v ON v.trip_key = h.trip_key AND v.rule = a.rule
    WHERE a.holds AND a.conclusion = 'missed' AND a.rule IS NOT NULL AND a.month <= $month
      AND v.verdict IS DISTINCT FROM 'deviation'
"""

_QUALITY = """
    SELECT q.month, q.rule, q.verdict, j.judged, q.* EXCLUDE (month, rule, verdict),
           CASE WHEN q.verdict = 'deviation' THEN coalesce(m.missed, 0) ELSE 0 END::INTEGER
               AS missed
    FROM (
        SELECT {month} AS month, {match} AS match, r.rule, k.verdict,
               count(f.trip_id)::INTEGER AS flags, count(conclusion)::INTEGER AS reviewed,
               count(*) FILTER (conclusion IN {happened})::INTEGER AS confirmed, {causes},
               count(*) FILTER (outdated)::INTEGER AS outdated
        FROM (SELECT DISTINCT month, rule FROM verdict_counts) r
        CROSS JOIN (VALUES ('deviation'), ('borderline')) k(verdict)
        LEFT JOIN rule_flag f USING (month, rule, verdict)
        GROUP BY ALL
    ) q
    JOIN (SELECT {match} AS match, rule, sum(judged)::INTEGER AS judged
          FROM verdict_counts GROUP BY ALL) j USING (match, rule)
    LEFT JOIN (SELECT {match} AS match, rule, count(*) AS missed
               FROM rule_missed GROUP BY ALL) m USING (match, rule)
"""

_PAIRS = """
    WITH first_answered AS (
        SELECT trip_id, rule, reviewer, month, min(determination_no) AS began,
               arg_max(conclusion, determination_no) AS conclusion
        FROM answer_now WHERE conclusion IS NOT NULL AND {where} GROUP BY ALL
    ),
    ordered AS (
        SELECT *, row_number() OVER (PARTITION BY trip_id, rule ORDER BY began, reviewer) AS place
        FROM first_answered
    )
    SELECT a.conclusion AS first, b.conclusion AS second
    FROM ordered a JOIN ordered b ON a.trip_id = b.trip_id AND a.rule IS NOT DISTINCT FROM b.rule
    WHERE a.place = 1 AND b.place = 2 ORDER BY ALL
"""
