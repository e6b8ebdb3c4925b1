"""Whether the adjusted ratio of two cannula sizes recovers the one the simulator planted.

Each seed is a service of its own in which the smaller size runs further up its flow range, so that
its crude rate is too high. Every seed goes through timeline, clocks and occlusions as a delivery
would; the files are read past the privacy screen, many seeds at once, to save time. Run:

    python -m tests.bench.ratio_recovery [SEEDS] [TRIPS]

prints how often the adjusted and the crude ratio's 95 % interval held the planted ratio.
"""

from __future__ import annotations

import json
import sys
import tempfile
import tomllib
from pathlib import Path

import duckdb
import numpy as np

from pipeline.judging.evaluator import judge
from pipeline.measures.sizes import REFERENCE_TERMS, size_rows
from pipeline.simulate import simulate
from pipeline.statistics.rate_model import rate_model
from pipeline.statistics.service_dispersion import service_dispersion
from pipeline.store.database import create_layout
from schemas.protocol import ProtocolVersion
from tests.frames import to_pandas

SMALLER, LARGER = "prong-2", "prong-3"
RATIO, CONFOUNDING, PER_100H = 1.5, 0.15, 60.0
TABLES = ("settings", "device_events", "observations", "contacts")


def services(folder: Path, seeds: int, trips: int) -> None:
    """One delivery a seed, without plants, so that only the rates differ from the template."""
    for seed in range(1, seeds + 1):
        simulate(
            folder / f"seed-{seed:04d}", trips, 12, seed,
            rate_ratio=RATIO, confounding=CONFOUNDING, occlusions_per_100h=PER_100H,
        )  # fmt: skip


def into_one_store(folder: Path) -> duckdb.DuckDBPyConnection:
    """Every seed's rows in one store; the seed stands as the delivery's number."""
    con = duckdb.connect()
    create_layout(con)
    seed = "regexp_extract(filename, 'seed-(\\d+)', 1)::INTEGER"
    con.execute(f"""
        CREATE TEMP TABLE trip AS
        SELECT row_number() OVER (ORDER BY filename, trip_id)::INTEGER AS trip_key,
               {seed} AS delivery_no, 1 AS line, * EXCLUDE (filename)
        FROM read_csv('{folder}/*/trips.csv', filename = true)""")
    con.execute("""
        INSERT INTO delivered.trips BY NAME
        SELECT * REPLACE (delivery_no || '-' || trip_id AS trip_id) FROM trip""")
    for table in TABLES:
        con.execute(f"""
            INSERT INTO delivered.{table} BY NAME
            SELECT t.trip_key, row_number() OVER ()::INTEGER AS line,
                   s.* EXCLUDE (trip_id, filename)
            FROM read_csv('{folder}/*/{table}.csv', filename = true) s
            JOIN trip t ON t.trip_id = s.trip_id
                AND t.delivery_no = regexp_extract(s.filename, 'seed-(\\d+)', 1)::INTEGER""")
    _describe(con, folder)
    return con


def _describe(con: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Delivery, catalogue and protocol of every seed: the same but for the number."""
    first = min(folder.iterdir())
    con.execute("""
        INSERT INTO delivered.delivery
            (delivery_no, content_hash, service, contract, privacy_basis, months, res_trips,
             res_settings, res_device_events, res_observations, res_contacts, max_offset_s,
             not_recorded)
        SELECT DISTINCT delivery_no, delivery_no::VARCHAR, 'demo', 1, 'internal-operations', [], 60,
               60, 1, 60, 60, 600, [] FROM delivered.trips""")
    con.execute("INSERT INTO delivered.receipt SELECT delivery_no, delivery_no"
                " FROM delivered.delivery")  # fmt: skip
    catalogue = tomllib.loads((first / "cannulas.toml").read_text(encoding="utf-8"))["cannula"]
    names = list(catalogue[0])
    for entry in catalogue:
        con.execute(
            f"INSERT INTO delivered.cannula (delivery_no, {', '.join(names)})"
            f" SELECT delivery_no, {', '.join('?' * len(names))} FROM delivered.delivery",
            [entry[name] for name in names],
        )
    for version in tomllib.loads((first / "protocol.toml").read_text(encoding="utf-8"))["version"]:
        read = ProtocolVersion.model_validate(version)
        con.execute(
            "INSERT INTO delivered.protocol_version VALUES (1, ?, ?, ?, NULL, NULL, 'demo')",
            [read.id, read.from_month, json.dumps(read.model_dump())],
        )


def main() -> None:
    """Print the two shares, with their standard errors."""
    seeds, trips = (int(a) for a in [*sys.argv[1:], "400", "1500"][:2])
    with tempfile.TemporaryDirectory() as name:
        services(Path(name), seeds, trips)
        con = into_one_store(Path(name))
    judge(con)
    rows = to_pandas(size_rows(con, "9999-12"))
    seed_of = dict(con.execute("SELECT trip_key, delivery_no FROM delivered.trips").fetchall())
    rows["seed"] = rows["trip_key"].map(seed_of)
    held: dict[str, list[bool]] = {"adjusted": [], "crude": []}
    ratios: dict[str, list[float]] = {"adjusted": [], "crude": []}
    for _, own in rows.groupby("seed"):
        trips = own.groupby(["trip_key", "cannula"], as_index=False)[["events", "hours"]].sum()
        k = service_dispersion(trips["events"], trips["hours"], trips["cannula"]).k
        model = rate_model(
            own["events"], own["hours"], own["cannula"].tolist(), reference=LARGER,
            k=k, trip=own["trip_key"], per=100, names=list(REFERENCE_TERMS),
            covariates=own[list(REFERENCE_TERMS)].to_numpy(dtype=float),
        )  # fmt: skip
        group = next(g for g in model.groups if g.label == SMALLER)
        for kind, found in (("adjusted", group.adjusted_ratio), ("crude", group.crude_ratio)):
            if np.isfinite(found.estimate):
                held[kind].append(found.lower <= RATIO <= found.upper)
                ratios[kind].append(found.estimate)
    for kind, hits in held.items():
        share = float(np.mean(hits))
        error = float(np.sqrt(share * (1 - share) / len(hits)))
        print(
            f"{kind}: the interval held {RATIO} in {share:.1%} of {len(hits)} seeds"
            f" (standard error {error:.1%}); median ratio {np.median(ratios[kind]):.2f}"
        )


if __name__ == "__main__":
    main()
