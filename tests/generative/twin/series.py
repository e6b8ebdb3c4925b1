"""Each field's own series of charted values, and the timeline made of the five of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from .model import Case, Seconds, Setting, seconds
from .window import review_window, settings_that_count

FIELDS = ("source", "flow_lpm", "fio2", "humidification", "cannula")
LOST = object()
"""Stands where a set-aside row may have charted anything."""


@dataclass(frozen=True)
class Interval:
    """Constant support over [from_s, until_s); None means unknown."""

    from_s: int
    until_s: int
    source: str | None
    flow_lpm: float | None
    fio2: float | None
    humidification: str | None
    cannula: str | None


def marks(settings: list[Setting], field: str) -> list[tuple[int, Any]]:
    """One (second, value) for each second at which the field was charted or may have been.

    Of several rows at one second the last that says anything about the field holds; a null
    says nothing, a set-aside row says LOST.
    """
    by_second: dict[int, Any] = {}
    for setting in settings:
        if setting.row is None:
            by_second[setting.at_s] = LOST
        elif setting.row[field] is not None:
            by_second[setting.at_s] = setting.row[field]
    return sorted(by_second.items(), key=lambda mark: mark[0])


def carry_forward(case: Case, field: str) -> Seconds | None:
    """How long a charted value holds, in seconds; None: until it changes."""
    carry = case.version["carry_forward_min"]
    minutes = carry.get(field, "until_changed") if isinstance(carry, dict) else carry
    return None if minutes == "until_changed" else seconds(minutes)


def known_until(
    mark: tuple[int, Any], following: tuple[int, Any], carry: Seconds | None
) -> Seconds:
    """To which moment a mark's value is known, given the next mark (or the end, value None)."""
    at_s, value = mark
    next_s, next_value = following
    if value is LOST:
        return at_s
    if carry is None or next_value == value:
        return next_s
    return min(at_s + carry, next_s)


def stretches(case: Case, field: str) -> list[tuple[int, Seconds, Any]]:
    """The (from, until, value) stretches over which the field is known, inside the window."""
    window = review_window(case)
    if window is None or case.untimed_setting:
        return []
    series = marks(settings_that_count(case, window), field)
    carry = carry_forward(case, field)
    known = []
    for i, mark in enumerate(series):
        following = series[i + 1] if i + 1 < len(series) else (window.end, None)
        until = known_until(mark, following, carry)
        if until > mark[0]:
            known.append((mark[0], until, mark[1]))
    return known


def known_timeline(case: Case) -> list[Interval]:
    """The known part of the window, cut wherever a field changes or stops being known."""
    window = review_window(case)
    if window is None or window.end <= window.start:
        return []
    by_field = {field: stretches(case, field) for field in FIELDS}
    cuts: set[Any] = {window.start, window.end}
    for known in by_field.values():
        for from_s, until_s, _ in known:
            cuts |= {from_s, until_s}
    edges = sorted(cuts)
    pieces: list[Interval] = []
    for from_s, until_s in pairwise(edges):
        values = {field: _value_at(by_field[field], from_s) for field in FIELDS}
        piece = Interval(from_s, until_s, **values)
        if pieces and replace(pieces[-1], from_s=from_s, until_s=until_s) == piece:
            piece = replace(piece, from_s=pieces.pop().from_s)
        pieces.append(piece)
    return pieces


def _value_at(known: list[tuple[int, Seconds, Any]], at_s: int) -> Any:
    for from_s, until_s, value in known:
        if from_s <= at_s < until_s:
            return value
    return None


def at(timeline: list[Interval], at_s: int) -> Interval | None:
    """The interval in force at a moment; None outside the known window."""
    for interval in timeline:
        if interval.from_s <= at_s < interval.until_s:
            return interval
    return None
