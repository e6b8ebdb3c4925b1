"""The shared edition's tables of one period, made of its counts alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pipeline.rules import all_rules
from pipeline.sharing.suppression import disclosed_groups, small, withheld
from schemas.shared_outputs import ALL_RULES, OTHER_BASES, SMALLEST_DISCLOSED

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]
Cells = dict[str, dict[str, int]]
"""The three counts in CELLS by rule, or by base."""

CELLS = ("variance", "kept", "not_judged")
OTHERWISE = ("variance", "not_judged")
"""What a trip at variance with one rule is when asked of all rules together."""

GIVE_UP = ("kept", "not_judged", "variance")
"""What a rule's row loses first: how many were judged is still told without `kept`."""

WITHIN = {rule.id: rule.within for rule in all_rules().values() if rule.within}
"""Rules that judge some of the trips another judges: how many more that one judges is a count."""


def rule_rows(period: str, answers: pd.DataFrame, *, complementary: bool = True) -> list[Row]:
    """Rows of `SharedRules`: each rule over the period's trips, small counts withheld.

    `answers` are the period's rows of `SharedCounts.answers`.
    """
    cells = _cells_by(answers, "rule")
    hidden = _hidden(cells, complementary=complementary)
    return [rule_row(period, rule, cells[rule], hidden[rule]) for rule in _all_first(cells)]


def _hidden(cells: Cells, *, complementary: bool = True) -> dict[str, frozenset[str]]:
    """The names of each rule's counts that are not told."""
    hidden = {
        rule: withheld(counts, GIVE_UP, complementary=complementary)
        for rule, counts in cells.items()
    }
    if complementary:
        for inner, outer in WITHIN.items():
            if inner not in cells or outer not in cells:
                continue
            # that the outer one judged at least as many would tell of what it withholds
            if "not_judged" in hidden[outer] or _tells_how_many_more(inner, outer, cells):
                hidden[inner] = frozenset(CELLS)
        if _one_rule_tells_of_all(cells, hidden):
            hidden[ALL_RULES] = frozenset(CELLS)
    return hidden


def _tells_how_many_more(inner: str, outer: str, cells: Cells) -> bool:
    judged = [cells[rule]["variance"] + cells[rule]["kept"] for rule in (inner, outer)]
    return small(judged[1] - judged[0])


def _one_rule_tells_of_all(cells: Cells, hidden: Mapping[str, frozenset[str]]) -> bool:
    """Whether a rule's told variances say that a small hidden answer to all rules is not smaller.

    A trip at variance with one rule is at variance with all of them together or not judged.
    """
    most = max((cells[rule]["variance"] for rule in cells
                if rule != ALL_RULES and "variance" not in hidden[rule]), default=0)  # fmt: skip
    disclosed = _disclosed_otherwise(cells, hidden)
    return len(disclosed) == 1 and _narrows(most - disclosed[0])


def _disclosed_otherwise(cells: Cells, hidden: Mapping[str, frozenset[str]]) -> list[int]:
    if ALL_RULES not in cells:
        return []
    return [cells[ALL_RULES][cell] for cell in OTHERWISE if cell not in hidden[ALL_RULES]]


def _narrows(least: int) -> bool:
    """Whether 'at least so many' leaves out some of the counts from 1 to 10, and not all."""
    return 1 < least < SMALLEST_DISCLOSED


def _cells_by(answers: pd.DataFrame, column: str) -> Cells:
    sums = answers.groupby(column, sort=True)[["trips", "variance", "kept"]].sum()
    return {str(name): _cells(row) for name, row in sums.to_dict("index").items()}


def _cells(row: Mapping[Any, Any]) -> dict[str, int]:
    variance, kept = int(row["variance"]), int(row["kept"])
    return {"variance": variance, "kept": kept, "not_judged": int(row["trips"]) - variance - kept}


def _all_first(rules: Mapping[str, Any]) -> list[str]:
    return sorted(rules, key=lambda rule: (rule != ALL_RULES, rule))


def rule_row(period: str, rule: str, counts: Mapping[str, int], hidden: frozenset[str]) -> Row:
    """A row of `SharedRules` from the three counts in CELLS and the names of those hidden."""
    trips = sum(counts.values())
    disclosed = {name: None if name in hidden else counts[name] for name in CELLS}
    judged = None if disclosed["not_judged"] is None else trips - counts["not_judged"]
    nearly = disclosed["variance"] is not None and _nearly_all_judged(counts)
    of = "judged" if judged is not None else "trips" if nearly else None
    share = _share(disclosed["variance"], (trips if judged is None else judged) if of else 0)
    return {"period": period, "rule": rule, "trips": trips, **disclosed, "judged": judged, "of": of,
            **share}  # fmt: skip


def _nearly_all_judged(counts: Mapping[str, int]) -> bool:
    """Whether at most 10 trips are not judged, among so many others that this is all it tells."""
    others = counts["kept"] + counts["not_judged"]
    return counts["not_judged"] < SMALLEST_DISCLOSED and others >= 3 * SMALLEST_DISCLOSED


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
    named = disclosed_groups({str(base): (int(n),) for base, n in volumes.items()})
    unnamed = frozenset(map(str, volumes.index)) - named
    rows: list[Row] = []
    # of two rules, one within the other, only one is told: see WITHIN
    by_rule = {str(r): part for r, part in answers.groupby("rule", sort=True) if r not in WITHIN}
    cells = _cells_by(answers, "rule")
    beside = dict.fromkeys(volumes.index, _disclosed_otherwise(cells, _hidden(cells)))
    for rule in _all_first(by_rule):
        own = _cells_by(by_rule[rule], "base")
        groups = {base: tuple(counts[c] for c in CELLS) for base, counts in own.items()}
        pooled = frozenset(
            base
            for base, counts in own.items()
            if any(_narrows(counts["variance"] - disclosed) for disclosed in beside[base])
        )
        disclosed = _disclosed_bases(groups, unnamed, pooled if rule != ALL_RULES else frozenset())
        if not disclosed:
            continue
        rows += [_base_row(period, rule, base, groups[base]) for base in sorted(disclosed)]
        rest = [counts for base, counts in groups.items() if base not in disclosed]
        if rest:
            rows.append(_base_row(period, rule, OTHER_BASES, _added(rest)))
        if rule == ALL_RULES:
            others = [rows[-1][cell] for cell in OTHERWISE] if rest else []
            beside = {base: [] if base in disclosed else others for base in groups}
    return rows


def _disclosed_bases(
    groups: Mapping[str, tuple[int, ...]], unnamed: frozenset[str], pooled: frozenset[str]
) -> frozenset[str]:
    """Bases told by themselves; how many trips the others have may be told with another rule."""
    pooled |= unnamed
    disclosed = disclosed_groups(groups, pooled)
    while disclosed and _narrowed_by_trips(groups, disclosed, unnamed):
        pooled |= {min(disclosed, key=lambda base: (sum(groups[base]), base))}
        disclosed = disclosed_groups(groups, pooled)
    return disclosed


def _narrowed_by_trips(
    groups: Mapping[str, tuple[int, ...]], disclosed: frozenset[str], unnamed: frozenset[str]
) -> bool:
    """Whether the other bases' counts must be in one of them, the rest having too few trips."""
    rest = {base: counts for base, counts in groups.items() if base not in disclosed}
    together = _added(list(rest.values())) if rest else ()
    return any(
        _narrows(count - (sum(together) - sum(counts)))
        for base, counts in rest.items()
        if base not in unnamed
        for count in together
    )


def _added(rows: list[tuple[int, ...]]) -> tuple[int, ...]:
    return tuple(sum(column) for column in zip(*rows, strict=True))


def _base_row(period: str, rule: str, base: str, counts: tuple[int, ...]) -> Row:
    variance, kept, _ = counts
    cells = dict(zip(CELLS, counts, strict=True))
    share = _share(variance, variance + kept)
    return {"period": period, "rule": rule, "base": base, "trips": sum(counts), **cells, **share}
