"""The trips behind the figures of an invented service: marks, minutes by place, both years."""

from __future__ import annotations

from typing import Any

from tests.browser import fixture

LAST = fixture.MONTHS[-1]
AT_CEDAR = ("deviation-share", "rule at base", "wall-oxygen-time at cedar")
SINGLE = ("one-by-one", "rule", "escalation-call")
APART = [(f"T{n}", fixture.MONTHS[n % 6], n % 4 == 0, 30.0 + 4 * n) for n in range(12)]
"""Trip, month, whether at variance, minutes measured."""


def trip_frames(bases: tuple[str, ...], months: list[str]) -> dict[str, list[dict[str, Any]]]:
    """Rows of every table of trips by name, and of the years."""
    return {
        "trip_marks": [*_marks(AT_CEDAR, months, 3), *_marks(SINGLE, months, 5)],
        "apart_trips": [
            {"rule": "wall-oxygen-time", "base": bases[2 % len(bases)], "trip_id": trip,
             "trip_month": month, "variance": variance, "observed": observed, "limit": 50.0,
             "unit": "min"}
            for trip, month, variance, observed in APART
        ],
        "wall_places": [
            {"base": base, "trips_of": of, "place": place, "minutes": minutes * (1 + n),
             "limit": 50, "trips": 40 if of == "all" else 3 + n}
            for base in bases
            for n, of in enumerate(("all", "past"))
            for place, minutes in (("bedside", 5.0), ("transit", 20.0), ("receiving", 6.0),
                                   ("unknown", 0.0))
        ],
        "transit": [
            {"base": base, "trips": 90 - n, "p5": -3.0, "p25": 0.0, "median": 2.0 + n, "p75": 6.0,
             "p95": 20.0, "planned_within": 50, "ran_past": n, "wall_added": 7.0 * n}
            for n, base in enumerate(bases)
        ],
        "cannula_use": [
            {"cannula": size[0], "quantity": quantity, "trips": 30, "outside": n % 2,
             "low": 2.0, "high": 12.0, "p5": 2.0, "p25": 4.0, "median": 6.0, "p75": 8.0,
             "p95": 11.0}
            for n, size in enumerate(fixture.SIZES)
            for quantity in ("flow", "weight")
        ],
        "years": _years(),
    }  # fmt: skip


def _marks(key: tuple[str, str, str], months: list[str], every: int) -> list[dict[str, Any]]:
    """Two trips a month, one in `every` of them at variance and the one before it undecided."""
    rows = []
    for n in range(2 * len(months)):
        state = "variance" if n % every == 0 else "undecided" if n % every == 1 else "kept"
        rows.append(
            {"measure": key[0], "group_by": key[1], "group_value": key[2], "place": n + 1,
             "trip_id": f"M{n:03d}", "trip_month": months[n // 2], "state": state}
        )  # fmt: skip
    return rows


def year_row(
    measure: str, by: str, value: str, now: tuple[float, float], before: tuple[float, float]
) -> dict[str, Any]:
    """Both years of a figure; intervals a third to either side, the ratio's as the square root."""
    per = 100.0 if measure == "occlusion-rate" else 1.0
    figures = [per * x / n for x, n in (now, before)]
    ratio = figures[0] / figures[1] if figures[1] else None
    return {
        "month": LAST, "measure": measure, "group_by": by, "group_value": value,
        **{f"{side}_{part}": cell for side, cells in (("now", now), ("before", before))
           for part, cell in zip(("numerator", "denominator"), cells, strict=True)},
        **dict(zip(("now", "before"), figures, strict=True)),
        **{f"{side}_{end}": figure * by_end for side, figure in
           zip(("now", "before"), figures, strict=True)
           for end, by_end in (("low", 0.75), ("high", 1.3))},
        "ratio": ratio, "ratio_low": ratio and 0.7 * ratio, "ratio_high": ratio and 1.4 * ratio,
    }  # fmt: skip


def _years() -> list[dict[str, Any]]:
    rows = [
        year_row("occlusion-rate", "service", "all", (120, 450), (95, 260)),
        year_row("all-rules-share", "service", "all", (400, 560), (200, 280)),
        year_row("trips-with-occlusion", "service", "all", (57, 276), (43, 162)),
        year_row("worse-outcome", "service", "all", (22, 700), (8, 363)),
        year_row("worse-outcome", "outcome", "intubated", (3, 700), (1, 363)),
        year_row("worse-outcome-day-after", "service", "all", (60, 520), (31, 257)),
        year_row("occlusion-rate", "cannula", "prong-2", (43, 74), (31, 64)),
    ]
    rows += [
        year_row("deviation-share", "rule", rule, (20.0 + 4 * n, 300), (20, 300))
        for n, (rule, _, _) in enumerate(fixture.RULES)
    ]
    return rows
