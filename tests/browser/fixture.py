"""Months of an invented service, built by hand, for the pages to be drawn from."""

from __future__ import annotations

import copy
import dataclasses
import io
import itertools
from collections.abc import Mapping
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from schemas.frame import Frame
from schemas.month_review import MonthReview, ProtocolInForce
from schemas.outputs import OUTPUTS
from tests.browser import case_fixture
from tests.frames import from_pandas

MONTHS = ("2026-01", "2026-02", "2026-03", "2026-04", "2026-05", "2026-06")
SIZES = [
    ("prong-1", "prong", 1, "prong 1 (1.5 mm)", 1, 8, 0.9),
    ("prong-2", "prong", 2, "prong 2 (1.9 mm)", 2, 12, 1.1),
    ("prong-3", "prong", 3, "prong 3 (2.7 mm)", 4, 20, 1.8),
    ("prong-4", "prong", 4, "prong 4 (3.6 mm)", 8, 40, 0.6),
    ("soft-1", "soft", 1, "soft small", 2, 15, 0.8),
    ("soft-2", "soft", 2, "soft medium", 5, 30, 0.0),
]
RULES = [
    ("wall-oxygen-time", "high", "At most 50 minutes on wall or cylinder oxygen?"),
    ("unheated-time", "high", "At most 15 minutes of unheated gas?"),
    ("source-choice", "medium", "Ventilator or blender above 18 L/min or 50 min planned?"),
    ("fallback-reason", "medium", "A reason charted for each fallback to unheated wall oxygen?"),
    ("repeated-occlusion-call", "high", "A call within 10 min of three occlusions in 10 min?"),
    ("cannula-weight", "medium", "Cannula fits the child's weight at departure?"),
    ("settings-gap", "low", "No stretch over 30 minutes without charted settings?"),
]
COUNTS = {  # met, authorised, borderline, cannot_tell, deviation, not_applicable
    "wall-oxygen-time": (38, 3, 2, 4, 3, 4),
    "unheated-time": (41, 1, 2, 3, 1, 6),
    "source-choice": (40, 2, 0, 5, 4, 3),
    "fallback-reason": (4, 0, 0, 1, 2, 47),
    "repeated-occlusion-call": (2, 0, 1, 6, 1, 44),
    "cannula-weight": (47, 0, 0, 7, 0, 0),
    "settings-gap": (30, 0, 12, 0, 12, 0),
}
SHARES = ("below range", "0-25 %", "50-75 %", "above range")
EVENTS = 5  # of the last month, as drawn by occlusion_rows

NAMES = {
    "measures": "measure month group_by group_value numerator denominator unit estimate low high"
    " method trips left_out bound_low bound_high",
    "cases": "reading_order trip_id base vehicle cannula kind group severity leading_rule rules"
    " why",
    "problems": "kind problem file line column trip_id what remedy",
    "occlusions": "trip_id at_s device_at_s logged_events pressure_cmh2o cutoff_s source cannula"
    " flow_lpm counted not_counted_because",
    "rule_counts": "rule severity met authorised borderline cannot_tell deviation not_applicable",
}


def table(name: str, rows: list[list[Any]]) -> Frame:
    """The rows as the output table of that name; columns not given are null."""
    known = [*OUTPUTS[name].to_schema().columns]
    assert set(NAMES[name].split()) <= set(known), name
    return from_pandas(pd.DataFrame(rows, columns=NAMES[name].split()).reindex(columns=known))


def garwood(events: float, hours: float) -> tuple[float, float, float]:
    """Rate per 100 h with its exact Poisson interval, through scipy."""
    if hours <= 0:
        return (np.nan, np.nan, np.nan)
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    high = stats.chi2.ppf(0.975, 2 * events + 2) / 2
    return (100 * events / hours, 100 * low / hours, 100 * high / hours)


def rate_row(
    month: str, group: tuple[str, str], events: int, hours: float, trips: int
) -> list[Any]:
    estimate, low, high = garwood(events, hours)
    low = np.nan if trips < 10 else low
    return [
        *("occlusion-rate", month, *group, events, hours, "events per 100 ventilator hours"),
        *(estimate, low, high, "exact Poisson (Garwood)", trips, 2, np.nan, np.nan),
    ]


def occlusion_rows(scale: float = 1.0) -> list[list[Any]]:
    rng = np.random.default_rng(7)
    rows: list[list[Any]] = []
    totals: dict[tuple[str, str], list[float]] = {}
    for month in MONTHS:
        for size in SIZES:
            trips = round(scale * (14 if size[0] in ("prong-2", "prong-3") else 5))
            trips = 0 if size[0] == "soft-2" and month != "2026-04" else trips
            spent = trips * float(rng.uniform(1.1, 1.7))
            events = int(rng.poisson(spent * 0.09 * size[6]))
            rows.append(rate_row(month, ("cannula", size[0]), events, spent, trips))
            share = SHARES[size[2] - 1]
            for key in (
                ("cannula", size[0], "to"),
                ("service", "all", month),
                ("service", "all", "to"),
                ("flow_share", share, "to"),
                ("flow_share", share, month),
            ):
                cell = totals.setdefault(key, [0, 0.0, 0])  # type: ignore[arg-type]
                cell[0] += events
                cell[1] += spent
                cell[2] += trips
    for (by, value, when), (events_sum, spent_sum, trips_sum) in totals.items():  # type: ignore[misc]
        month = f"to {MONTHS[-1]}" if when == "to" else when
        rows.append(rate_row(month, (by, value), int(events_sum), spent_sum, int(trips_sum)))
    return rows


def share_rows(counts: Mapping[str, tuple[int, ...]]) -> list[list[Any]]:
    rows = []
    for rule, (met, authorised, borderline, cannot_tell, deviation, _) in counts.items():
        judged = met + authorised + borderline + deviation
        applicable = judged + cannot_tell
        low = high = estimate = np.nan
        if judged:
            interval = stats.binomtest(deviation, judged).proportion_ci(method="wilson")
            low, high, estimate = interval.low, interval.high, deviation / judged
        rows.append(
            [
                *("deviation-share", MONTHS[-1], "rule", rule, deviation, judged, "share of trips"),
                *(estimate, low, high, "Wilson score", judged, cannot_tell),
                deviation / applicable if applicable else np.nan,
                (deviation + borderline + cannot_tell) / applicable if applicable else np.nan,
            ]
        )
    return rows


def ratio_rows(rates: list[list[Any]]) -> list[list[Any]]:
    """The last month against the months before: exact, from the split of the events."""
    found = {row[1]: (row[4], row[5]) for row in rates if row[2] == "service"}
    events, hours = found[MONTHS[-1]]
    all_events, all_hours = found[f"to {MONTHS[-1]}"]
    before, before_hours = all_events - events, all_hours - hours
    share = stats.binomtest(events, all_events).proportion_ci(method="exact")
    low, high = (p / (1 - p) * before_hours / hours for p in (share.low, share.high))
    ratio = (events / hours) / (before / before_hours)
    trips = next(row[11] for row in rates if row[1:3] == [MONTHS[-1], "service"])
    return [
        [
            *(
                "occlusion-rate-ratio",
                MONTHS[-1],
                "service",
                "all",
                events,
                before,
                "ratio to the months before",
            ),
            *(ratio, low, high, "exact conditional", trips, 2, np.nan, np.nan),
        ]
    ]


def cases_frame(number: int) -> Frame:
    groups = ["always_read", "deviation", "deviation", "borderline", "batch", "audit"]
    rows = []
    for index in range(number):
        group = groups[index * len(groups) // max(number, 1)]
        rule, severity, _ = RULES[index % len(RULES)]
        second = RULES[(index + 2) % len(RULES)][0] if index % 3 == 0 else None
        rules = None if group == "audit" else f"{rule} {second}" if second else rule
        rows.append(
            [
                index + 1,
                f"T{2600 + 37 * index % 9973:05d}",
                f"base-{index % 4 + 1}",
                ["ground", "rotor", "fixed_wing"][index % 3],
                None if index % 11 == 5 else SIZES[index % 5][0],
                *({"audit": "audit", "batch": "batch"}.get(group, "read"), group),
                None if group == "audit" else severity,
                None if group == "audit" else rule,
                rules,
                FINDINGS[rule] if group == "deviation" else WHYS[group],
            ]
        )
    return table("cases", rows)


FINDINGS = {
    "wall-oxygen-time": "57.0 to 58.0 minutes of wall oxygen, limit 50; no contact allowed longer.",
    "unheated-time": "21.0 to 22.0 minutes of unheated gas, limit 15; no contact allowed longer.",
    "source-choice": "20 L/min at departure on wall oxygen, where above 18 needs the ventilator.",
    "fallback-reason": "One fallback to unheated wall oxygen without a charted reason.",
    "repeated-occlusion-call": "Three occlusions in 7 minutes, and no call to medical direction.",
    "cannula-weight": "2.1 kg at departure, below the size's 3 to 8 kg.",
    "settings-gap": "41.0 to 42.0 minutes without charted settings, limit 30.",
}
WHYS = {
    "always_read": "The child was intubated during the trip, which is always read.",
    "borderline": "The charted minutes cannot decide: 14.5 to 15.5 against a limit of 15.",
    "batch": "41.0 to 42.0 minutes without charted settings, limit 30.",
    "audit": "Drawn at random from the trips without a finding.",
}


def problems_frame() -> Frame:
    text = """
set_aside|unknown-code|settings.csv|211|source|T02711|source is none of the codes.|Map the code.
contradiction|wall-fio2|settings.csv|318|fio2|T02785|FiO2 below 1.0 on wall oxygen.|Ask the crew.
mention|identical-row|observations.csv|512||T02822|Two rows are identical; both are kept.|Check.
mention|file-not-read|planted.csv||||The file was left unread.|Nothing to do.
"""
    for line in range(60, 67):
        text += f"set_aside|out-of-range|settings.csv|{line}|fio2|T0{line}|"
        text += "fio2 must lie in 0.21 to 1.0.|Correct the export: fractions, not per cent.\n"
    frame = pd.read_csv(io.StringIO(text), sep="|", names=NAMES["problems"].split())
    return from_pandas(frame.astype({"line": "Int32"}))


def occlusions_frame(number: int) -> Frame:
    """That many events of one trip, the last of them not counted."""
    setting = [48.0, 8.0, "ventilator", "prong-3", 14.0]
    rows = []
    for n in range(number):
        last = n == number - 1
        fate = [False, "cannula unknown"] if last else [True, None]
        rows.append(["T02637", 1800 + 60 * n, 1810 + 60 * n, 1 + n % 2, *setting, *fate])
    return table("occlusions", rows)


def cannulas_frame() -> Frame:
    names = ("id", "family", "size_rank", "label", "flow_min_lpm", "flow_max_lpm")
    known = {name: [size[n] for size in SIZES] for n, name in enumerate(names)}
    return Frame({**known, "carried": True})


def counts_frame(counts: Mapping[str, tuple[int, ...]]) -> Frame:
    severity = {rule: level for rule, level, _ in RULES}
    rows = [[rule, severity[rule], *numbers] for rule, numbers in counts.items()]
    return table("rule_counts", rows)


def measures_frame(*groups: list[list[Any]]) -> Frame:
    return table("measures", list(itertools.chain(*groups)))


def month_review(**changes: Any) -> MonthReview:
    """54 of 54 trips of June 2026 of an invented service, five earlier months, 20 cases.

    Its tables are a copy of those made once: a test may change them.
    """
    review = dataclasses.replace(copy.deepcopy(_made()), **changes)
    if "work" in changes or "cases" not in changes:
        return review
    return dataclasses.replace(review, work=case_fixture.work_of(review.cases))


@cache
def _made() -> MonthReview:
    review = MonthReview(
        service="svc-heron",
        month=MONTHS[-1],
        months=MONTHS,
        privacy_basis=("internal-operations",),
        tool_version="0.1.0",
        protocol=(ProtocolInForce("2026.1", "2026-01", "D1", "2025-12"),),
        rules=case_fixture.rule_facts(RULES),
        received=54,
        expected=54,
        expected_by_month=dict(
            zip(MONTHS, [(61, 61), (55, 56), (60, 60), (58, 58), (57, None), (54, 54)], strict=True)
        ),
        not_judged=0,
        trips_with_finding=31,
        merge_within_s=30,
        rule_counts=counts_frame(COUNTS),
        cases=cases_frame(20),
        occlusions=occlusions_frame(EVENTS + 1),
        measures=measures_frame(occlusion_rows(), share_rows(COUNTS), ratio_rows(occlusion_rows())),
        problems=problems_frame(),
        cannulas=cannulas_frame(),
        details=case_fixture.details(cases_frame(20)),
    )
    return dataclasses.replace(review, work=case_fixture.work_of(review.cases))


def short_month() -> MonthReview:
    """Four trips of the month were not received."""
    by_month = {**month_review().expected_by_month, MONTHS[-1]: (54, 58)}
    return month_review(expected=58, expected_by_month=by_month)


def empty_month() -> MonthReview:
    """No ventilator trip, no case, no problem, nothing judged: every interval is null."""
    counts = dict.fromkeys(COUNTS, (0, 0, 0, 0, 0, 1))
    rates = [rate_row(MONTHS[-1], ("service", "all"), 0, 0.0, 0)]
    rates += [rate_row(f"to {MONTHS[-1]}", ("cannula", size[0]), 0, 0.0, 0) for size in SIZES]
    return month_review(
        months=MONTHS[-1:],
        received=1,
        expected=None,
        expected_by_month={MONTHS[-1]: (1, None)},
        trips_with_finding=0,
        rule_counts=counts_frame(counts),
        cases=cases_frame(0),
        details=case_fixture.details(cases_frame(0)),
        occlusions=occlusions_frame(0),
        measures=measures_frame(rates, share_rows(counts)),
        problems=problems_frame().rows(slice(0)),
    )


def bare_month() -> MonthReview:
    """Every table empty and no protocol version in force."""
    review = month_review()
    return month_review(
        protocol=(),
        rules=(),
        received=0,
        expected=None,
        expected_by_month={},
        rule_counts=review.rule_counts.rows(slice(0)),
        cases=review.cases.rows(slice(0)),
        details=None,
        occlusions=review.occlusions.rows(slice(0)),
        measures=review.measures.rows(slice(0)),
        problems=review.problems.rows(slice(0)),
        cannulas=review.cannulas.rows(slice(0)),
    )


def one_trip() -> MonthReview:
    """A single trip, with a variance for review and one occlusion."""
    counts = {rule: (0, 0, 0, 0, int(i == 0), int(i > 0)) for i, rule in enumerate(COUNTS)}
    rates = [
        rate_row(month, (by, value), 1, 1.2, 1)
        for month in (MONTHS[-1], f"to {MONTHS[-1]}")
        for by, value in (("service", "all"), ("cannula", "prong-2"))
    ]
    return month_review(
        months=MONTHS[-1:],
        received=1,
        expected=1,
        expected_by_month={MONTHS[-1]: (1, 1)},
        rule_counts=counts_frame(counts),
        cases=cases_frame(6).rows(slice(1, 2)).assign(reading_order=1),
        details=case_fixture.details(cases_frame(6).rows(slice(1, 2)).assign(reading_order=1)),
        measures=measures_frame(rates, share_rows(counts)),
    )


def large_month() -> MonthReview:
    """3,000 trips, 900 of them to read."""
    counts = {r: tuple(55 * n for n in c) for r, c in COUNTS.items()}
    counts["wall-oxygen-time"] = (2890, 40, 12, 37, 1, 20)
    return month_review(
        received=3000,
        expected=3000,
        expected_by_month=dict.fromkeys(MONTHS, (3000, 3000)),
        cases=cases_frame(900),
        rule_counts=counts_frame(counts),
        measures=measures_frame(
            occlusion_rows(55.0), share_rows(counts), ratio_rows(occlusion_rows(55.0))
        ),
    )


HOSTILE = {
    "markup": "<img src=x onerror=alert(1)>",
    "script": "</script><script>alert(2)</script>",
    "quotes": "\"'><b>bold</b>&amp;&lt;",
    "template": "{{ 7*7 }}%{x}",
    "long": "W" * 64,
    "direction": "abc\u202etxt.exe\u202c",
    "hebrew": "\u05d1\u05e1\u05d9\u05e1",
    "control": "bell\x07\x85\u2028end",
}


def hostile_month() -> MonthReview:
    """Tokens, labels and sentences that try to be something other than text."""
    values = list(HOSTILE.values())
    review = month_review()
    told = [values[i % len(values)] for i in range(len(review.cases) + 2)]
    cases = review.cases.assign(trip_id=told[:-2], base=told[1:-1], why=told[2:])
    cannulas = review.cannulas.assign(label=values[: len(SIZES)])
    problems = review.problems.assign(what=HOSTILE["script"], remedy=HOSTILE["markup"])
    return month_review(
        service=HOSTILE["quotes"],
        cases=cases,
        details=case_fixture.details(cases.rows(slice(len(values))), HOSTILE),
        cannulas=cannulas,
        problems=problems,
        protocol=(ProtocolInForce(HOSTILE["markup"], "2026-01", None, None),),
    )
