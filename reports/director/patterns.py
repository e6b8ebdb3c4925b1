"""What occlusions came with and what followed, and the devices' clocks, as page data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.text import words
from reports.text.rows import Row, records, text
from schemas.outputs import NEXT_ACTIONS, PATTERNS, WHAT_FOLLOWED

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures

FOLLOWED = (*NEXT_ACTIONS, "next_unknown")
FOLLOWED_WORDS = {**words.NEXT_WORDS, "next_unknown": "not known"}
QUANTILES = ("p5_s", "p25_s", "median_s", "p75_s", "p95_s")
CLOCK_MONTHS = 24
COUNTS = (
    *("events", "only_this", "trips", *FOLLOWED),
    *("watched", "another_within_15_min", "prolonged", "unrecovered"),
)


def patterns_data(figures: MeasureFigures, month: str) -> Row:
    """The pattern tables of the month and of all months to it, with what they show in words."""
    rows = records(figures.occlusion_patterns)
    whole = _rows(rows, f"to {month}")
    return {
        "all": whole,
        "month": _rows(rows, month),
        "finding": _finding(whole),
        "followed": list(FOLLOWED_WORDS.items()),
        "caution": WHAT_FOLLOWED,
    }


def _rows(rows: list[Row], month: str) -> list[Row]:
    order = [*PATTERNS, "all"]
    chosen = [r for r in rows if text(r["month"]) == month]
    chosen.sort(key=lambda r: order.index(p) if (p := text(r["pattern"])) in order else 99)
    return [_row(r) for r in chosen]


def _row(row: Row) -> Row:
    counts = {name: int(row[name] or 0) for name in COUNTS}
    pattern = text(row["pattern"])
    again, watched = counts["another_within_15_min"], counts["watched"]
    return {
        **counts,
        "pattern": pattern,
        "label": "all occlusions"
        if pattern == "all"
        else words.PATTERN_WORDS.get(pattern, pattern),
        "again": f"{again} of {watched}" if watched else "none watched",
    }


def _finding(rows: list[Row]) -> str:
    """How the occlusions of all months divide; counts only, since patterns may overlap."""
    total = next((r for r in rows if r["pattern"] == "all"), None)
    if total is None or not total["events"]:
        return "No counted occlusion: there is no pattern to look at."
    events, trips = (
        words.many(total[k], n) for k, n in (("events", "occlusion"), ("trips", "trip"))
    )
    known = [r for r in rows if r["pattern"] not in ("all", "unknown") and r["events"]]
    known.sort(key=lambda r: (-r["events"], r["label"]))
    parts = [f"{r['events']} {r['label']}" for r in known]
    unknown = next((r["events"] for r in rows if r["pattern"] == "unknown"), 0)
    sentence = f"Of {events} counted on {trips}: {'; '.join(parts)}." if parts else (
        f"{events[:1].upper()}{events[1:]} counted on {trips}."
    )  # fmt: skip
    if unknown:
        sentence += f" What {unknown} came with cannot be said, because it was not charted."
    if total["watched"]:
        sentence += (
            f" Another came within 15 min after {total['another_within_15_min']:,} of the"
            f" {total['watched']:,} that could be watched so long."
        )
    return sentence


def clocks_data(figures: MeasureFigures, month: str) -> Row:
    """Device clock offsets by month, and over all months, as quantiles in seconds."""
    rows = [_clock(r) for r in records(figures.clock_offsets)]
    months = sorted(
        (r for r in rows if not r["month"].startswith("to ") and r["month"] <= month),
        key=lambda r: r["month"],
    )
    whole = next((r for r in rows if r["month"] == f"to {month}"), None)
    return {
        "months": months[-CLOCK_MONTHS:],
        "all": whole,
        "finding": _clock_finding(whole),
    }


def _clock(row: Row) -> Row:
    month = text(row["month"])
    quantiles = {name: words.some(row[name]) for name in (*QUANTILES, "mean_abs_s")}
    counts = {n: int(row[n] or 0) for n in ("trips", "matched", "beyond_limit", "unmatched")}
    name = "all months" if month.startswith("to ") else words.month_name(month)
    return {"month": month, "name": name, **quantiles, **counts}


def _clock_finding(whole: Row | None) -> str:
    if whole is None or not whole["trips"]:
        return "No trip has a device log: nothing is known of the devices' clocks."
    if whole["median_s"] is None:
        return (
            f"None of {words.many(whole['trips'], 'trip')} with device events has a start that"
            " could be matched to the chart: nothing is known of the devices' clocks."
        )
    return (
        f"Over {words.many(whole['trips'], 'trip')} with device events, half of the matched"
        f" offsets lie between {seconds(whole['p25_s'])} and {seconds(whole['p75_s'])} s, and 90 of"
        f" 100 between {seconds(whole['p5_s'])} and {seconds(whole['p95_s'])} s; without their"
        f" sign they average {whole['mean_abs_s']:.0f} s. On"
        f" {words.many(whole['beyond_limit'], 'trip')} the clock was too far off to be corrected,"
        f" and {words.many(whole['unmatched'], 'trip')} had no start to match."
    )


def seconds(value: float | None) -> str:
    """Seconds with their sign: minus is a clock behind the charts."""
    if value is None:
        return words.DASH
    rounded = round(value)
    return "0" if rounded == 0 else f"{'+' if rounded > 0 else '−'}{abs(rounded):,}"
