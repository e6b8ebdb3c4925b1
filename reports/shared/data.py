"""What the pages of the shared edition say, from `MonthReview.shared` alone. No HTML.

A missing number is said to be withheld, never shown as none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

from reports.charts.dot_rows import DotCell
from reports.charts.rate_data import rate_cell
from reports.text import words
from reports.text.navigation import SHARED, PageFrame, Site, page_frame
from reports.text.plain_rows import Row, grouped, text
from reports.text.rates import RateCell
from schemas.record import dataclass
from schemas.shared_outputs import ALL_RULES, OTHER_BASES, SMALLEST_DISCLOSED

if TYPE_CHECKING:
    from schemas.frame import Frame
    from schemas.month_review import MonthReview, RuleFacts
    from schemas.shared_outputs import SharedTables

WITHHELD = "withheld"
RECEIVED_WORDS = {
    "all": "Every trip expected was received before the period was first shared.",
    "most": "Not every trip expected was received before the period was first shared, but at least"
    " nine tenths.",
    "fewer": "Fewer than nine tenths of the trips expected were received before the period was"
    " first shared: read its numbers with that in mind.",
    "": "How many trips there should have been is not known.",
}
UNIT = "events per 100 h"
MOST_WITHHELD = SMALLEST_DISCLOSED - 1
ALL_WORDS = "Not every rule kept"


class RuleShare(NamedTuple):
    """A rule's answers in words; `share` and `cell` are None where they are withheld."""

    rule: str
    title: str
    severity: str
    asks: str
    question: str
    text: str
    source: str
    share: float | None
    counts: dict[str, str]
    share_words: str
    kept_words: str
    cell: DotCell | None


class SharedSize(NamedTuple):
    """A size's rate, or that it is withheld."""

    label: str
    disclosed: bool
    all: RateCell


class SharedSizes(NamedTuple):
    """Rates by size in size order, those of them that are told, and the service's."""

    rows: list[SharedSize]
    in_figure: list[SharedSize]
    service: SharedSize
    finding: str
    withheld: bool
    methods: list[str]


class BaseShare(NamedTuple):
    """A base's share of a rule; `others`: bases that may not be told by themselves."""

    label: str
    others: bool
    counts: dict[str, str]
    share_words: str
    kept_words: str
    cell: DotCell | None


class BaseRule(NamedTuple):
    """A rule that can be told by base."""

    rule: str
    title: str
    bases: list[BaseShare]


class SharedBases(NamedTuple):
    """Shares by base: of all rules together, and by rule; `pooled`: some bases are together."""

    whole: list[BaseShare]
    rules: list[BaseRule]
    pooled: bool


class PeriodRow(NamedTuple):
    """A rule's share in each period."""

    title: str
    cells: list[str]


class Periods(NamedTuple):
    """Every period beside the others, the newest first, with its trips."""

    names: list[str]
    trips: list[str]
    rows: list[PeriodRow]


class OwnShare(NamedTuple):
    """A rule at the base that a pack is for, and in the whole service."""

    title: str
    share_words: str
    service: str


@dataclass(frozen=True)
class SharedPage(PageFrame):
    """Everything one page of the shared edition shows."""

    period: str
    next_until: str
    trips: str
    received: str
    whole: RuleShare | None
    rules: list[RuleShare]
    asked: list[RuleShare]
    sizes: SharedSizes
    bases: SharedBases
    periods: Periods
    most: int
    unit: str


@dataclass(frozen=True)
class BasePage(SharedPage):
    """What the pack of one base says; `own` is empty where it is told only within the others."""

    base: str
    own: list[OwnShare]
    trips_here: int | None
    whole_title: str


def shared_data(review: MonthReview, here: str) -> SharedPage:
    """Everything one page (an id of `SHARED` in navigation) of the shared edition shows."""
    shared = review.shared
    assert shared is not None
    frame = page_frame(review, Site(SHARED), here)
    now = shared.latest()
    rules = rules_data(review, _of(shared.rules, now))
    one_by_one = [r for r in rules if r.rule != ALL_RULES]
    return SharedPage(
        **vars(replace(frame, nav=replace(frame.nav, assets="assets/"))),
        period=period_words(now),
        next_until=words.month_name(shared.next_until),
        trips=_trips(shared, now),
        received=_received(shared, now),
        whole=next((r for r in rules if r.rule == ALL_RULES), None),
        rules=one_by_one,
        asked=sorted(one_by_one, key=lambda r: r.rule),
        sizes=sizes_data(review, _of(shared.sizes, now)),
        bases=bases_data(_of(shared.bases, now)),
        periods=periods_data(shared),
        most=MOST_WITHHELD,
        unit=UNIT,
    )


def base_data(review: MonthReview, base: str) -> BasePage:
    """What the pack of one base says: its own rows, and the service's beside them."""
    shared = review.shared
    assert shared is not None
    page = shared_data(review, "month")
    rows = [r for r in _of(shared.bases, shared.latest()) if text(r["base"]) == base]
    service = {r.rule: r.share_words for r in (*page.rules, page.whole) if r}
    own = [
        OwnShare(
            ALL_WORDS if row["rule"] == ALL_RULES else words.rule_title(text(row["rule"])),
            share_words({**row, "judged": row["variance"] + row["kept"]}, "variance", "judged"),
            service.get(text(row["rule"]), WITHHELD),
        )
        for row in rows
    ]
    trips = next((int(row["trips"]) for row in rows), None)
    return BasePage(**vars(page), base=base, own=own, trips_here=trips, whole_title=ALL_WORDS)


def _of(frame: Frame, period: str) -> list[Row]:
    return [row for row in frame.records() if row["period"] == period]


def period_words(period: str) -> str:
    """'2026-01 to 2026-06' as 'January 2026 to June 2026'; empty for none."""
    return " to ".join(words.month_name(month) for month in period.split(" to ")) if period else ""


def _trips(shared: SharedTables, period: str) -> str:
    return count(next((r["trips"] for r in _of(shared.periods, period)), None))


def _received(shared: SharedTables, period: str) -> str:
    """How complete the period was when first shared, in a sentence; empty where nothing is told."""
    known = [r["received"] for r in _of(shared.periods, period)]
    return RECEIVED_WORDS.get(text(known[0]), RECEIVED_WORDS[""]) if known else ""


def count(value: Any) -> str:
    """A count, or that it is withheld."""
    return WITHHELD if value is None else f"{int(value):,}"


def rules_data(review: MonthReview, rows: list[Row]) -> list[RuleShare]:
    """Each rule in words: shares told come first, the largest before the others."""
    facts = {f.rule: f for f in review.rules}
    found = [_rule(row, facts.get(text(row["rule"]))) for row in rows]
    return sorted(found, key=_disclosed_first)


def _disclosed_first(rule: RuleShare) -> tuple[bool, bool, float, str]:
    counted = rule.counts["variance"] != WITHHELD
    return (rule.cell is None, not counted, -(rule.share or 0.0), rule.rule)


def _rule(row: Row, facts: RuleFacts | None) -> RuleShare:
    return RuleShare(
        rule=text(row["rule"]),
        title=words.rule_title(text(row["rule"])),
        severity=facts.severity if facts else "",
        asks=facts.asks if facts else "",
        question=facts.question if facts else "",
        text=facts.text if facts else "",
        source=facts.source if facts else "",
        share=row["share"],
        counts={name: count(row[name]) for name in ("variance", "kept", "not_judged", "judged")},
        share_words=share_words(row, "variance", row["of"]),
        kept_words=_kept_words(row),
        cell=share_cell(row, row["of"]),
    )


def share_words(row: Row, part: str, of: str | None) -> str:
    """'14 of 189 trips judged (7 %, 4-12 %)'; what of it is withheld, in words."""
    if of is None and row[part] is not None:
        return f"{words.many(int(row[part]), 'trip')}; of how many judged is {WITHHELD}"
    if of is None:
        return WITHHELD
    whole = row["judged"] if of == "judged" else row["trips"]
    among = f"{words.many(int(whole), 'trip')}{' judged' if of == 'judged' else ''}"
    if not whole:
        return "no trip judged"
    if row[part] is None or row["share"] is None:
        return f"{WITHHELD}, of {among}" if of == "judged" else WITHHELD
    spread = words.percent_range(row["low"], row["high"])
    return f"{int(row[part]):,} of {among} ({words.percent(row['share'])}, {spread})"


def _kept_words(row: Row) -> str:
    """The other way round: trips that kept to the rule, of those judged."""
    if row["of"] != "judged" or row["share"] is None:
        return ""
    turned = {**row, "share": 1 - row["share"], "low": 1 - row["high"], "high": 1 - row["low"]}
    return share_words(turned, "kept", "judged")


def share_cell(row: Row, of: str | None) -> DotCell | None:
    """A share as a dot with its interval; None where it is withheld or there is none."""
    if row["share"] is None:
        return None
    whole = row["judged"] if of == "judged" else row["trips"]
    made = f"{int(row['variance']):,} / {int(whole):,}"
    spread, value = words.percent_range(row["low"], row["high"]), words.percent(row["share"])
    line = f"{made}: {value} ({spread})"
    texts = (made, value, spread)
    return DotCell(row["share"], row["low"], row["high"], False, texts, line, hover=line)


def sizes_data(review: MonthReview, rows: list[Row]) -> SharedSizes:
    """Occlusion rates by size in size order, the service last, and what may be said of them."""
    found = {text(row["cannula"]): row for row in rows}
    catalogue = sorted(review.cannulas.records(), key=lambda c: (text(c["family"]), c["size_rank"]))
    labels = {text(c["id"]): text(c["label"]) for c in catalogue}
    order = [size for size in labels if size in found]
    order += sorted(size for size in found if size not in labels and size != "all")
    sizes = [_size(found[size], labels.get(size) or size) for size in order]
    service = _size(found.get("all", {}), "whole service")
    return SharedSizes(
        rows=sizes,
        in_figure=[r for r in sizes if r.disclosed],
        service=service,
        finding=_sizes_finding(sizes, service),
        withheld=any(not r.disclosed for r in sizes),
        methods=sorted({r.all.method for r in [*sizes, service] if r.all.method}),
    )


def _size(row: Row, label: str) -> SharedSize:
    given = {"numerator": row.get("events"), "denominator": row.get("hours")}
    cell = rate_cell({**row, **given, "estimate": row.get("rate")})
    return SharedSize(label, row.get("events") is not None, cell)


def _sizes_finding(sizes: list[SharedSize], service: SharedSize) -> str:
    if not sizes:
        return "No ventilator high-flow hours that an occlusion rate could be made from."
    parts = [_rate_words(r) for r in (service, *sizes) if r.disclosed]
    if not parts:
        return "The numbers of occlusions are withheld for every size and for the whole service."
    return f"Occlusions in every 100 ventilator hours: {'; '.join(parts)}."


def _rate_words(size: SharedSize) -> str:
    cell = size.all
    trips = "" if cell.trips is None else f" of {words.many(int(cell.trips), 'trip')}"
    return (
        f"{words.isolated(size.label)} {cell.rate_text} (95{words.NBSP}%"
        f" {cell.range_text}; {cell.made_from}{trips})"
    )


def bases_data(rows: list[Row]) -> SharedBases:
    """Shares by base: of all rules together, and of each rule that can be told by base."""
    by_rule = grouped(rows, lambda r: text(r["rule"])).items()
    found = {rule: [_base(row) for row in own] for rule, own in by_rule}
    whole = found.pop(ALL_RULES, [])
    rules = [BaseRule(rule, words.rule_title(rule), bases) for rule, bases in found.items()]
    return SharedBases(whole, rules, any(b.others for b in whole))


def _base(row: Row) -> BaseShare:
    judged = {**row, "judged": row["variance"] + row["kept"]}
    return BaseShare(
        label=text(row["base"]),
        others=row["base"] == OTHER_BASES,
        counts={n: count(row[n]) for n in ("trips", "variance", "kept", "not_judged")},
        share_words=share_words(judged, "variance", "judged"),
        kept_words=_kept_words({**judged, "of": "judged"}),
        cell=share_cell(judged, "judged"),
    )


def periods_data(shared: SharedTables) -> Periods:
    """Every period beside the others: all rules together, then each rule; newest first."""
    periods = [text(p["period"]) for p in shared.periods.records()][::-1]
    shares = {
        (text(r["rule"]), text(r["period"])): share_words(r, "variance", r["of"])
        for r in shared.rules.records()
    }
    rules = sorted({rule for rule, _ in shares}, key=lambda r: (r != ALL_RULES, r))
    return Periods(
        names=[period_words(p) for p in periods],
        trips=[_trips(shared, p) for p in periods],
        rows=[
            PeriodRow(
                ALL_WORDS if rule == ALL_RULES else words.rule_title(rule),
                [shares.get((rule, p), "not asked") for p in periods],
            )
            for rule in rules
        ],
    )
