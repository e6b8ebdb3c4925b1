"""A review up to its verdicts: `python -m tests.bench.judged DELIVERY STORE`.

The very functions that `tailrace review` calls, from the files to the verdicts in the closed store
in the folder STORE; nothing is measured, charted or drawn.
"""

from __future__ import annotations

import sys
from contextlib import closing
from pathlib import Path


def main() -> None:
    """Read, load and judge one delivery."""
    from pipeline.ingest.delivery import read_delivery
    from pipeline.ingest.load import load
    from pipeline.judging.evaluator import judge
    from pipeline.store.database import open_store

    delivery, store = map(Path, sys.argv[1:])
    store.mkdir(parents=True, exist_ok=True)
    with closing(open_store(store / "store.duckdb")) as con:
        load(con, read_delivery(con, delivery))
        judge(con)


if __name__ == "__main__":
    main()
