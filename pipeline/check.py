"""Validate a delivery and say what is wrong, storing nothing."""

from __future__ import annotations

from pathlib import Path


def check_delivery(
    delivery: Path, protocol: Path | None, cannulas: Path | None, *, shown: int
) -> tuple[str, int]:
    """A report in lines, and how many rows would be set aside. Refused as `review` would."""
    import duckdb

    from pipeline.ingest.delivery import read_delivery

    with duckdb.connect() as con:
        staged = read_delivery(con, delivery, protocol=protocol, cannulas=cannulas)
        count = staged.set_aside_count(con)
        problems = staged.problems(con, limit=shown + 1)
    lines = [f"{file}: {what}." for file, what in staged.mentions]
    lines += [problem.sentence() for problem in problems[:shown]]
    if len(problems) > shown:
        lines.append("... and more like these; a review lists them all in problems.csv.")
    lines.append(
        f"{count} rows would be set aside; the rest can be reviewed."
        if count
        else "Nothing is wrong: the delivery can be reviewed."
    )
    return "\n".join(lines), count
