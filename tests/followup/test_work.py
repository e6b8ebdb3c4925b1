"""The month's work over simulated services: each flag once, no trip twice, nothing for show."""

from __future__ import annotations

from collections.abc import Iterator

import duckdb
import pandas as pd
import pytest

from pipeline.followup.month import join_cases
from pipeline.ingest.delivery import read_delivery
from pipeline.ingest.load import load
from pipeline.judging.evaluator import judge
from pipeline.judging.versions import versions_in_store
from pipeline.month.cases import cases, month_words
from pipeline.month.work import EQUIPMENT_OUT, WORK_OUT, make_equipment, make_work, month_work
from pipeline.rules import all_rules
from pipeline.simulate import simulate
from pipeline.store.answers_view import make_answers
from pipeline.store.database import open_store
from schemas.outputs import OUTPUTS
from schemas.work import MonthWork
from tests.deep import examples

MONTH = "2026-02"
SERVICES = examples(2, 20)
TRIPS = examples(240, 60)
"""Few large services take less time than many small ones, and have as much of everything."""


def with_work(con: duckdb.DuckDBPyConnection, month: str = MONTH) -> MonthWork:
    """The month's work as a review makes it; leaves its tables."""
    versions = versions_in_store(con)
    month_words(con, versions, month)
    cases(con, versions, month)
    join_cases(con, month)
    make_answers(con)
    make_work(con, month)
    make_equipment(con, month)
    return month_work(con, month)


@pytest.fixture(scope="module")
def services(tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[duckdb.DuckDBPyConnection]]:
    """Some services, every second of them with dirt, each with the work of its second month."""
    made = []
    for seed in range(SERVICES):
        folder = tmp_path_factory.mktemp(f"service{seed}")
        simulate(folder / "delivery", trips=TRIPS, months=2, seed=seed, dirt=seed % 2 == 1)
        con = open_store(folder / "store.duckdb", threads=1)
        load(con, read_delivery(con, folder / "delivery"))
        judge(con)
        with_work(con)
        made.append(con)
    yield made
    for con in made:
        con.close()


def together(services: list[duckdb.DuckDBPyConnection], sql: str) -> pd.DataFrame:
    """The rows of a query over every service."""
    frames = [con.execute(sql).df().assign(service=n) for n, con in enumerate(services)]
    return pd.concat(frames, ignore_index=True)


def test_every_flag_has_exactly_one_kind(services: list[duckdb.DuckDBPyConnection]) -> None:
    """A flag is named by one piece of work that is concluded, and no work names what is none."""
    kinds = together(services, """
        WITH flag AS (
            SELECT w.trip_id, v.rule
            FROM judged.verdict v JOIN judged.trip_window w USING (trip_key)
            WHERE w.service_month = '2026-02' AND v.verdict IN ('deviation', 'borderline')
        ),
        named AS (
            SELECT kind, trip_id, unnest(string_split(rules, ' ')) AS rule FROM month_work
            WHERE kind <> 'fetch' AND rules <> ''
        )
        SELECT trip_id, rule, f.rule IS NOT NULL AS flag, count(n.kind) AS kinds
        FROM (SELECT *, rule AS r FROM flag) f FULL JOIN named n USING (trip_id, rule)
        GROUP BY ALL
    """)  # fmt: skip
    assert len(kinds) > SERVICES
    assert (kinds["kinds"] == 1).all()
    assert kinds["flag"].all()
    told = together(services, f"FROM ({WORK_OUT['flags']})")
    assert not told.duplicated(["service", "trip_id", "rule"]).any()
    assert len(told) == len(kinds)
    assert set(told["kind"]) == {"read", "batch"}


def test_no_trip_stands_twice(services: list[duckdb.DuckDBPyConnection]) -> None:
    work = together(services, f"FROM ({WORK_OUT['work']})")
    assert set(work["kind"]) == {"read", "audit", "batch", "fetch"}
    trips = work[work["kind"].isin(("read", "audit"))]
    assert not trips.duplicated(["service", "trip_id"]).any()
    one_a_flag = work[work["kind"] == "batch"]
    assert not one_a_flag.duplicated(["service", "trip_id", "rule"]).any()
    one_a_trip = work[work["kind"] == "fetch"]
    assert not one_a_trip.duplicated(["service", "trip_id"]).any()
    read = trips.set_index(["service", "trip_id"]).index
    assert not one_a_flag.set_index(["service", "trip_id"]).index.isin(read).any()
    assert not together(services, "FROM month_case").duplicated(["service", "trip_id"]).any()


def test_nothing_is_read_for_what_cannot_be_told(
    services: list[duckdb.DuckDBPyConnection],
) -> None:
    """Whatever is read has a trigger or a flag that asks for it; every such trip is read."""
    asked = together(services, """
        SELECT w.trip_id, m.kind,
               bool_or(v.severity = 'high' AND v.verdict IN ('deviation', 'borderline')
                       OR v.severity = 'medium' AND v.verdict = 'deviation') AS flagged,
               bool_or(v.verdict = 'cannot_tell') AS undecided,
               bool_or(g.trip_key IS NOT NULL) AS triggered
        FROM judged.trip_window w JOIN month_verdict v USING (trip_key)
        LEFT JOIN month_case m ON m.trip_id = w.trip_id
        LEFT JOIN month_trigger g ON g.trip_key = w.trip_key
        WHERE w.service_month = '2026-02' GROUP BY ALL
    """)  # fmt: skip
    read = asked["kind"] == "read"
    assert (read == (asked["flagged"] | asked["triggered"])).all()
    assert (asked["undecided"] & ~read).any()
    assert (asked["triggered"] & ~asked["flagged"]).any()


def test_the_order_is_triggers_severity_then_deviation_before_borderline(
    services: list[duckdb.DuckDBPyConnection],
) -> None:
    read = together(services, """
        SELECT w.place, m."group" <> 'always_read' AS later,
               CASE f.severity WHEN 'high' THEN 1 WHEN 'medium' THEN 2 WHEN 'low' THEN 3 ELSE 4 END
                   AS severity,
               f.verdict = 'borderline' AS borderline
        FROM month_work w JOIN month_case m USING (trip_id)
        LEFT JOIN flag_state f ON f.trip_id = w.trip_id AND f.rule = w.rule
        WHERE w.kind = 'read' ORDER BY w.place
    """)  # fmt: skip
    for _, one in read.groupby("service"):
        assert list(one["place"]) == list(range(1, len(one) + 1))
        assert one["later"].is_monotonic_increasing
        rest = one[one["later"]]
        keys = list(zip(rest["severity"], rest["borderline"], strict=True))
        assert keys == sorted(keys)


def test_what_is_fetched_may_settle_a_rule_that_matters(
    services: list[duckdb.DuckDBPyConnection],
) -> None:
    needed = together(services, """
        SELECT w.trip_id, t.device_log, t.handover_s, f.record, v.verdict, v.severity,
               EXISTS (FROM judged.timeline e WHERE e.trip_key = v.trip_key
                       AND e.source = 'ventilator') AS ventilated
        FROM month_work w, unnest(string_split(w.rules, ' ')) u(rule)
        JOIN month_verdict v ON v.trip_id = w.trip_id AND v.rule = u.rule
        JOIN loop.fetch f ON f.trip_id = w.trip_id
        JOIN delivered.trips t ON t.trip_key = v.trip_key
        WHERE w.kind = 'fetch'
    """)  # fmt: skip
    assert (needed["verdict"] == "cannot_tell").all()
    assert set(needed["severity"]) <= {"high", "medium"}
    assert {"device_log", "handover_s", "outcome"} <= set(needed["record"])
    logs = needed[needed["record"] == "device_log"]
    assert logs["ventilated"].all()
    assert {"partial", "none"} <= set(logs["device_log"].dropna())
    assert needed.loc[needed["record"] == "handover_s", "handover_s"].isna().all()


def test_the_tables_have_the_columns_they_are_said_to_have(
    services: list[duckdb.DuckDBPyConnection],
) -> None:
    for name, sql in {**WORK_OUT, "equipment": EQUIPMENT_OUT}.items():
        found = together(services, f"FROM ({sql})").drop(columns="service")
        columns = OUTPUTS[name].to_schema().columns
        assert list(found.columns) == list(columns), name
        assert len(found), name
        for column, field in columns.items():
            assert field.nullable or found[column].notna().all(), f"{name}.{column}"
            for check in field.checks:
                allowed = check.statistics.get("allowed_values")
                assert allowed is None or set(found[column]) <= set(allowed), f"{name}.{column}"


def test_records_say_what_the_tables_say(services: list[duckdb.DuckDBPyConnection]) -> None:
    con = services[1]
    work = month_work(con, MONTH)
    rows = con.execute(WORK_OUT["work"]).fetchall()
    assert [(i.kind, i.trip_id, i.place, i.state) for i in work.items] == [
        (row[0], row[1], row[6], row[7]) for row in rows
    ]
    assert sum(work.count(kind) for kind in ("read", "audit", "batch", "fetch")) == len(rows)
    bases = [request.base for request in work.requests]
    assert bases == sorted(set(bases)), "one request a base"
    assert sum(len(r.lines) for r in work.requests) == len(work.of("fetch"))
    assert sum(map(len, work.batches.values())) == len(work.of("batch"))


def test_equipment_is_seen_by_unit(services: list[duckdb.DuckDBPyConnection]) -> None:
    """Every trip with a charted failure or too long a cut stands under its unit, and no other."""
    found = together(services, f"FROM ({EQUIPMENT_OUT})")
    month = found[found["months"] == MONTH]
    heaters = month[month["kind"] == "heater"]
    assert not month.duplicated(["service", "kind", "unit"]).any()
    charted = together(services, """
        SELECT t.heater_unit AS unit, count(DISTINCT t.trip_id) AS trips
        FROM delivered.settings s JOIN delivered.trips t USING (trip_key)
        JOIN judged.trip_window w USING (trip_key)
        WHERE w.service_month = '2026-02' AND s.reason = 'heater_failed'
        GROUP BY t.heater_unit
    """)  # fmt: skip
    failed = heaters[heaters["heater_failed"] > 0]
    both = failed.merge(charted, on=["service", "unit"], how="outer")
    assert len(both) > SERVICES / 2
    assert (both["heater_failed"] == both["trips_y"]).all()
    ventilators = month[month["kind"] == "ventilator"]
    rule = next(rule.id for rule in all_rules().values() if rule.cutoff_limit)
    flags = together(services, f"""
        SELECT t.ventilator_unit AS unit, count(*) AS flags, max(v.observed_low) AS longest
        FROM month_verdict v JOIN delivered.trips t USING (trip_key)
        WHERE v.rule = '{rule}'
          AND v.verdict IN ('deviation', 'borderline') GROUP BY t.ventilator_unit
    """)  # fmt: skip
    cut = ventilators[ventilators["interruptions"] > 0].merge(
        flags, on=["service", "unit"], how="outer"
    )
    assert len(cut) > 0
    assert (cut["interruptions"] == cut["flags"]).all()
    assert set(found["months"]) == {MONTH, f"to {MONTH}"}
    assert (found["trips"] > 0).all()
