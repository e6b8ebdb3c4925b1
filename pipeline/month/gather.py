"""One month gathered from the store: what its pages say beside its data files."""

from __future__ import annotations

from pipeline.measures.series import Calendar
from pipeline.measures.signal_counts import one_by_one_rules
from pipeline.month.cases import ADDED_BY_HAND
from pipeline.rules import all_rules
from pipeline.store.protocol_versions import VersionInStore
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.month_review import MonthReview, ProtocolInForce, RuleFacts
from schemas.months import month_number, month_of

ENOUGH_RECEIVED = 0.9
"""A month with a smaller share of its expected trips sets no limits; assumed."""


def gather(
    con: Connection, versions: list[VersionInStore], month: str, measures: Frame, tool_version: str
) -> MonthReview:
    """What the month's pages are drawn from but figures and answers; call after `make_tables`."""
    # long: one line a field of the review
    numbers = [no for (no,) in con.execute(IN_FORCE, {"month": month}).fetchall()]
    in_force = [stored for stored in versions if stored.protocol_no in numbers]
    received = _by_month(con, month)
    service = con.execute("SELECT service FROM delivered.delivery LIMIT 1").fetchone()
    counted = con.execute(_COUNTS, {"month": month}).fetchone() or (0, 0)
    alone = con.execute(_ONE_BY_ONE, {"rules": list(one_by_one_rules())}).fetchone() or (0,)
    return MonthReview(
        service=str(service[0]) if service else "",
        month=month,
        months=tuple(sorted(received)),
        privacy_basis=tuple(b for (b,) in con.execute(_BASES, {"month": month}).fetchall()),
        tool_version=tool_version,
        protocol=tuple(protocol_in_force(stored) for stored in in_force),
        rules=rule_facts(in_force),
        received=received.get(month, (0, None))[0],
        expected=received.get(month, (0, None))[1],
        expected_by_month=received,
        not_judged=int(counted[0]),
        trips_with_finding=int(counted[1]),
        merge_within_s=int(max((k.version.merge_within_s for k in in_force), default=0)),
        rule_counts=Frame.read(con.execute(_RULE_COUNTS)),
        cases=Frame.read(con.execute("FROM out_cases")),
        occlusions=Frame.read(con.execute("FROM out_occlusions")),
        measures=measures,
        problems=Frame.read(con.execute("FROM out_problems")),
        cannulas=Frame.read(con.execute(CANNULAS, {"month": month})),
        confidentiality=confidentiality(con),
        late=late_trips(con, month),
        one_by_one=int(alone[0]),
    )


def late_trips(con: Connection, month: str) -> dict[str, int]:
    """Trips of months before `month` that came first with the last delivery, by month.

    A month that came whole with it is not late. Trips delivered once more are not counted.
    """
    return {name: int(trips) for name, trips in con.execute(_LATE, {"month": month}).fetchall()}


def confidentiality(con: Connection) -> str:
    """The statement of the delivery received last; empty where it has none."""
    row = con.execute("""
        SELECT d.confidentiality FROM delivered.delivery d JOIN delivered.latest l
        USING (delivery_no) ORDER BY l.receipt_no DESC LIMIT 1
    """).fetchone()
    return str(row[0]) if row and row[0] else ""


def calendar(con: Connection, versions: list[VersionInStore], month: str) -> Calendar:
    """Every month from the first to `month`, those short of trips, and where phases begin."""
    received = _by_month(con, month)
    first = month_number(min([*received, month]))
    months = [month_of(number) for number in range(first, month_number(month) + 1)]
    short = [received.get(m, (0, None)) for m in months]
    begun = {stored.version.from_month for stored in versions}
    return Calendar(
        months=tuple(months),
        incomplete=tuple(due is not None and got < due for got, due in short),
        missing=tuple(max(0, (due or 0) - got) for got, due in short),
        poor=tuple(due is not None and got < ENOUGH_RECEIVED * due for got, due in short),
        changes=tuple(i for i, m in enumerate(months) if i > 0 and m in begun),
    )


def _by_month(con: Connection, month: str) -> dict[str, tuple[int, int | None]]:
    rows = con.execute(
        """
        SELECT coalesce(r.month, e.month) AS month, coalesce(r.trips, 0), e.trips
        FROM (SELECT service_month AS month, count(*) AS trips
              FROM delivered.holding JOIN delivered.trips USING (trip_key) GROUP BY ALL) r
        FULL JOIN delivered.expected_holding e ON e.month = r.month
        WHERE coalesce(r.month, e.month) <= $month
        ORDER BY 1
        """,
        {"month": month},
    ).fetchall()
    return {name: (int(got), None if due is None else int(due)) for name, got, due in rows}


def protocol_in_force(stored: VersionInStore) -> ProtocolInForce:
    """What a page says of a protocol version."""
    version = stored.version
    approved = version.approved
    return ProtocolInForce(
        version.id,
        version.from_month,
        approved.by if approved else None,
        approved.month if approved else None,
    )


def rule_facts(in_force: list[VersionInStore]) -> tuple[RuleFacts, ...]:
    """The rules of the month's version; the latest, should two services' versions meet."""
    facts: dict[str, RuleFacts] = {}
    for stored in in_force:
        for name, parameters in stored.rules.items():
            rule = all_rules()[name]
            facts[name] = RuleFacts(
                rule=name,
                question=rule.question,
                asks=rule.asks_here(parameters),
                text=parameters.text,
                severity=parameters.severity,
                source=parameters.source,
                fit=rule.fit,
                goal=parameters.goal_share,
            )
    return tuple(facts[name] for name in sorted(facts))


IN_FORCE = """
    SELECT DISTINCT protocol_no FROM judged.trip_window WHERE service_month = $month ORDER BY 1
"""

_COUNTS = """
    SELECT (SELECT count(*) FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
            ANTI JOIN judged.trip_window w USING (trip_key) WHERE t.service_month = $month),
           (SELECT count(*) FROM month_case WHERE kind <> 'audit')
"""

# a trip that only a person added is shown with the cases, not for what happened on it
_ONE_BY_ONE = f"""
    SELECT count(*) FROM (
        SELECT trip_key FROM month_trigger WHERE place < {ADDED_BY_HAND}
        UNION SELECT trip_key FROM month_flag
        WHERE verdict = 'deviation' AND list_contains($rules, rule))
"""

_LATE = """
    WITH last AS (SELECT arg_max(delivery_no, receipt_no) AS no FROM delivered.latest),
    trip AS (
        SELECT trip_id, min(service_month) AS month, min(delivery_no) AS first_no
        FROM delivered.trips WHERE service_month < $month GROUP BY trip_id
    )
    SELECT month, count(*) FILTER (first_no = no) AS late FROM trip, last
    GROUP BY month
    HAVING late > 0 AND count(*) FILTER (first_no < no) > 0
    ORDER BY month
"""

_BASES = """
    SELECT DISTINCT d.privacy_basis
    FROM delivered.holding h
    JOIN delivered.trips t USING (trip_key)
    JOIN delivered.delivery d ON d.delivery_no = h.delivery_no
    WHERE t.service_month <= $month ORDER BY 1
"""

_RULE_COUNTS = """
    SELECT rule, any_value(severity) AS severity,
           count(*) FILTER (verdict = 'met')::INTEGER AS met,
           count(*) FILTER (verdict = 'authorised')::INTEGER AS authorised,
           count(*) FILTER (verdict = 'borderline')::INTEGER AS borderline,
           count(*) FILTER (verdict = 'cannot_tell')::INTEGER AS cannot_tell,
           count(*) FILTER (verdict = 'deviation')::INTEGER AS deviation,
           count(*) FILTER (verdict = 'not_applicable')::INTEGER AS not_applicable
    FROM month_verdict GROUP BY rule ORDER BY rule
"""

# the catalogue of the delivery received last among those the month's trips came in
CANNULAS = """
    SELECT c.* EXCLUDE (delivery_no) FROM delivered.cannula c
    JOIN delivered.latest l USING (delivery_no)
    WHERE c.delivery_no IN (
        SELECT h.delivery_no FROM delivered.holding h JOIN delivered.trips t USING (trip_key)
        WHERE t.service_month <= $month)
    QUALIFY row_number() OVER (PARTITION BY c.id ORDER BY l.receipt_no DESC) = 1
    ORDER BY c.family, c.size_rank, c.id
"""
