"""Units of the measures, and how soon a variance should be read."""

from __future__ import annotations

from enum import StrEnum
from typing import Literal, get_args

Severity = Literal["high", "medium", "low"]
SEVERITIES: tuple[Severity, ...] = get_args(Severity)
"""From the one to be read first."""


def severity_rank(severity: str | None) -> int:
    """0 for the severity that is read first; behind all of them what is none."""
    known: tuple[str, ...] = SEVERITIES
    return known.index(severity) if severity in known else len(known)


class Unit(StrEnum):
    """What an estimate is counted in."""

    RATE = "events per 100 ventilator hours"
    SHARE = "share of trips"
    TRIPS = "trips"
    MONTHS_RATIO = "ratio to the months before"
    YEARS_RATIO = "ratio to the twelve months before"
    CLUSTERING = "k"
    MINUTES_PER_WALL_HOUR = "minutes per wall hour"
    MINUTES_PER_HOUR = "minutes per hour"
    MINUTES = "minutes"
