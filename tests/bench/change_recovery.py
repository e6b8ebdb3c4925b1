"""Is what `tailrace simulate --change` plants found again by a plain count?

    python -m tests.bench.change_recovery [--seeds 50] [--trips 2000]

Every change is planted in one delivery a seed; the counts below read its files with SQL of their
own. Standard errors are the delete-one-group jackknife's over 20 groups of trips.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import duckdb
import numpy as np
import numpy.typing as npt

from pipeline.simulate import simulate

GROUPS = 20
FROM = "2026-05"
CHANGES = (
    f"occlusions of prong-2 x 2 from {FROM}",
    f"wall-oxygen-time at cedar x 3 from {FROM}",
    "retraining of cannula-weight at alder x 0.3 in 2026-04",
    "retraining of monitoring-gap at birch x 1 in 2026-04",
    f"unheated-time at birch x 3 from {FROM}",
    f"H-damson-2 fails 0.5 from {FROM}",
    f"V-alder-1 fails 0.4 from {FROM}",
    f"logs of elm stop from {FROM}",
    "2 trips missing in 2026-08",
    "1 trip late in 2026-08",
)
Counts = npt.NDArray[np.float64]
"""One row a group of trips, one column a count."""


@dataclass(frozen=True)
class Asked:
    """One change: what was planted, how it is counted, and the estimate from the counts."""

    name: str
    planted: float
    count: Callable[[duckdb.DuckDBPyConnection], Counts]
    estimate: Callable[[Counts], float]


@dataclass(frozen=True)
class Found:
    """A value that was planted, as it was counted, and the count's standard error."""

    name: str
    planted: float
    counted: float
    error: float

    @property
    def off(self) -> float:
        """How many standard errors lie between the two."""
        return abs(self.counted - self.planted) / self.error if self.error else 0.0


def files(con: duckdb.DuckDBPyConnection, delivery: Path) -> None:
    """Open a delivery's files as views."""
    for name in ("trips", "settings", "device_events", "planted"):
        con.execute(
            f"CREATE OR REPLACE VIEW {name} AS"
            f" SELECT * FROM read_csv('{delivery / name}.csv', all_varchar = true)"
        )


def grouped(con: duckdb.DuckDBPyConnection, select: str) -> Counts:
    """Sum the counts of a SELECT of trip_id and numbers into groups of trips."""
    names = [row[0] for row in con.execute(f"DESCRIBE {select}").fetchall()][1:]
    sums = ", ".join(f"coalesce(sum({name}), 0)" for name in names)
    rows = con.execute(
        f"SELECT {sums} FROM range({GROUPS}) g(g) LEFT JOIN ({select}) s"
        f" ON CAST(s.trip_id[2:] AS INTEGER) % {GROUPS} = g.g GROUP BY g.g ORDER BY g.g"
    ).fetchall()
    return np.array(rows, dtype=np.float64)


def occlusions(con: duckdb.DuckDBPyConnection) -> Counts:
    """Events and hours on the ventilator: of prong-2 and of other prongs, before and from FROM."""
    return grouped(
        con,
        f"""
        WITH logged AS (
            SELECT trip_id, count(*) FILTER (event = 'occlusion') AS events
            FROM device_events GROUP BY trip_id
        ),
        moved AS (
            SELECT trip_id, min(CAST(at_s AS INTEGER)) AS at_s FROM settings
            WHERE source = 'ventilator' GROUP BY trip_id
        ),
        size AS (SELECT trip_id, any_value(cannula) AS cannula FROM settings
                 WHERE cannula IS NOT NULL GROUP BY trip_id),
        made AS (
            SELECT trip_id, events, (CAST(handover_s AS INTEGER) - moved.at_s) / 3600 AS hours,
                   cannula = 'prong-2' AS small, service_month >= '{FROM}' AS later
            FROM trips JOIN logged USING (trip_id) JOIN moved USING (trip_id)
            JOIN size USING (trip_id)
            WHERE handover_s IS NOT NULL AND cannula LIKE 'prong%'
        )
        SELECT trip_id, {
            ", ".join(
                f"if({s} AND {late}, {n}, 0) AS {n}_{i}{j}"
                for n in ("events", "hours")
                for i, s in enumerate(("NOT small", "small"))
                for j, late in enumerate(("NOT later", "later"))
            )
        } FROM made""",
    )


def rate_ratio(c: Counts) -> float:
    """The small size's rate from FROM on against before, over the other sizes' own."""
    events, hours = c[:4], c[4:]
    rate = events / hours
    return float(np.log((rate[3] / rate[2]) / (rate[1] / rate[0])))


def odds(con: duckdb.DuckDBPyConnection, rule: str, base: str) -> Counts:
    """Deviations and met from FROM on, at the base and elsewhere at bases left alone."""
    return grouped(
        con,
        f"""
        SELECT trip_id, {
            ", ".join(
                f"(({where}) AND verdict = '{v}')::INTEGER AS {v}_{i}"
                for i, where in enumerate((f"base = '{base}'", "base IN ('elm', 'damson')"))
                for v in ("deviation", "met")
            )
        }
        FROM trips JOIN planted USING (trip_id)
        WHERE rule = '{rule}' AND service_month >= '{FROM}'
          AND heater_unit <> 'H-damson-2'""",
    )


def odds_ratio(c: Counts) -> float:
    """The base's odds of a variance against the others'."""
    return float(np.log((c[0] / c[1]) / (c[2] / c[3])))


def failures(con: duckdb.DuckDBPyConnection, unit: str, column: str, reason: str) -> Counts:
    """Trips from FROM on, and those with the failure charted: with the unit, and with others."""
    return grouped(
        con,
        f"""
        WITH failed AS (SELECT DISTINCT trip_id FROM settings WHERE reason = '{reason}')
        SELECT t.trip_id, (t.{column} = '{unit}')::INTEGER AS used,
               (t.{column} = '{unit}' AND f.trip_id IS NOT NULL)::INTEGER AS used_failed,
               (t.{column} <> '{unit}')::INTEGER AS other,
               (t.{column} <> '{unit}' AND f.trip_id IS NOT NULL)::INTEGER AS other_failed
        FROM trips t LEFT JOIN failed f USING (trip_id)
        WHERE service_month >= '{FROM}' AND t.{column} IS NOT NULL
          AND t.base NOT IN ('birch')""",
    )


def share(c: Counts) -> float:
    """What share fails beyond what fails with the other units."""
    usual = c[3] / c[2]
    return float((c[1] / c[0] - usual) / (1 - usual))


def found(asked: Asked, counts: Counts) -> Found:
    """The estimate over all groups, with its jackknife standard error."""
    total = counts.sum(axis=0)
    without = np.array([asked.estimate(total - group) for group in counts])
    spread = (GROUPS - 1) / GROUPS * ((without - without.mean()) ** 2).sum()
    return Found(asked.name, asked.planted, asked.estimate(total), float(np.sqrt(spread)))


def logs_left(con: duckdb.DuckDBPyConnection) -> int:
    """Events in logs of the base that stopped; there must be none."""
    row = con.execute(f"""SELECT count(*) FROM trips JOIN device_events USING (trip_id)
                          WHERE base = 'elm' AND service_month >= '{FROM}'""").fetchone()
    return int(row[0]) if row else 0


def odds_asked(rule: str, base: str, times: float) -> Asked:
    """An odds ratio that was asked for."""
    return Asked(
        f"{rule} at {base}", float(np.log(times)), lambda con: odds(con, rule, base), odds_ratio
    )


def failure_asked(unit: str, column: str, reason: str, planted: float) -> Asked:
    """A failing unit that was asked for."""
    return Asked(unit, planted, lambda con: failures(con, unit, column, reason), share)


def all_asked() -> list[Asked]:
    """What CHANGES plants that is counted with an error."""
    return [
        Asked("occlusions of prong-2", float(np.log(2)), occlusions, rate_ratio),
        odds_asked("wall-oxygen-time", "cedar", 3),
        odds_asked("cannula-weight", "alder", 0.3),
        odds_asked("monitoring-gap", "birch", 1),
        odds_asked("unheated-time", "birch", 3),
        failure_asked("H-damson-2", "heater_unit", "heater_failed", 0.5),
        failure_asked("V-alder-1", "ventilator_unit", "ventilator_failed", 0.4),
    ]


def recovered(seeds: range, trips: int, folder: Path) -> tuple[list[Found], int]:
    """Make one delivery a seed and count; also the events of logs that should have stopped."""
    sums: dict[str, Counts] = {}
    asked, left = all_asked(), 0
    for seed in seeds:
        delivery = folder / str(seed)
        simulate(delivery, trips, 8, seed, changes=CHANGES)
        with duckdb.connect() as con:
            files(con, delivery)
            for one in asked:
                sums[one.name] = sums.get(one.name, 0) + one.count(con)
            left += logs_left(con)
    return [found(one, sums[one.name]) for one in asked], left


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=50)
    parser.add_argument("--trips", type=int, default=2000)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows, events = recovered(range(wanted.seeds), wanted.trips, Path(folder))
    print("natural logarithms of ratios, and shares")
    for row in rows:
        print(
            f"{row.name:28} planted {row.planted:7.3f} counted {row.counted:7.3f}"
            f" se {row.error:.3f} off {row.off:.1f} se"
        )
    print(f"events in logs that stopped: {events}")
