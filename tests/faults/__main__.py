"""The long run: `python -m tests.faults --kills N` prints figures for docs/reliability.md."""

from __future__ import annotations

import argparse
import os
import platform
import tempfile
from pathlib import Path

from tests.faults import kills, world


def main() -> None:
    """Kill every command in turn, N times in all, and print what was found as a table."""
    options = argparse.ArgumentParser(prog="python -m tests.faults")
    options.add_argument("--kills", type=int, default=50, metavar="N")
    options.add_argument("--seed", type=int, default=1, metavar="S")
    options.add_argument("--trips", type=int, default=24, metavar="N")
    given = options.parse_args()
    with tempfile.TemporaryDirectory(prefix="faults-") as top:
        made = world.make(Path(top), given.trips)
        found = kills.many(made, Path(top) / "into", given.kills, given.seed)
    print(f"Python {platform.python_version()}, {platform.system()}, {os.cpu_count()} processors;"
          f" {given.trips} trips, seed {given.seed}")  # fmt: skip
    print("| command | killed | had ended before | half states and other faults |")
    print("| --- | --- | --- | --- |")
    for name, figures in found.items():
        print(f"| {name} | {figures.kills} | {figures.ended_before} | {len(figures.wrong)} |")
    for figures in found.values():
        print(*figures.wrong, sep="\n", end="\n" if figures.wrong else "")


if __name__ == "__main__":
    main()
