"""Review a delivery in pandas: `python -m tests.bench.peer DELIVERY PROTOCOL OUT`."""

from __future__ import annotations

import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from tests.bench.peer.rates import occlusion_rates
from tests.bench.peer.reading import read_tables
from tests.bench.peer.rules import judge
from tests.bench.peer.timeline import charts, occlusions, timeline

DEFAULT_MAX_OFFSET_S = 900

Told = Callable[[str], None]


def review(delivery: Path, protocol: Path, told: Told = lambda _: None) -> dict[str, pd.DataFrame]:
    """What was set aside, the verdicts and the rates of `delivery`, by those names."""
    export = tomllib.loads((delivery / "export.toml").read_text(encoding="utf-8"))
    versions = tomllib.loads(protocol.read_text(encoding="utf-8"))["version"]
    versions.sort(key=lambda version: version["from_month"])
    tables = read_tables(delivery)
    told("read, cast and validate")
    found = charts(tables, export, versions)
    intervals = timeline(found, versions)
    told("timeline")
    verdicts = judge(found, intervals, tables.rows["contacts"], versions)
    verdicts["trip_id"] = found.trips["trip_id"].astype(str).to_numpy()[verdicts.pop("trip")]
    told("rules")
    most = export.get("device_clock", {}).get("max_offset_s", DEFAULT_MAX_OFFSET_S)
    events = occlusions(tables, found, intervals, versions, most)
    rates = occlusion_rates(found, intervals, events)
    told("rates")
    return {"set_aside": tables.set_aside, "verdicts": verdicts, "rates": rates}


def keep(delivery: Path, protocol: Path, out: Path, told: Told = lambda _: None) -> None:
    """Review `delivery` and keep what was found in the folder `out`."""
    out.mkdir(parents=True, exist_ok=True)
    for name, frame in review(delivery, protocol, told).items():
        frame.to_pickle(out / f"{name}.pkl")
    told("kept")


def main() -> None:
    """Keep a delivery's review in a folder, and say when each step was done."""
    delivery, protocol, out = map(Path, sys.argv[1:])
    begun = time.perf_counter()
    keep(
        delivery, protocol, out, lambda step: print(f"{time.perf_counter() - begun:8.2f} s {step}")
    )


if __name__ == "__main__":
    main()
