"""Before and after each retraining, as page data."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import Row, records, text

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures

MONTH = re.compile(r"\b\d{4}-\d{2}\b")
HALVING, DOUBLING = 0.5, 2.0


def retraining_data(figures: MeasureFigures) -> Row:
    """One row a retraining of a base, the latest first, with its ratio in words."""
    rows = [_row(r) for r in records(figures.before_after)]
    rows.sort(key=lambda r: (r["base"], r["rule"]))
    rows.sort(key=lambda r: r["month"], reverse=True)
    warnings = sorted({r["warning"] for r in rows if r["warning"]})
    in_figure = [r for r in rows if r["ratio"]["estimate"] is not None]
    return {"rows": rows, "in_figure": in_figure, "warnings": warnings, "finding": _finding(rows)}


def _row(row: Row) -> Row:
    ratio, low, high = (words.some(row[k]) for k in ("ratio", "low", "high"))
    too_few = bool(row["too_few"]) or ratio is None
    made = [
        f"{words.whole(words.some(row[f'{side}_events']))} of"
        f" {words.many(int(row[f'{side}_trips'] or 0), 'trip')}"
        for side in ("before", "after")
    ]
    rule, base = text(row["rule"]), text(row["base"])
    month = text(row["month"])
    shown = words.DASH if ratio is None else f"{ratio:.2f}"
    span = "no interval"
    if low is not None and ratio is not None:
        span = f"{low:.2f}{words.DASH}{high:.2f}" if high is not None else f"{low:.2f} or more"
    return {
        "month": month,
        "name": words.month_name(month),
        "base": base,
        "rule": rule,
        "title": words.rule_title(rule),
        "label": f"{base}, {words.rule_title(rule).lower()}",
        "before": made[0],
        "after": made[1],
        "read": _read_words(row),
        "too_few": too_few,
        "window": MONTH.sub(lambda m: words.month_name(m[0]), text(row["window"])),
        "warning": text(row["warning"]),
        "verdict": _verdict(low, high, made, too_few=too_few),
        "shown": shown,
        "span": span,
        "ratio": {
            "estimate": None if too_few else ratio,
            "low": low,
            "high": high,
            "before": made[0],
            "after": made[1],
            "ratio_text": shown,
            "range_text": span,
            "line": f"{_short(made[0])} before, {_short(made[1])} after: {shown} ({span})",
        },
    }


def _read_words(row: Row) -> str:
    """What readers made of the flags on either side; empty where none was concluded on."""
    read = {side: int(row[f"{side}_read"] or 0) for side in ("before", "after")}
    if not sum(read.values()):
        return ""
    counts = [f"{int(row[f'{s}_practice'] or 0)} of {n} read {s}" for s, n in read.items()]
    return f"put down to practice: {', '.join(counts)}"


def _short(made: str) -> str:
    """'30 of 129 trips' as '30/129'."""
    return made.replace(" of ", "/").split(" ")[0]


def _verdict(low: float | None, high: float | None, made: list[str], *, too_few: bool) -> str:
    """What the interval bears; a halving or doubling not ruled out stays open."""
    if too_few or low is None:
        return f"too few to say ({made[0]} before, {made[1]} after)"
    if high is not None and high < 1:
        return "fewer variances after than before"
    if low > 1:
        return "more variances after than before"
    far = [
        change
        for change, inside in (
            ("halving", low >= HALVING), ("doubling", high is not None and high <= DOUBLING)
        )
        if not inside
    ]  # fmt: skip
    if far:
        return f"no change shown, and too little to say: a {' or a '.join(far)} is not ruled out"
    return "no change shown: the interval holds 1, and a smaller change is not ruled out"


def _finding(rows: list[Row]) -> str:
    """The retrainings in a sentence or two; says so where none was delivered."""
    if not rows:
        return "No retraining of a base was delivered: there is no before and after."
    latest = rows[0]
    sentence = (
        f"{words.isolated(latest['base'])}, {latest['title'].lower()}, retrained in"
        f" {latest['name']}: {latest['verdict']}"
    )
    if not latest["too_few"]:
        sentence += (
            f" ({latest['before']} before, {latest['after']} after; ratio {latest['shown']},"
            f" 95{words.NBSP}% {latest['span']})"
        )
    if latest["read"]:
        sentence += f"; {latest['read']}"
    sentence += f". {latest['window'].rstrip('.')}"
    if latest["warning"]:
        sentence += ". Part of any fall may be regression to the mean"
    more = f" {len(rows) - 1} earlier ones are in the table." if len(rows) > 1 else ""
    return f"{sentence}.{more}"
