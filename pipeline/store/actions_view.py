"""Actions as they stand: those of the desk, and those that a sheet's answers asked for."""

from __future__ import annotations

# an action of a sheet is the same through a reader's later sheets; a later sheet that closes the
# case says that it is done, as it did in 0.1.0, and one that came with the closing answer is open
_OF_SHEETS = """
    SELECT 'D' || min(a.determination_no) AS key, a.trip_id, a.reviewer AS owner, a.action AS what,
           arg_max(a.due_month, a.determination_no) AS due_month,
           string_agg(DISTINCT a.rule, ' ' ORDER BY a.rule) AS rule,
           min(a.month) AS opened, max(a.determination_no) AS last_no, bool_or(a.last) AS stands
    FROM (
        SELECT d.*, r.rule, d.determination_no = max(d.determination_no) OVER (
                   PARTITION BY d.trip_id, r.rule, d.reviewer) AS last
        FROM loop.determination d JOIN loop.determination_rule r USING (determination_no)
        LEFT JOIN loop.sheet s USING (sheet_no) WHERE s.kind IS DISTINCT FROM 'desk'
    ) a
    WHERE a.action IS NOT NULL
    GROUP BY a.trip_id, a.reviewer, a.action
"""

_CLOSED = """
    SELECT d.trip_id, r.rule, max(d.determination_no) AS last_no
    FROM loop.determination d JOIN loop.determination_rule r USING (determination_no)
    LEFT JOIN loop.sheet s USING (sheet_no)
    WHERE d.status = 'closed' AND s.kind IS DISTINCT FROM 'desk' GROUP BY ALL
"""

ACTIONS = f"""
    WITH of_sheets AS ({_OF_SHEETS}), closed AS ({_CLOSED}),
    moved AS (SELECT * FROM loop.standing WHERE thing = 'action')
    SELECT key, state, trip_id, rule, owner, due_month, what, why, opened FROM moved
    UNION ALL
    SELECT o.key,
           CASE WHEN EXISTS (SELECT 1 FROM closed c WHERE c.trip_id = o.trip_id
                             AND list_contains(string_split(coalesce(o.rule, ''), ' '),
                                               coalesce(c.rule, '')) AND c.last_no > o.last_no)
                THEN 'done' ELSE 'proposed' END,
           o.trip_id, o.rule, o.owner, o.due_month, o.what, NULL, o.opened
    FROM of_sheets o ANTI JOIN moved m ON m.key = o.key
    WHERE o.stands
"""
"""SQL of every action: key, state, trip_id, rule, owner, due_month, what, why, opened."""

OPEN_ACTIONS = f"SELECT * FROM ({ACTIONS}) WHERE state IN ('proposed', 'under_way')"
"""SQL of those somebody still has to do something about."""
