"""Charts, comparisons and power of an invented service, built by hand, for its pages."""

from __future__ import annotations

import copy
import dataclasses
from functools import cache
from typing import Any

import numpy as np

from schemas.frame import Frame
from schemas.measure_outputs import MEASURE_OUTPUTS, MeasureFacts
from schemas.month_review import MeasureFigures, MonthReview
from schemas.outputs import OUTPUTS
from tests.browser import fixture
from tests.browser.fixture_trips import trip_frames

LAST = "2026-06"
BASES = ("alder", "birch", "cedar", "damson", "elm")
RARE = "settings-gap"
THIN = "repeated-occlusion-call"
UNIT = {
    "occlusion-rate": ("Occlusion rate", "events per 100 ventilator hours", "u", "hours", 10),
    "trips-with-occlusion": ("Trips with an occlusion", "share of trips", "p", "trips", 10),
    "deviation-share": ("Variance share", "share of trips", "p", "trips", 10),
    "trips-between-deviations": ("Trips between variances", "trips", "g", "gaps", 5),
    "cannot-tell-share": ("Cannot-tell share", "share of trips", "p", "trips", 10),
    "all-rules-share": ("All rules kept", "share of trips", "p", "trips", 10),
    "full-oxygen-above-97": (
        "Full oxygen above SpO2 97 %", "minutes per wall hour", "XmR", "hours", 5,
    ),
    "bedside-minutes": ("Minutes at the bedside", "minutes", "XmR", "trips", 5),
}  # fmt: skip
PROVISIONAL = (
    "Provisional: 5 points set these limits; with fewer than 12 they may move a good deal as"
    " points come in."
)
WARNING = "This group was picked because its figures were bad."


def facts() -> tuple[MeasureFacts, ...]:
    return tuple(
        MeasureFacts(key, name, "", "", "", "", unit, "", chart, "lower", least, minimum, "", "")
        for key, (name, unit, chart, least, minimum) in UNIT.items()
    )


def frame(name: str, rows: list[dict[str, Any]]) -> Frame:
    model = MEASURE_OUTPUTS.get(name) or OUTPUTS[name]
    columns = list(model.to_schema().columns)
    found = Frame.of_rows(rows, columns)
    assert not rows or set(rows[0]) <= set(columns), name
    return found


def month_names(count: int) -> list[str]:
    """So many months, the last of them June 2026."""
    last = 2026 * 12 + 5
    return [f"{n // 12}-{n % 12 + 1:02d}" for n in range(last - count + 1, last + 1)]


def series(
    key: tuple[str, str, str], top: np.ndarray, below: np.ndarray, months: list[str], **more: Any
) -> list[dict[str, Any]]:
    """Points of one chart; limits three standard errors from the mean of the first 24 points."""
    measure, by, value = key
    per = 100.0 if measure == "occlusion-rate" else 1.0
    figure = per * top / np.where(below > 0, below, np.nan)
    first = slice(0, min(24, max(1, len(months) - 1)))
    centre = per * top[first].sum() / below[first].sum()
    spread = centre * (1 - centre) if UNIT[measure][1] == "share of trips" else centre * per
    half = 3 * np.sqrt(spread / np.where(below > 0, below, np.nan))
    few = len(months) < 13
    rows = []
    for i, month in enumerate(months):
        short = i in more.get("short", ())
        upper = centre + half[i]
        high = not short and figure[i] > upper
        rows.append(
            {
                "measure": measure, "group_by": by, "group_value": value,
                "chart": more.get("kind", UNIT[measure][2]), "point": i + 1, "month": month,
                "numerator": float(top[i]), "denominator": float(below[i]), "value": figure[i],
                "centre": centre, "lower": max(0.0, centre - half[i]), "upper": upper,
                "sigma_z": more.get("sigma_z", 1.0), "baseline": i < 24 and i < len(months) - 1,
                "phase": 1 + (i >= more.get("change", len(months))), "provisional": few,
                "reason": PROVISIONAL if few else None, "incomplete": short,
                "signal": "a point above the 3-sigma limit" if high else None,
            }
        )  # fmt: skip
    return rows


def charts(months: list[str], hot: float) -> list[dict[str, Any]]:
    rng = np.random.default_rng(11)
    n = len(months)
    change = {"change": n - 6} if n > 12 else {}
    trips = rng.integers(50, 62, n).astype(float)
    hours = rng.uniform(55, 75, n)
    events = rng.poisson(hours * 0.12).astype(float)
    events[-1] = round(hot * hours[-1] * 0.12)
    rows = series(
        ("occlusion-rate", "service", "all"), events, hours, months, kind="u'", sigma_z=1.4,
        short=(2,), **change,
    )  # fmt: skip
    for size in fixture.SIZES:
        scale = 0.4 if size[0] in ("prong-2", "prong-3") else 0.05
        own = rng.uniform(0.9, 1.1, n) * hours * scale
        rows += series(
            ("occlusion-rate", "cannula", size[0]), rng.poisson(own * 0.12).astype(float), own,
            months,
        )  # fmt: skip
    for at, (rule, _, _) in enumerate(fixture.RULES):
        judged = trips * (0.1 if rule == THIN else 1.0)
        share = 0.02 if rule == RARE else 0.06 + 0.01 * at
        for measure in ("deviation-share", "cannot-tell-share"):
            found = rng.binomial(np.round(judged).astype(int), share).astype(float)
            rows += series((measure, "rule", rule), found, np.round(judged), months, **change)
    gaps = rng.geometric(0.02, 18).astype(float)
    at_months = [months[i * n // 18] for i in range(18)]
    rows += series(("trips-between-deviations", "rule", RARE), gaps, np.ones(18), at_months)
    for measure, share in (("all-rules-share", 0.7), ("trips-with-occlusion", 0.25)):
        found = rng.binomial(trips.astype(int), share).astype(float)
        rows += series((measure, "service", "all"), found, trips, months)
    for measure, level in (("full-oxygen-above-97", 20.0), ("bedside-minutes", 45.0)):
        found = rng.normal(level, 2, n) * 30
        rows += series((measure, "service", "all"), found, np.full(n, 30.0), months)
    return rows


def runs(points: list[dict[str, Any]]) -> list[dict[str, Any]]:
    keys = dict.fromkeys((p["measure"], p["group_by"], p["group_value"]) for p in points)
    return [
        {
            "measure": m, "group_by": by, "group_value": v, "points": 24, "longest_run": 5,
            "longest_run_limit": 8, "crossings": 11, "crossings_limit": 8, "signal": False,
            "words": "No unusual run.",
        }
        for m, by, v in keys
    ]  # fmt: skip


def sizes() -> list[dict[str, Any]]:
    rows = []
    for n, size in enumerate(fixture.SIZES[:5]):
        crude, few = 6.0 + 3 * n, size[0] == "prong-4"
        ratio = crude / 9.0
        shown: dict[str, float] = {
            "adjusted": 8.0 + n, "adjusted_low": 6.0 + n, "adjusted_high": 10.0 + n,
            "ratio": ratio, "ratio_low": 0.6 * ratio, "ratio_high": 1.7 * ratio,
            "adjusted_ratio": 1 + 0.4 * n, "adjusted_ratio_low": 0.6 + 0.25 * n,
            "adjusted_ratio_high": 1.5 + 0.7 * n,
        }  # fmt: skip
        rows.append(
            {
                "cannula": size[0], "events": 12.0 + n, "hours": 120.0 - 10 * n, "trips": 60 - n,
                "trips_with_event": 3 if few else 9, "crude": crude, "crude_low": 0.5 * crude,
                "crude_high": 1.8 * crude, "naive_low": 0.7 * crude, "naive_high": 1.4 * crude,
                "dispersion": 1.8 + 0.1 * n, **(dict.fromkeys(shown, np.nan) if few else shown),
                "reference": "prong-1", "method": "quasi-Poisson, trips as clusters",
                "reason": "Too few to say: trips with an event 3, needed 5." if few else None,
            }
        )  # fmt: skip
    return rows


def funnels(bases: tuple[str, ...]) -> list[dict[str, Any]]:
    """The third base stands out on wall oxygen time; the last has few trips on one rule."""
    rows = []
    for rule in [None, *[r for r, _, _ in fixture.RULES]]:
        level = 12.0 if rule is None else 0.07
        for n, base in enumerate(bases):
            below = 40.0 + 30 * n if rule != THIN else 4.0
            odd = rule == "wall-oxygen-time" and n == 2
            value = level * (3.2 if odd else 0.8 + 0.1 * n)
            top = round(value * below / (100 if rule is None else 1))
            half = level * 10 / np.sqrt(below)
            shrunk = value if odd else level
            rows.append(
                {
                    "measure": "occlusion-rate" if rule is None else "deviation-share",
                    "rule": rule, "base": base, "numerator": float(top), "denominator": below,
                    "value": value, "target": level,
                    "inner_lower": max(0.0, level - half), "inner_upper": level + half,
                    "outer_lower": max(0.0, level - 1.6 * half), "outer_upper": level + 1.6 * half,
                    "outside": int(value > level + 1.6 * half),
                    "p_differ": 0.0004 if rule == "wall-oxygen-time" else 0.6,
                    "power": 0.45 if rule is None else np.nan,
                    "shrunk": shrunk + (1e-4 * n if rule == "wall-oxygen-time" else 0),
                    "shrunk_low": 0.6 * shrunk, "shrunk_high": 1.5 * shrunk,
                }
            )  # fmt: skip
    return rows


def power() -> list[dict[str, Any]]:
    keys = [("occlusion-rate", "service", "all", 12.0, 65.0)]
    keys += [("deviation-share", "rule", r, 0.07, 4.0 if r == THIN else 56.0)
             for r, _, _ in fixture.RULES]  # fmt: skip
    return [
        {
            "measure": m, "group_by": by, "group_value": v, "level": level, "monthly": monthly,
            "doubling_months": 3.0 + n, "doubling_months_90": 8.0 + 2 * n,
            "halving_months": np.nan if v == THIN else 7.0 + n, "halving_months_90": np.nan,
            "false_alarms": 0.4, "horizon": 36,
        }
        for n, (m, by, v, level, monthly) in enumerate(keys)
    ]  # fmt: skip


def before_after(bases: tuple[str, ...], month: str) -> list[dict[str, Any]]:
    counts = {
        "before_events": 14.0, "before_trips": 90.0, "before_low": 0.09, "before_high": 0.24,
        "after_events": 5.0, "after_trips": 80.0, "after_low": 0.03, "after_high": 0.14,
    }  # fmt: skip
    row = {
        "month": month, "base": bases[1], "rule": "unheated-time", **counts, "ratio": 0.4,
        "low": 0.13, "high": 1.2, "too_few": False, "warning": WARNING,
        "window": "9 months before against 9 months after; the training month left out.",
    }  # fmt: skip
    few = {
        "before_events": 0.0,
        "after_events": 0.0,
        "ratio": np.nan,
        "low": 0.0,
        "high": np.inf,
    }
    return [row, {**row, "base": bases[0], "rule": "source-choice", **few, "too_few": True}]


def patterns() -> list[dict[str, Any]]:
    rows = []
    for month, scale in ((f"to {LAST}", 20), (LAST, 1)):
        for pattern, events in (("child_unsettled", 3), ("unknown", 2), ("all", 5)):
            counts = {
                "events": events, "only_this": events, "trips": events - 1, "less_flow": 1,
                "contact": 1, "nothing": events - 2, "watched": events, "another_within_15_min": 1,
            }  # fmt: skip
            rows.append({"month": month, "pattern": pattern,
                         **{k: scale * v for k, v in counts.items()}})  # fmt: skip
    return rows


def clocks(months: list[str]) -> list[dict[str, Any]]:
    spread = {"p5_s": -200.0, "p25_s": -40.0, "median_s": 20.0, "p75_s": 90.0, "p95_s": 260.0}
    counts = {"trips": 40, "matched": 37, "beyond_limit": 2, "unmatched": 1, "mean_abs_s": 110.0}
    return [{"month": m, **counts, **spread} for m in [*months, f"to {LAST}"]]


def measure_figures(
    count: int = 30, bases: tuple[str, ...] = BASES, hot: float = 1.0
) -> MeasureFigures:
    """Every frame over so many months; `hot` scales the last month's occlusions. A copy."""
    return copy.deepcopy(_made(count, bases, hot))


@cache
def _made(count: int, bases: tuple[str, ...], hot: float) -> MeasureFigures:
    months = month_names(count)
    points = charts(months, hot)
    return MeasureFigures(
        facts=facts(),
        charts=frame("charts", points),
        runs=frame("runs", runs(points)),
        sizes=frame("sizes", sizes()),
        funnels=frame("funnels", funnels(bases) if len(bases) > 1 else []),
        power=frame("power", power()),
        before_after=frame(
            "before_after", before_after(bases, "2025-09") if count > 12 and len(bases) > 1 else []
        ),
        occlusion_patterns=frame("occlusion_patterns", patterns()),
        clock_offsets=frame("clock_offsets", clocks(months)),
        **{
            name: frame(name, rows)
            for name, rows in (signal_frames() | trip_frames(bases, months)).items()
        },
    )


LOWER = "Unheated time at damson: 3 of 9 trips since April 2026, 2 of 31 before."
SAID = "Wall oxygen time at cedar: 7 of 13 trips since March 2026, 2 of 31 before."
SHOWN = SAID.replace("since March 2026", "from March 2026 to May 2026")
"""As pages of June show it, since it was said of May."""


def signal_frames() -> dict[str, list[dict[str, Any]]]:
    """A headline with two trips behind it, a watch, and a grave variance that came this month."""
    at_cedar = {
        "measure": "deviation-share", "group_by": "rule at base",
        "group_value": "wall-oxygen-time at cedar",
    }  # fmt: skip
    service = {"measure": "occlusion-rate", "group_by": "service", "group_value": "all"}
    of_signal = {
        "month": "2026-05", "said_in": "2026-05", "side": "worse", "since": "2026-03",
        "since_low": "2026-02", "since_high": "2026-04", "ratio": 8.3, "ratio_low": 2.0,
        "ratio_high": 35.0, "statistic": 6.1, "threshold": 4.2, "certainty": "sure", "missing": 0,
        "standing": "stands", "noticed_in_100": 78.0,
    }  # fmt: skip
    of_chart = {
        "month": LAST, "numerator": 9.0, "denominator": 60.0, "level": 0.2, "expected": 12.0,
        "k_eff": 9.0, "increment": -1.0, "statistic": 0.0, "threshold": 2.9,
        "watch_statistic": 0.0, "watch_threshold": 1.5, "certainty": "ordinary", "missing": 0,
        "noticed_in_100": 90.0,
    }  # fmt: skip
    return {
        "signals": [
            {**of_signal, **at_cedar, "kind": "headline", "sentence": SAID},
            {**of_signal, **at_cedar, "kind": "watch", "sentence": LOWER,
             "group_value": "unheated-time at damson"},
            {**of_signal, **at_cedar, "kind": "headline", "sentence": "Long ago.",
             "month": "2024-05", "standing": "ended"},
        ],
        "signal_charts": [
            {**of_chart, **service, "charts": "service"},
            {**of_chart, **at_cedar, "charts": "bases"},
            {**of_chart, **at_cedar, "charts": "bases", "numerator": 3.0, "denominator": 9.0,
             "group_value": "unheated-time at damson"},
        ],
        "signal_trips": [
            {**at_cedar, "month": "2026-05", "kind": "headline", "trip_id": trip,
             "trip_month": "2026-04", "events": 1, "read": read, "held": read}
            for trip, read in (("T1", True), ("T2", False))
        ],
        "signal_units": [],
        "one_by_one": [
            {"month": LAST, "rule": "escalation-call", "came": 1, "all_came": 3, "asked": 9,
             "last_month": LAST, "later": 0, "undecided": 0, "watched": True,
             "sentence": "Escalation call: 1 in June 2026."},
        ],
    }  # fmt: skip


def empty_figures() -> MeasureFigures:
    """Every frame without a row: nothing was measured."""
    names = [f.name for f in dataclasses.fields(MeasureFigures) if f.name != "facts"]
    return MeasureFigures(facts=facts(), **{n: frame(n, []) for n in names})


def review(figures: MeasureFigures, month: MonthReview | None = None) -> MonthReview:
    """A month of `fixture` with these figures, its months as far back as the charts go."""
    found = month or fixture.month_review()
    months = tuple(sorted(set(figures.charts["month"]))) or found.months
    return dataclasses.replace(found, figures=figures, months=months)


def full() -> MonthReview:
    """30 months, 5 bases, a month out of the ordinary; trips of the year before are known too."""
    found = review(measure_figures(hot=3.2))
    year = [f"2024-{n:02}" for n in range(7, 13)] + [f"2025-{n:02}" for n in range(1, 7)]
    received = dict.fromkeys(year, (30, 30)) | found.expected_by_month
    return dataclasses.replace(found, expected_by_month=received)


def half_year() -> MonthReview:
    """6 months: every limit is provisional."""
    return review(measure_figures(6))


def hostile() -> MonthReview:
    """Bases, labels and sentences that try to be something other than text."""
    values = tuple(fixture.HOSTILE.values())
    found = review(measure_figures(14, values[:5]), fixture.hostile_month())
    return found


def nothing() -> MonthReview:
    """No ventilator trip, nothing judged, every frame empty."""
    return review(empty_figures(), fixture.bare_month())


def one_base() -> MonthReview:
    """A service with a single base has no funnel."""
    return review(measure_figures(14, ("alder",)), fixture.one_trip())
