"""The Month page's data: plain dicts, numbers and sentences. No HTML, no figures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from reports.charts.adjusted_rates import with_adjusted
from reports.charts.control_sets import month_rate_set
from reports.charts.month_sentences import occlusion_sentences
from reports.charts.rate_data import rates_data
from reports.charts.stacked_bars import ORDER, stacked_bar
from reports.month.followup import confirmed_by_rule, followup_data, followup_steps, status_by_trip
from reports.text import sentences, words
from reports.text.case_links import FOLDER, case_files
from reports.text.navigation import Site, common_data
from reports.text.rows import Row, records, text
from reports.text.signal_lines import lead_lines, signals_data
from schemas.units import severity_rank

if TYPE_CHECKING:
    from schemas.month_review import MonthReview

CASES_IN_TABLE = 100
"""Cases written as rows of the page; the script adds the others from data on the page."""

CASES_LISTED = 3_000
"""Cases that the page holds at all: beyond them a page would pass 1 MB."""

MONTHS_LISTED = 12
EXAMPLES = 3
HERE_ALONE = Site()
KIND_ORDER = {"missing_trip": 0, "set_aside": 1, "doubtful": 2, "contradiction": 3, "mention": 4}


def month_data(review: MonthReview, site: Site = HERE_ALONE) -> dict[str, Any]:
    """Everything the Month page shows, ready for figures and the template."""
    rates = with_adjusted(review, rates_data(review))
    common = common_data(review, site, "month")
    protocol = common["protocol"]
    rules = rules_data(review)
    followup = followup_data(review)
    return {
        **common,
        "answer": [
            *filter(None, (sentences.received_sentence(review), sentences.need_sentence(review))),
            *filter(None, (sentences.reasons_sentence(review),)),
        ],
        "occlusion_answer": occlusion_sentences(review, rates),
        "lead": lead_lines(review),
        "signals": signals_data(review),
        "next_steps": [
            *sentences.next_steps(review, bool(protocol["unapproved"]), followup["left"]),
            *followup_steps(followup, review),
        ],
        "followup": followup,
        "rates": {**rates, **rate_sentences(review, rates)},
        "control": month_rate_set(review),
        "occlusions": occlusion_counts(review),
        "rules": rules,
        "any_confirmed": any(r["confirmed"] for r in rules),
        "rule_methods": "; ".join(sorted({r["method"] for r in rules} - {""})),
        "cases": cases_data(review, rules),
        "received": received_data(review),
        "problems": problems_data(review),
        "methods": methods_data(review),
    }


def rate_sentences(review: MonthReview, rates: Row) -> Row:
    """What the rate charts show, in words: also their text alternatives."""
    service = rates["service"]
    return {
        "sizes_finding": sentences.sizes_finding(
            review, rates["sizes"], service, "cannula size", "cannula sizes"
        ),
        "sizes_chance": sentences.chance_note(rates["sizes"], "size"),
        "sizes_few": sentences.few_note(rates["sizes"]),
        "shares_finding": sentences.sizes_finding(
            review,
            rates["shares"],
            service,
            "share of the flow range",
            "shares of the flow range",
        ),
        "months_finding": sentences.months_finding(rates),
        "span": _span(min(review.months, default=review.month), review.month),
    }


def _span(first: str, last: str) -> str:
    name = words.month_name(last)
    return name if first >= last else f"{words.month_name(first)} to {name}"


def rules_data(review: MonthReview) -> list[Row]:
    """One row a rule, those that need a person most first."""
    facts = {f.rule: f for f in review.rules}
    frame = review.measures
    chosen = frame[
        (frame["measure"] == "deviation-share")
        & (frame["month"] == review.month)
        & (frame["group_by"] == "rule")
    ]
    shares = {text(r["group_value"]): r for r in records(chosen)}
    in_cases = Counter(rule for case in records(review.cases) for rule in _rules_of(case))
    confirmed = confirmed_by_rule(review)
    rows = [
        {
            **_rule_row(c, facts.get(text(c["rule"])), shares.get(text(c["rule"])), in_cases),
            "confirmed": confirmed.get(text(c["rule"])),
        }
        for c in records(review.rule_counts)
    ]
    return sorted(rows, key=_needs_a_person)


def _rule_row(counts: Row, facts: Any, share: Row | None, in_cases: Counter[str]) -> Row:
    numbers = {v: int(counts[v] or 0) for v in (*ORDER, "not_applicable")}
    rule = text(counts["rule"])
    applicable = sum(numbers[v] for v in ORDER)
    undecided = numbers["borderline"] + numbers["cannot_tell"]
    return {
        "rule": rule,
        "title": words.rule_title(rule),
        "severity": text(counts["severity"]),
        "asks": facts.asks if facts else "",
        "question": facts.question if facts else "",
        "text": facts.text if facts else "",
        "source": facts.source if facts else "",
        "counts": numbers,
        "applicable": applicable,
        "stacked_bar": stacked_bar(numbers),
        "share": sentences.share_sentence(share),
        "bounds": sentences.bounds_sentence(share, applicable) if undecided else "",
        "method": text(share["method"]) if share else "",
        "case_count": in_cases[rule],
    }


def _needs_a_person(row: Row) -> tuple[bool, int, int, int, str]:
    """Rules with trips to read first, by severity and how many: the order of reading cases."""
    n = row["counts"]
    asked = n["deviation"] + n["borderline"]
    asked += n["cannot_tell"] if row["severity"] == "high" else 0
    severity = severity_rank(row["severity"])
    return (asked == 0, severity, -asked, -n["cannot_tell"], row["rule"])


def _rules_of(case: Row) -> list[str]:
    named = text(case["rules"]).split()
    leading = text(case["leading_rule"])
    return named if not leading or leading in named else [leading, *named]


def cases_data(review: MonthReview, rules: list[Row]) -> Row:
    """The cases in reading order (at most CASES_LISTED), and what they can be filtered by.

    `rows` are for the table, `more` those after it, packed for the script.
    """
    labels = {text(c["id"]): text(c["label"]) for c in records(review.cannulas)}
    titles = {r["rule"]: r["title"] for r in rules}
    every = sorted(records(review.cases), key=lambda c: int(c["reading_order"]))
    files = case_files(review)
    statuses = status_by_trip(review)
    listed = [
        {**_case_row(c, labels, titles, files), "status": statuses.get(text(c["trip_id"]), "")}
        for c in every[:CASES_LISTED]
    ]
    return {
        "rows": listed[:CASES_IN_TABLE],
        "more": packed(listed[CASES_IN_TABLE:]),
        "listed": len(listed),
        "pages": len(files),
        "next_page": next(iter([*files.values()][CASES_IN_TABLE : CASES_IN_TABLE + 1]), ""),
        "folder": FOLDER,
        "total": len(every),
        "hidden": len(every) - len(listed),
        "filters": {
            "rule": _options(listed, lambda c: [(r["rule"], r["title"]) for r in c["rules"]]),
            "base": _options(listed, lambda c: [(c["base"], c["base"])]),
            "cannula": _options(listed, lambda c: [(c["cannula"], c["cannula_label"])]),
            "group": _group_options(listed),
        },
    }


def packed(cases: list[Row]) -> Row | None:
    """Cases as lists of cells, words that many of them share once each; None without a case.

    A case is [n, trip, file's stem, base, vehicle, cannula, group, severity, rules, why,
    state]; the five between file and rules are places in `words`, rules a list of such places.
    """
    if not cases:
        return None
    shared: dict[str, dict[tuple[str, ...], int]] = {
        kind: {} for kind in ("base", "vehicle", "cannula", "group", "severity", "rule")
    }

    def place(kind: str, *value: str) -> int:
        return shared[kind].setdefault(value, len(shared[kind]))

    rows = [
        [
            *(c["n"], c["trip"], c["file"].removesuffix(".html")),
            *(place("base", c["base"]), place("vehicle", c["vehicle"])),
            place("cannula", c["cannula"], c["cannula_label"]),
            place("group", c["group"], c["group_word"]),
            place("severity", c["severity"], str(c["severity_order"])),
            [place("rule", r["rule"], r["title"]) for r in c["rules"]],
            *(c["why"], c["status"]),
        ]
        for c in cases
    ]
    return {"cases": rows, "words": {kind: [*values] for kind, values in shared.items()}}


def _case_row(
    case: Row, labels: dict[str, str], titles: dict[str, str], files: dict[str, str]
) -> Row:
    cannula, leading = text(case["cannula"]), text(case["leading_rule"])
    rules = _rules_of(case)
    rules.sort(key=lambda r: r != leading)
    return {
        "n": int(case["reading_order"]),
        "trip": text(case["trip_id"]),
        "file": files.get(text(case["trip_id"]), ""),
        "base": text(case["base"]),
        "vehicle": words.VEHICLE_WORDS.get(text(case["vehicle"]), text(case["vehicle"])),
        "cannula": cannula or "unknown",
        "cannula_label": labels.get(cannula) or cannula or "unknown",
        "group": text(case["group"]),
        "group_word": words.GROUP_WORDS.get(text(case["group"]), text(case["group"])),
        "severity": text(case["severity"]),
        "severity_order": severity_rank(text(case["severity"])),
        "rules": [{"rule": r, "title": titles.get(r, words.rule_title(r))} for r in rules],
        "rule_ids": " ".join(rules),
        "why": text(case["why"]),
    }


def _options(
    cases: list[Row], of: Callable[[Row], list[tuple[str, str]]]
) -> list[tuple[str, str, int]]:
    """(value, label, how many cases) for one filter, by label."""
    counts: dict[tuple[str, str], int] = {}
    for case in cases:
        for option in of(case):
            counts[option] = counts.get(option, 0) + 1
    chosen = sorted(counts.items(), key=lambda item: (item[0][1], item[0][0]))
    return [(value, label, n) for (value, label), n in chosen]


def _group_options(cases: list[Row]) -> list[tuple[str, str, int]]:
    order = list(words.GROUP_WORDS)
    found = _options(cases, lambda c: [(c["group"], c["group_word"])])
    return sorted(found, key=lambda o: order.index(o[0]) if o[0] in order else len(order))


def received_data(review: MonthReview) -> Row:
    """Trips received of expected, latest month first."""
    counts = {review.month: (review.received, review.expected), **review.expected_by_month}
    rows = [
        {
            "month": month,
            "name": words.month_name(month),
            "received": got,
            "expected": due,
            "remark": _received_remark(got, due),
            "short": due is not None and got < due,
        }
        for month, (got, due) in sorted(counts.items(), reverse=True)
    ]
    return {"recent": rows[:MONTHS_LISTED], "earlier": rows[MONTHS_LISTED:]}


def _received_remark(got: int, due: int | None) -> str:
    if due is None:
        return "expected number not delivered"
    if got < due:
        return f"{due - got:,} missing"
    if got > due:
        return f"{got - due:,} more than expected"
    return "complete"


def problems_data(review: MonthReview) -> list[Row]:
    """Problems grouped by kind and problem, with one example place each."""
    groups: dict[tuple[str, str], list[Row]] = {}
    for row in records(review.problems):
        groups.setdefault((text(row["kind"]), text(row["problem"])), []).append(row)
    grouped = [
        {
            "kind": kind,
            "kind_word": words.KIND_WORDS.get(kind, kind),
            "problem": _problem_name(kind, problem, rows),
            "count": len(rows),
            "examples": _examples(rows),
            "more": len({text(r["what"]) for r in rows}) - EXAMPLES,
            "remedy": text(rows[0]["remedy"]),
        }
        for (kind, problem), rows in groups.items()
    ]
    order = KIND_ORDER
    return sorted(
        grouped, key=lambda g: (order.get(g["kind"], len(order)), -g["count"], g["problem"])
    )


def _problem_name(kind: str, problem: str, rows: list[Row]) -> str:
    if problem == sentences.OF_TRIP_ASIDE:
        trips = len({text(r["what"]) for r in rows})
        were = "was" if trips == 1 else "were"
        one = "row" if len(rows) == 1 else "rows"
        return f"{one} of {words.many(trips, 'trip')} that {were} set aside"
    return "notes" if problem == kind else words.plain(problem.replace("-", " "))


def _examples(rows: list[Row]) -> list[Row]:
    """Up to EXAMPLES different sentences of a group, each with the first place it is true of."""
    places: dict[str, str] = {}
    for row in rows:
        places.setdefault(text(row["what"]), _place(row))
    return [{"what": what, "place": place} for what, place in [*places.items()][:EXAMPLES]]


def _place(row: Row) -> str:
    place = text(row["file"])
    if place and row["line"] is not None:
        place += f":{int(row['line'])}"
    if place and row["column"]:
        place += f", {text(row['column'])}"
    return place or (f"trip {text(row['trip_id'])}" if row["trip_id"] else "")


def occlusion_counts(review: MonthReview) -> Row:
    """Events of the month as merged and as logged, and why the rates leave some out."""
    rows = records(review.occlusions)
    reasons: dict[str, int] = {}
    for row in rows:
        if not row["counted"]:
            reason = text(row["not_counted_because"]) or "no reason given"
            reasons[reason] = reasons.get(reason, 0) + 1
    return {
        "events": len(rows),
        "logged": sum(int(r["logged_events"] or 0) for r in rows),
        "counted": sum(bool(r["counted"]) for r in rows),
        "left_out": sorted(reasons.items()),
        "merge_within_s": review.merge_within_s,
    }


def methods_data(review: MonthReview) -> list[Row]:
    """Each measure of the page with the method of its interval."""
    frame = review.measures[["measure", "unit", "method"]].drop_duplicates()
    rows = records(frame.sort_values(["measure", "unit", "method"]))
    return [
        {
            "measure": words.MEASURE_WORDS.get(text(r["measure"]))
            or words.plain(text(r["measure"])),
            "unit": text(r["unit"]),
            "method": text(r["method"]),
        }
        for r in rows
    ]
