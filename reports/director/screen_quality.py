"""Which rules cry wolf and which miss: what readers made of the flags, as page data."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.charts import palette
from reports.charts.interval_rows import Look, Plan, dot_rows
from reports.charts.parts import Figure
from reports.director.audit import audit_data
from reports.text import words
from reports.text.rows import Row, records, text
from schemas.units import severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

LEAST_READ = 10
"""With fewer flags read a rule is not said to cry wolf; assumed."""
CRIES_WOLF = 0.5
"""A rule whose interval lies wholly below this is said to be more often wrong than right."""
CAUSES = (
    *("practice", "logistics", "justified", "equipment"),
    *("record_gap", "protocol_unclear", "flag_wrong"),
)
CONFIRMED = Look("share", "confirmed of read", palette.HISTORY, "circle", 11, 3.0)


def screen_data(review: MonthReview) -> Row:
    """Flags read and confirmed of each rule over all months, and the audit of what they miss."""
    followup = review.followup
    if followup is None:
        return {
            "present": False,
            "rows": [],
            "in_figure": [],
            "counted": False,
            "finding": "",
            "audit": {},
            "audited": "",
        }
    severity = {f.rule: severity_rank(f.severity) for f in review.rules}
    frame = followup.screen_quality
    chosen = frame[(frame["month"] == f"to {review.month}") & (frame["verdict"] == "deviation")]
    rows = [_row(r) for r in records(chosen)]
    rows.sort(key=lambda r: (severity.get(r["rule"], 3), r["rule"]))
    audit = audit_data(followup, review)
    return {
        "present": True,
        "rows": [r for r in rows if r["flags"] or r["missed"]],
        "in_figure": [r for r in rows if r["share"]["estimate"] is not None],
        "counted": any(r["read"] for r in rows),
        "causes": [(cause, words.plain(cause)) for cause in CAUSES],
        "finding": _finding(rows),
        "said": f"{sum(r['read'] for r in rows):,} of {sum(r['flags'] for r in rows):,} flags read",
        "audit": audit,
        "audited": audit["all"] or audit["month"],
    }


def _row(row: Row) -> Row:
    rule, flags, read = text(row["rule"]), int(row["flags"] or 0), int(row["reviewed"] or 0)
    confirmed = int(row["confirmed"] or 0)
    share, low, high = (words.some(row[k]) for k in ("confirmed_share", "low", "high"))
    made = f"{confirmed:,} of {read:,} read"
    shown = words.percent(share)
    span = words.percent_range(low, high) if share is not None else ""
    return {
        "rule": rule,
        "label": words.rule_title(rule),
        "flags": flags,
        "read": read,
        "confirmed": confirmed,
        "missed": int(row["missed"] or 0),
        "outdated": int(row["outdated"] or 0),
        "by_cause": {cause: int(row[cause] or 0) for cause in CAUSES},
        "method": text(row["method"]) if share is not None else "",
        "share_text": shown,
        "range_text": span,
        "few": read < LEAST_READ,
        "wolf": read >= LEAST_READ and high is not None and high < CRIES_WOLF,
        "share": {
            "estimate": share,
            "low": low,
            "high": high,
            "made_from": made,
            "share_text": shown,
            "range_text": span,
            "line": f"{made}: {shown} ({span})",
        },
    }


def _finding(rows: list[Row]) -> str:
    read = sum(r["read"] for r in rows)
    flags = sum(r["flags"] for r in rows)
    if not flags:
        return "No variance has been flagged, so there is nothing for readers to confirm."
    if not read:
        return (
            f"None of {words.many(flags, 'flagged variance')} has been concluded on by a reader:"
            " nothing is known of which rules cry wolf."
        )
    sentence = f"Readers concluded on {read:,} of {words.many(flags, 'flagged variance')}."
    wolf = [r for r in rows if r["wolf"]]
    if wolf:
        named = words.listed([f"{r['label']} ({r['share']['made_from']})" for r in wolf])
        sentence += f" More often wrong than right: {named}."
    elif any(not r["few"] for r in rows):
        sentence += " No rule with enough flags read is more often wrong than right."
    few = [r for r in rows if r["few"] and r["flags"]]
    if few:
        sentence += (
            f" Too few read to say (fewer than {LEAST_READ}):"
            f" {words.listed([r['label'].lower() for r in few])}."
        )
    return sentence


def screen_figure(rules: list[Row], *, narrow: bool) -> Figure:
    """The confirmed share of each rule's flags that readers concluded on, with its interval."""
    plan = Plan(
        looks=(CONFIRMED,),
        columns=(("made_from", "confirmed"), ("share_text", "share"), ("range_text", "95\u00a0%")),
        title="confirmed, of the flags read",
        top=1.0,
        line=(CRIES_WOLF, "half of them"),
        percent=True,
        hover_text=lambda cell: cell["line"],
    )
    return dot_rows(rules, plan, narrow=narrow)
