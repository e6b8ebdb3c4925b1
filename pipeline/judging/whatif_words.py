"""What `tailrace whatif` prints."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import usage
from pipeline.judging.whatif import Row, WhatIfResult, what_if
from pipeline.judging.whatif_settings import parse_settings
from pipeline.store.session import store_in

TRIPS_NAMED = 10
MONTHS = re.compile(r"(\d{4}-(?:0[1-9]|1[0-2]))(?:\.\.(\d{4}-(?:0[1-9]|1[0-2])))?")


def whatif(folder: Path, given: Sequence[str], months: str | None, *, name_all: bool) -> str:
    """Replay history under the values given; the store is only read."""
    settings = parse_settings(given)
    span = parse_months(months)
    with store_in(folder, read_only=True) as con:
        result = what_if(con, settings, span)
    return whatif_words(result, name_all=name_all)


def parse_months(text: str | None) -> tuple[str, str] | None:
    """`A..B` or one month; None for all. Usage for anything else."""
    if text is None:
        return None
    found = MONTHS.fullmatch(text)
    if not found or (found[2] or found[1]) < found[1]:
        what = f'"{text[:40]}" is not a month or a span of months'
        remedy = "Write it as 2026-01..2026-06."
        raise usage("wrong-month", "--months", what, remedy=remedy)
    return found[1], found[2] or found[1]


def whatif_words(result: WhatIfResult, *, name_all: bool) -> str:
    """The curve as a table, then what changes, with the trips named."""
    rows = result.curve_rows
    if not rows or rows[0]["trips"] == 0:
        return "The store has no judged trips in these months."
    # a setting of the whole version is tried on every rule; those it leaves alone say nothing
    touched = {row["rule"] for row in rows if row["changed"]} or {rows[0]["rule"]}
    named = rows[0]["setting"].partition(".")[0]
    rows = [row for row in rows if row["rule"] in touched or row["rule"] == named]
    lines = [f"{rows[0]['setting']}, over {rows[0]['trips']} trips:", *_table(rows)]
    for row in rows:
        lines += ["", *_changes(row, result.change_rows, name_all=name_all)]
    return "\n".join(lines)


def _table(rows: list[Row]) -> list[str]:
    heads = ["value", "rule", "variances", "borderline", "cannot tell", "changed",
             "extra ventilator trips", "extra ventilator minutes"]  # fmt: skip
    cells = [
        [
            f"{row['value']}{' (now)' if row['current'] else ''}", str(row["rule"]),
            str(row["deviation"]), str(row["borderline"]), str(row["cannot_tell"]),
            str(row["changed"]), _signed(row["extra_ventilator_trips"]),
            _signed(row["extra_ventilator_minutes"]),
        ]
        for row in rows
    ]  # fmt: skip
    widths = [max(map(len, column)) for column in zip(heads, *cells, strict=True)]
    return [
        "  ".join(
            cell.ljust(width) if place < 2 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in [heads, *cells]
    ]


def _signed(value: float | None) -> str:
    """A number with its sign; a dash where the rule asks for no other source."""
    if value is None or math.isnan(value):
        return "-"
    return f"{value:+.0f}" if value else "0"


def _changes(row: Row, changes: list[Row], *, name_all: bool) -> list[str]:
    own = [c for c in changes if (c["value"], c["rule"]) == (row["value"], row["rule"])]
    if not own:
        return [f"{row['value']}: no verdict of {row['rule']} would be otherwise."]
    count = "1 verdict" if len(own) == 1 else f"{len(own)} verdicts"
    lines = [f"{row['value']}: {count} of {row['rule']} would be otherwise:"]
    trips_of: dict[tuple[str, str], list[str]] = {}
    for change in own:
        kind = (change["was"] or "not judged", change["becomes"] or "not judged")
        trips_of.setdefault(kind, []).append(change["trip_id"])
    for (was, becomes), trips in sorted(trips_of.items()):
        named = trips if name_all else trips[:TRIPS_NAMED]
        more = "" if len(named) == len(trips) else " ..."
        words = f"{len(trips)} from {was} to {becomes}".replace("_", " ")
        lines.append(f"  {words}: {', '.join(named)}{more}")
    return lines
