"""Months written YYYY-MM: their names, and what lies so many months apart."""

from __future__ import annotations

MONTH_NAMES = [
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
]


def month_parts(month: str) -> tuple[int, int] | None:
    """Year and number of a month; None of what is no month."""
    year, _, number = month.partition("-")
    if len(month) == 7 and year.isdigit() and number.isdigit() and 1 <= int(number) <= 12:
        return int(year), int(number)
    return None


def month_name(month: str) -> str:
    """'2026-06' as 'June 2026'; anything else as it stands."""
    parts = month_parts(month)
    return f"{MONTH_NAMES[parts[1] - 1]} {parts[0]}" if parts else month


def month_number(month: str) -> int:
    """Months since year 0, so that differences count months; 0 where it is no month."""
    parts = month_parts(month)
    return parts[0] * 12 + parts[1] - 1 if parts else 0


def month_of(number: int) -> str:
    """The month of a number."""
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


def later(month: str, by: int) -> str:
    """The month so many months later, or earlier where `by` is below 0."""
    return month_of(month_number(month) + by)
