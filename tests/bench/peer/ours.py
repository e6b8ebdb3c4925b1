"""The same work by the program: `python -m tests.bench.peer.ours DELIVERY PROTOCOL OUT`.

The very functions that `tailrace review` calls, from the files to the rates in a store, without
pages; Python is set as for a command, and libraries are imported while the database works. It does
more than the peer: hashes the files, screens them for what may identify a person,
keeps every row, and lists contradictions and what followed each occlusion.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

Told = Callable[[str], None]
MEMORY = "290MiB"
"""What DuckDB may hold; what does not fit is spilled beside the store."""


def review(delivery: Path, protocol: Path, out: Path, told: Told = lambda _: None) -> None:
    """Load `delivery`, judge it by `protocol` and rate occlusions, into a store in `out`."""
    from pipeline.ingest.delivery import read_delivery
    from pipeline.ingest.load import load, rows_stored_early
    from pipeline.judging.evaluator import judge
    from pipeline.measures.occlusion_rate import rates_of, ventilator_time
    from pipeline.runtime.preload import NUMBERS, importing
    from pipeline.store.database import open_store

    out.mkdir(parents=True, exist_ok=True)
    with closing(open_store(out / "store.duckdb", memory_limit=MEMORY)) as con:
        with importing(NUMBERS) as begin, rows_stored_early(con) as early:
            staged = read_delivery(
                con, delivery, protocol=protocol, stage=told, new=begin, early=early
            )
            told("load")
            load(con, staged, begun=early)
            judge(con, told)
        told("rates")
        month = max(staged.export.months)
        con.execute(ventilator_time(), {"month": month})
        rates = rates_of(con, month).for_database()
        con.register("rates", rates)
        con.execute("CREATE TABLE judged.rates AS FROM rates")
        told("close")


def main() -> None:
    """Review a delivery into a store, and say when each step began."""
    from pipeline.runtime.sparing import spare_processors

    spare_processors()
    delivery, protocol, out = map(Path, sys.argv[1:])
    begun = time.perf_counter()
    review(delivery, protocol, out, lambda s: print(f"{time.perf_counter() - begun:8.2f} s {s}"))


if __name__ == "__main__":
    main()
