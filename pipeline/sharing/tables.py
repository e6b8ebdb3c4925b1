"""The shared edition's tables of one period, made of its counts alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.rules import all_rules
from pipeline.sharing.suppression import blurred, small, told_apart, withheld
from schemas.shared_outputs import ALL_RULES, OTHER_BASES, SMALLEST_TOLD

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]

PER_HOURS = 100
CELLS = ("variance", "kept", "not_judged")
GIVE_UP = ("kept", "not_judged", "variance")
"""What a rule's row loses first: how many were judged is still told without `kept`."""

WITHIN = {rule.id: rule.within for rule in all_rules().values() if rule.within}
"""Rules that judge some of the trips another judges: how many more that one judges is a count."""

SPREADS = (1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0)
"""Clustering is told in these steps alone: told exactly, it would tell how many trips there were
with an event. Beyond the last, no interval is given."""


def rule_rows(period: str, answers: pd.DataFrame, *, complementary: bool = True) -> list[Row]:
    """Rows of `SharedRules`: each rule over the period's trips, small counts withheld.

    `answers` are the period's rows of `SharedCounts.answers`.
    """
    sums = answers.groupby("rule", sort=True)[["trips", "variance", "kept"]].sum()
    cells = {str(rule): _cells(row) for rule, row in sums.to_dict("index").items()}
    hidden = {
        rule: withheld(counts, GIVE_UP, complementary=complementary)
        for rule, counts in cells.items()
    }
    if complementary:
        for inner, outer in WITHIN.items():
            if inner in cells and outer in cells and _tells_how_many_more(inner, outer, cells):
                hidden[inner] = frozenset(CELLS)
    return [rule_row(period, rule, cells[rule], hidden[rule]) for rule in _all_first(cells)]


def _tells_how_many_more(inner: str, outer: str, cells: Mapping[str, Mapping[str, int]]) -> bool:
    judged = [cells[rule]["variance"] + cells[rule]["kept"] for rule in (inner, outer)]
    return small(judged[1] - judged[0])


def _cells(row: Mapping[Any, Any]) -> dict[str, int]:
    variance, kept = int(row["variance"]), int(row["kept"])
    return {"variance": variance, "kept": kept, "not_judged": int(row["trips"]) - variance - kept}


def _all_first(rules: Mapping[str, Any]) -> list[str]:
    return sorted(rules, key=lambda rule: (rule != ALL_RULES, rule))


def rule_row(period: str, rule: str, counts: Mapping[str, int], hidden: frozenset[str]) -> Row:
    """A row of `SharedRules` from the three counts in CELLS and the names of those hidden."""
    trips = sum(counts.values())
    told = {name: None if name in hidden else counts[name] for name in CELLS}
    judged = None if told["not_judged"] is None else trips - counts["not_judged"]
    nearly = told["variance"] is not None and _nearly_all_judged(counts)
    of = "judged" if judged is not None else "trips" if nearly else None
    share = _share(told["variance"], (trips if judged is None else judged) if of else 0)
    return {"period": period, "rule": rule, "trips": trips, **told, "judged": judged, "of": of,
            **share}  # fmt: skip


def _nearly_all_judged(counts: Mapping[str, int]) -> bool:
    """Whether at most 10 trips are not judged, among so many others that this is all it tells."""
    others = counts["kept"] + counts["not_judged"]
    return counts["not_judged"] < SMALLEST_TOLD and others >= 3 * SMALLEST_TOLD


def _share(events: int | None, n: int) -> Row:
    """A share of told counts with its Wilson interval; null without either."""
    from pipeline.statistics.intervals import wilson

    if events is None or not n:
        return {"share": None, "low": None, "high": None}
    found = wilson(events, n)
    return {"share": events / n, "low": float(found.lower), "high": float(found.upper)}


def base_rows(period: str, answers: pd.DataFrame) -> list[Row]:
    """Rows of `SharedBases`: the bases that can be told apart, and the others together.

    A base with few trips is among the others for every rule. A rule of which no base can be told
    apart has no rows.
    """
    volumes = answers[answers["rule"] == ALL_RULES].groupby("base", sort=True)["trips"].sum()
    named = told_apart({str(base): (int(n),) for base, n in volumes.items()})
    unnamed = frozenset(map(str, volumes.index)) - named
    rows: list[Row] = []
    # of two rules, one within the other, only one is told: see WITHIN
    by_rule = {str(r): part for r, part in answers.groupby("rule", sort=True) if r not in WITHIN}
    for rule in _all_first(by_rule):
        sums = by_rule[rule].groupby("base", sort=True)[["trips", "variance", "kept"]].sum()
        cells = {str(base): _cells(row) for base, row in sums.to_dict("index").items()}
        groups = {base: tuple(counts[c] for c in CELLS) for base, counts in cells.items()}
        told = told_apart(groups, unnamed)
        if not told:
            continue
        rows += [_base_row(period, rule, base, groups[base]) for base in sorted(told)]
        rest = [counts for base, counts in groups.items() if base not in told]
        if rest:
            together = tuple(sum(column) for column in zip(*rest, strict=True))
            rows.append(_base_row(period, rule, OTHER_BASES, together))
    return rows


def _base_row(period: str, rule: str, base: str, counts: tuple[int, ...]) -> Row:
    variance, kept, _ = counts
    cells = dict(zip(CELLS, counts, strict=True))
    share = _share(variance, variance + kept)
    return {"period": period, "rule": rule, "base": base, "trips": sum(counts), **cells, **share}


def size_rows(period: str, ventilator: pd.DataFrame, *, complementary: bool = True) -> list[Row]:
    """Rows of `SharedSizes`: sizes with enough trips and no small number of events.

    The whole service is told only where the sizes withheld are not given away by it.
    `ventilator` are the period's rows of `SharedCounts.ventilator`.
    """
    used = ventilator[ventilator["hours"] > 0]
    found = {
        str(size): (int(part["events"].sum()), float(part["hours"].sum()), len(part))
        for size, part in used.groupby("cannula", sort=True)
    }
    told = {size: n for size, n in found.items() if not small(n[0]) and not small(n[2])}
    spread = _spread(used)
    rows = [_size_row(period, size, told.get(size), spread) for size in found]
    events, hours = (sum(n[i] for n in found.values()) for i in (0, 1))
    hidden = [int(n[0]) for size, n in found.items() if size not in told]
    safe = not small(events) and (blurred(hidden) or not complementary)
    return [*rows, _size_row(period, "all", (events, hours, None) if safe else None, spread)]


def _size_row(
    period: str, size: str, counts: tuple[float, float, int | None] | None, spread: float | None
) -> Row:
    """One row; empty without counts (events, hours, trips)."""
    if counts is None or not round(counts[1], 1):
        nothing = ("events", "hours", "trips", "rate", "low", "high", "method")
        return {"period": period, "cannula": size, **dict.fromkeys(nothing)}
    events, hours = int(counts[0]), round(counts[1], 1)
    low, high, method = _bounds(events, hours, spread)
    return {"period": period, "cannula": size, "events": events, "hours": hours,
            "trips": counts[2], "rate": events / hours * PER_HOURS, "low": low, "high": high,
            "method": method}  # fmt: skip


def _bounds(
    events: int, hours: float, spread: float | None
) -> tuple[float | None, float | None, str | None]:
    """An interval from events, hours and the step of clustering; the exact one without an event."""
    from scipy.special import ndtri

    from pipeline.statistics.intervals import poisson_exact

    if not events:
        exact = poisson_exact(0, hours, per=PER_HOURS)
        return float(exact.lower), float(exact.upper), exact.method
    if spread is None:
        return None, None, None
    half = math.exp(float(ndtri(0.975)) * math.sqrt(spread / events))
    rate = events / hours * PER_HOURS
    times = "that" if spread == 1 else f"{spread:g} times that"
    return rate / half, rate * half, f"quasi-Poisson, variance {times} of independent events"


def _spread(used: pd.DataFrame) -> float | None:
    """How events cluster within trips, over all sizes, rounded up to one of SPREADS."""
    from pipeline.statistics.clustered import clustered_rate

    parts = [clustered_rate(p["events"], p["hours"]) for _, p in used.groupby("cannula")]
    known = [(p.events, p.dispersion) for p in parts if math.isfinite(p.dispersion)]
    if not known:
        return SPREADS[0]
    mean = sum(events * by for events, by in known) / sum(events for events, _ in known)
    return next((step for step in SPREADS if mean <= step), None)
