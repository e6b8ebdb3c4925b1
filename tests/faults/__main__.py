"""The long runs, as tables for docs/reliability.md.

`python -m tests.faults --kills N` kills commands, `--inputs N` spoils inputs, `--races N` begins
two and three commands at once.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
import tempfile
import time
from pathlib import Path

from tests.faults import inputs, kills, races, world

QUICK = "settings files"
"""The quickest kind: what is left of `--inputs` beyond the least of each kind is of it."""


def main() -> None:
    """Attack as the options say, and print what was found."""
    options = argparse.ArgumentParser(prog="python -m tests.faults")
    options.add_argument("--kills", type=int, default=0, metavar="N")
    options.add_argument("--inputs", type=int, default=0, metavar="N")
    options.add_argument("--least", type=int, default=5000, metavar="N", help="of each kind")
    options.add_argument("--kind", choices=inputs.KINDS, help="of inputs; all, if not given")
    options.add_argument("--races", type=int, default=0, metavar="N")
    options.add_argument("--seed", type=int, default=1, metavar="S")
    options.add_argument("--processes", type=int, default=os.cpu_count() or 1, metavar="N")
    options.add_argument("--trips", type=int, default=24, metavar="N")
    given = options.parse_args()
    print(f"Python {platform.python_version()}, {platform.system()}, {os.cpu_count()} processors;"
          f" seed {given.seed}")  # fmt: skip
    if given.inputs:
        numbers = {given.kind: given.inputs} if given.kind else _numbers(given.inputs, given.least)
        _inputs(numbers, given.seed, given.processes)
    if given.kills or given.races:
        with tempfile.TemporaryDirectory(prefix="faults-") as top:
            made = world.make(Path(top), given.trips)
            if given.kills:
                _kills(made, Path(top) / "into", given.kills, given.seed)
            if given.races:
                _races(made, Path(top) / "into", given.races, given.seed)


def tell(line: str) -> None:
    """What has been found so far, at once: a long run may be broken off."""
    print(f"{time.strftime('%H:%M:%S')} {line}", file=sys.stderr, flush=True)


def _numbers(number: int, least: int) -> dict[str, int]:
    each = min(least, number // len(inputs.KINDS))
    numbers = dict.fromkeys(inputs.KINDS, each)
    numbers[QUICK] += number - each * len(inputs.KINDS)
    return numbers


def _inputs(numbers: dict[str, int], seed: int, processes: int) -> None:
    found = inputs.many(numbers, seed, processes, tell)
    print("\n| inputs | tried | in draws | read | set aside or doubtful | refused | faults |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for kind, of_kind in found.items():
        came = [of_kind.counts[c] for c in ("read", "set aside or doubtful", "refused", "fault")]
        print(f"| {kind} | {sum(came)} | {of_kind.draws} | {' | '.join(map(str, came))} |")
    for of_kind in found.values():
        print(*of_kind.faults, sep="\n", end="\n" if of_kind.faults else "")


def _kills(made: world.World, into: Path, number: int, seed: int) -> None:
    found = kills.many(made, into, number, seed, tell)
    print(
        "\n| command | killed | had ended before | run to the end | half states and other faults |"
    )
    print("| --- | --- | --- | --- | --- |")
    for name, figures in found.items():
        print(f"| {name} | {figures.kills} | {figures.ended_before} | {figures.reruns}"
              f" | {len(figures.wrong)} |")  # fmt: skip
    for figures in found.values():
        print(*figures.wrong, sep="\n", end="\n" if figures.wrong else "")


def _races(made: world.World, into: Path, number: int, seed: int) -> None:
    raced = races.many(made, into, number, seed, tell)
    ends = ", ".join(f"{count} ended with {code}" for code, count in sorted(raced.ends.items()))
    print(f"\n{raced.rounds} rounds of two and three at once: {ends}; {len(raced.wrong)} faults")
    print(*raced.wrong, sep="\n", end="\n" if raced.wrong else "")


if __name__ == "__main__":
    main()
