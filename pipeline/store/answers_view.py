"""The views on what people said: answers in the old words and the new, and where things stand."""

from __future__ import annotations

from schemas.connection import Connection
from schemas.findings import OLD_WORDS

_NEW = " ".join(f"WHEN '{old}' THEN '{new}'" for old, (new, _) in OLD_WORDS.items())
_CAUSE = " ".join(f"WHEN '{old}' THEN '{cause}'" for old, (_, cause) in OLD_WORDS.items() if cause)

# a service that says it has one reader has nobody whom a second reading that was drawn waits for
STANDING_VIEW = """
CREATE OR REPLACE VIEW loop.standing AS
SELECT * FROM (
    SELECT *, min(month) OVER (PARTITION BY thing, key) AS opened
    FROM loop.move
    QUALIFY move_no = max(move_no) OVER (PARTITION BY thing, key)
)
WHERE thing <> 'second_reading' OR state <> 'asked' OR what <> 'drawn' OR coalesce((
    SELECT arg_max(state, move_no) FROM loop.move WHERE thing = 'readers'), 'several') <> 'one'
"""
"""Each thing as it stands now, and the month it was opened in."""


def reading(among: str = "") -> str:
    """SQL of every answer to every rule it is about, in the words of 0.1.0 (`conclusion`) and in
    those of the desk (`finding`, `contributed`). For who may see first readings that a second waits
    for. `among`: a WHERE over determinations `d` that takes all of a trip or nothing of it.

    An empty answer never overrides: a reader's last conclusion stays, whatever is said of the case.
    """
    return f"""
WITH said AS (
    SELECT d.*, r.rule, r.verdict,
           CASE WHEN f.determination_no IS NOT NULL THEN f.conclusion
                ELSE CASE d.conclusion {_NEW} ELSE d.conclusion END END AS finding,
           CASE WHEN f.determination_no IS NOT NULL THEN f.contributed
                ELSE CASE d.conclusion {_CAUSE} END END AS contributed,
           coalesce(f.basis, 'read') AS basis
    FROM loop.determination d
    JOIN loop.determination_rule r USING (determination_no)
    LEFT JOIN loop.finding f ON f.determination_no = d.determination_no
        AND f.rule IS NOT DISTINCT FROM r.rule
    {among}
),
own AS (
    SELECT trip_id, rule, reviewer,
           max(determination_no) FILTER (conclusion IS NOT NULL) AS concluded,
           coalesce(max(determination_no) FILTER (conclusion IS NOT NULL), max(determination_no))
               AS last,
           arg_max(status, determination_no) AS last_status,
           coalesce(arg_max_null(finding, determination_no) FILTER (conclusion IS NOT NULL),
                    arg_max_null(finding, determination_no)) AS finding
    FROM said GROUP BY trip_id, rule, reviewer
),
anyone AS (
    SELECT trip_id, rule, coalesce(max(concluded), max(last)) AS last,
           min(finding) <> max(finding) AS disputed
    FROM own GROUP BY trip_id, rule
)
SELECT s.* EXCLUDE (status), s.determination_no = o.last AS latest_of_reviewer,
       CASE WHEN s.determination_no = o.last THEN o.last_status ELSE s.status END AS status,
       s.determination_no = a.last AS holds, a.disputed
FROM said s
JOIN own o ON o.trip_id = s.trip_id AND o.rule IS NOT DISTINCT FROM s.rule
    AND o.reviewer = s.reviewer
JOIN anyone a ON a.trip_id = s.trip_id AND a.rule IS NOT DISTINCT FROM s.rule
"""


READING_VIEW = f"CREATE OR REPLACE VIEW loop.reading AS {reading()}"

ANSWER_VIEW = """
CREATE OR REPLACE VIEW loop.answer AS
SELECT r.* EXCLUDE (holds),
       r.holds AND NOT (coalesce(r.disputed, FALSE) AND coalesce(s.state, '') = 'differs') AS holds
FROM loop.reading r
LEFT JOIN loop.standing s ON s.thing = 'second_reading' AND s.key = r.trip_id
WHERE s.state IS DISTINCT FROM 'asked'
"""
"""As `loop.reading`, without the first reading of a trip that a second one waits for; of what two
readers differ on nothing holds until it is settled."""


READ_TRIPS = """
    SELECT trip_id FROM loop.determination WHERE conclusion IS NOT NULL OR status = 'closed'
"""
"""SQL of the trips of which somebody concluded something, or closed the case."""


def make_answers(con: Connection) -> None:
    """Make `answer_now`: what `loop.answer` has now, worked out once for many that read it."""
    con.execute("CREATE OR REPLACE TEMP TABLE answer_now AS FROM loop.answer")


VIEWS = (STANDING_VIEW, READING_VIEW, ANSWER_VIEW)
"""In the order they rest on each other."""
