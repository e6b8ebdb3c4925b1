"""The committee's pack as page data: no trip and no crew, two sheets of paper."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.charts.adjusted_rates import with_adjusted
from reports.charts.control_data import (
    ChartTable,
    chart_words,
    made_from,
    panels_finding,
    shown,
)  # fmt: skip
from reports.charts.month_sentences import occlusion_sentences, rate_sentences
from reports.charts.rate_data import rates_data
from reports.month.followup import restated_rows
from reports.text import words
from reports.text.navigation import Site, common_data
from reports.text.rows import Row, records, text
from reports.text.sentences import received_sentence
from reports.text.signal_lines import lead_lines

if TYPE_CHECKING:
    from schemas.month_review import MeasureFigures, MonthReview

ROWS_MOST = 8
RULES_MOST = 16
CONCLUSIONS = ("practice", "logistics", "justified", "equipment", "record_gap",
               "protocol_unclear", "flag_wrong")  # fmt: skip


def committee_data(review: MonthReview, figures: MeasureFigures) -> dict[str, Any]:
    """Everything the committee's pack shows; holds no token of a trip, crew member or reviewer."""
    rates = with_adjusted(review, rates_data(review))
    table = ChartTable(review, figures)
    series = {m: table.series(m, "service") for m in ("occlusion-rate", "all-rules-share")}
    return {
        **common_data(review, Site(), "committee"),
        "finding": [" ".join(lead_lines(review)), *occlusion_sentences(review, rates)[:1]],
        "context": [received_sentence(review), *_kept(series["all-rules-share"])],
        "rates": rates,
        "figures": [
            *_sizes(review, rates),
            *_through_time(series["occlusion-rate"], "time", "Occlusion rate through time"),
            *_through_time(series["all-rules-share"], "kept", "Trips that kept every rule"),
        ],
        "confirmed": confirmed_data(review),
        "actions": actions_data(review),
        "restated": restated_data(review),
    }


def _kept(series: Row | None) -> list[str]:
    """How many trips kept every rule."""
    if series is None or series["now"] is None or series["now"]["value"] is None:
        return []
    now, unit = series["now"], series["unit"]
    return [f"Every rule was kept on {made_from(now, unit)} ({shown(now['value'], unit)})."]


def _sizes(review: MonthReview, rates: Row) -> list[Row]:
    if not any(r["all"]["estimate"] is not None for r in rates["sizes"]):
        return []
    rate_words = rate_sentences(review, rates)
    return [{
        "id": "sizes",
        "half": False,
        "title": "Occlusion rate by cannula size, all months",
        "finding": rate_words["sizes_finding"],
        "note": f"Dots with 95{words.NBSP}% intervals, an arrow head where one runs on. Dashed: the"
        f" whole service. Sizes are used at other flows and in other children: the director's page"
        f" has the adjusted rates. Intervals: {rates['size_methods']}."
        + (" Open square: fewer than ten trips." if rate_words["sizes_few"] else ""),
    }]  # fmt: skip


def _through_time(series: Row | None, name: str, title: str) -> list[Row]:
    if series is None or not any(p["value"] is not None for p in series["points"]):
        return []
    return [{
        "id": name,
        "half": True,
        "title": title,
        "finding": panels_finding([series], title.lower()),
        "series": series,
        "note": f"{chart_words(series)}.",
    }]  # fmt: skip


def confirmed_data(review: MonthReview) -> Row:
    """What readers concluded on the month's variances, rule by rule."""
    followup = review.followup
    rows: list[Row] = []
    if followup is not None and len(followup.screen_quality):
        frame = followup.screen_quality
        own = frame[(frame["month"] == review.month) & (frame["verdict"] == "deviation")]
        rows = [r for r in records(own) if r["flags"] or r["missed"]]
    flags, read, confirmed, missed = (
        int(sum(r[k] for r in rows)) for k in ("flags", "reviewed", "confirmed", "missed")
    )
    if not flags and not missed:
        sentence = "No variance was flagged, and none found by a reader."
    elif not read:
        sentence = (
            f"None is confirmed yet: no reader has concluded on the {words.many(flags, 'flag')}."
        )
    else:
        of = words.many(flags, "flag")
        sentence = f"Readers concluded on {read} of {of} and confirmed {confirmed}."
    if missed:
        sentence += f" They found {words.many(missed, 'variance')} that no rule flagged."
    chosen = sorted(rows, key=lambda r: (-int(r["confirmed"]), -int(r["flags"]), text(r["rule"])))
    return {
        "sentence": sentence,
        "rows": [_confirmed_row(r) for r in chosen[:RULES_MOST]],
        "method": _method(rows),
    }


def _method(rows: list[Row]) -> str:
    found = sorted({text(r["method"]) for r in rows if r["reviewed"]} - {""})
    return f"Intervals: {'; '.join(found)}." if found else ""


def _confirmed_row(row: Row) -> Row:
    share = words.some(row["confirmed_share"])
    share_shown = "too few read for a share" if row["reviewed"] else "none read"
    if share is not None:
        low, high = words.some(row["low"]), words.some(row["high"])
        share_shown = f"{words.percent(share)} ({words.percent_range(low, high)})"
    parts = [f"{words.CONCLUSION_WORDS[c]} {int(row[c])}" for c in CONCLUSIONS if row[c]]
    whole = {k: words.whole(row[k]) for k in ("judged", "flags", "reviewed", "confirmed", "missed")}
    return {
        **whole,
        "rule": words.rule_title(text(row["rule"])),
        "share": share_shown,
        "concluded": ", ".join(parts) or words.DASH,
    }


def actions_data(review: MonthReview) -> Row:
    """Actions open as of the month, the overdue first."""
    rows = [] if review.followup is None else records(review.followup.follow_ups)
    overdue = [r for r in rows if r["overdue"]]
    if not rows:
        return {"sentence": "No action is open.", "rows": []}
    are = "is" if len(rows) == 1 else "are"
    sentence = f"{words.many(len(rows), 'action')} {are} open, {len(overdue) or 'none'} overdue."
    shown_rows = [*overdue, *(r for r in rows if not r["overdue"])][:ROWS_MOST]
    if len(rows) > len(shown_rows):
        sentence += f" The first {len(shown_rows)} are listed."
    return {
        "sentence": sentence,
        "rows": [
            {
                "due": words.month_name(text(r["due_month"])) or "not set",
                "overdue": bool(r["overdue"]),
                "action": text(r["action"]),
                "about": words.listed([words.rule_title(x) for x in text(r["rules"]).split()])
                or "the case as a whole",
                "base": text(r["base"]),
                "refer_to": text(r["refer_to"]) or "nobody named",
            }
            for r in shown_rows
        ],
    }  # fmt: skip


def restated_data(review: MonthReview) -> Row:
    """Published figures that have changed since, this month's first."""
    followup = review.followup
    rows = restated_rows(followup, review)
    rows.sort(key=lambda r: (r["month"] != review.month, r["month"]))
    published = followup is not None and followup.published
    if not rows:
        own = "This month has not been published yet. " if not published else ""
        return {"sentence": f"{own}No published figure has changed since.", "rows": [], "own": 0}
    months = [words.month_name(m) for m in sorted({r["month"] for r in rows})]
    sentence = (
        f"{words.many(len(rows), 'published figure')} of {words.listed(months)} changed since."
    )
    if len(rows) > ROWS_MOST:
        sentence += f" The first {ROWS_MOST} are listed; the pages of the month have them all."
    return {
        "sentence": sentence,
        "own": sum(r["month"] == review.month for r in rows),
        "rows": [{k: r[k] for k in ("name", "figure", "then", "now", "why")}
                 for r in rows[:ROWS_MOST]],
    }  # fmt: skip
