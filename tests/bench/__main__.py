"""Measure how fast the program is, and say of each figure whether it holds.

    python -m tests.bench                        every figure at its full size, about an hour
    python -m tests.bench a f --scale 0.1        some of them, on a tenth of the trips
    python -m tests.bench d --growth 10000 100000 1000000 10000000

Prints each figure with its bound, and `pass` or `short`. With --page FILE the table is also
written between the two marks of that page, anew after each figure; what was measured in another
run stays. Files are kept in the folder --in, and made again only if they are missing: about 2 GB,
and 40 GB with ten million trips.
"""

from __future__ import annotations

import argparse
import datetime
import os
import platform
import shlex
import sys
import tempfile
from pathlib import Path

import duckdb

from tests.bench.figures import FIGURES, ROUNDS, Figure, Sizes

BEGIN, END = "<!-- figures begin -->", "<!-- figures end -->"


def main() -> None:
    chosen = _arguments()
    folder = Path(chosen.folder or Path(tempfile.gettempdir()) / "tailrace-bench")
    folder.mkdir(parents=True, exist_ok=True)
    scale = chosen.scale
    sizes = Sizes(
        folder,
        country=round(1_000_000 * scale),
        peer=round(200_000 * scale),
        growth=tuple(chosen.growth or (round(n * scale) for n in (10_000, 100_000, 1_000_000))),
        late=round(100_000 * scale),
        whatif=round(100_000 * scale),
        rounds=chosen.rounds,
    )
    print(machine(), flush=True)
    found = []
    for letter in chosen.figures or FIGURES:
        for figure in FIGURES[letter](sizes):
            print(_line(figure), flush=True)
            found.append(figure)
            if chosen.page:
                write(chosen.page, found)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("figures", nargs="*", metavar="FIGURE", help="all if none is named")
    parser.add_argument("--scale", type=float, default=1.0, help="of the full sizes of b to f")
    parser.add_argument("--rounds", type=int, default=ROUNDS, help="of a, whose medians count")
    parser.add_argument("--growth", type=int, nargs="+", help="the sizes of d")
    parser.add_argument("--in", dest="folder", help="where files are kept between runs")
    parser.add_argument("--page", type=Path, help="page to write the table into")
    return parser.parse_args()


def machine() -> str:
    """What it ran on, in a line: processors, memory, versions."""
    cores = len(os.sched_getaffinity(0))
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**30
    return (
        f"{cores} cores, {memory:.0f} GB, {platform.system()},"
        f" Python {platform.python_version()}, DuckDB {duckdb.__version__}"
    )


def _line(figure: Figure) -> str:
    return (
        f"{figure.letter:8}  {figure.verdict:5}  {figure.measured:6.2f} {figure.unit} (at most"
        f" {figure.bound:.2f})  {figure.what}\n{'':17}{figure.made_of}"
    )


def write(page: Path, found: list[Figure]) -> None:
    """Put the table between the marks of `page`; what was not measured now stays as it was."""
    today = datetime.datetime.now(tz=datetime.UTC).date()
    command = shlex.join(["python", "-m", "tests.bench", *sys.argv[1:]])
    sentence = f"Measured on {today}: {machine()}; `{command}`."
    text = page.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    old, after = rest.split(END)
    rows = {_key(line): line for line in old.splitlines() if line.startswith("| ")}
    rows = {key: line for key, line in rows.items() if key[0] in FIGURES}
    for f in found:
        row = (
            f"| {f.letter} | {f.what} | {f.measured:.2f} {f.unit} | {f.bound:.2f} | {f.verdict} |"
            f" {f.made_of} |"
        )
        rows[_key(row)] = row
    heads = [
        line for line in old.splitlines() if line.startswith("Measured on") and line != sentence
    ]
    table = [
        BEGIN,
        *heads,
        sentence,
        "",
        "| | figure | measured | at most | | made of |",
        "| --- | --- | --- | --- | --- | --- |",
        *sorted(rows.values(), key=lambda row: list(FIGURES).index(_key(row)[0])),
        END,
    ]
    page.write_text(before + "\n".join(table) + after, encoding="utf-8")


def _key(row: str) -> tuple[str, str]:
    """What a row of the table is of: its letter and what it says."""
    _, letter, what, *_ = row.split("|")
    return letter.strip(), what.strip()


if __name__ == "__main__":
    main()
