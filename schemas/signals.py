"""What the store keeps of signals: months as worked out, thresholds as set, and what was said.

These tables only grow: a month worked out again, or a signal revised, stands beside the earlier.
"""

from __future__ import annotations

from typing import Any

from schemas import kinds as dt
from schemas import shape as pa


def _text(description: str, *, nullable: bool = False) -> Any:
    return pa.Column(dt.string, nullable=nullable, description=description)


def _number(description: str) -> Any:
    return pa.Column(dt.float64, nullable=True, description=description)


def _whole(description: str, *, nullable: bool = False) -> Any:
    return pa.Column(dt.int32, nullable=nullable, description=description)


def _table(description: str, columns: dict[str, Any]) -> pa.DataFrameSchema:
    return pa.DataFrameSchema(columns, strict=True, description=description)


CHART = {
    "measure": _text("Id of the measure"),
    "group_by": _text("service, cannula, rule, base, or rule at base"),
    "group_value": _text("Which group; 'all' for the service, 'RULE at BASE'"),
}

SIGNAL = _table(
    "Every signal as it was said, and each revision of it beside it",
    {
        "signal_no": _whole("Order of saying, from 1; of a month and chart the last one holds"),
        "month": _text("The month whose data gave it"),
        "said_in": _text("The month under review when it was said, or revised"),
        "kind": _text("headline or watch"),
        **CHART,
        "side": _text("worse or better"),
        "since": _text("The likely first month of the change"),
        "since_low": _text("The earliest that is plausible"),
        "since_high": _text("The latest"),
        "ratio": _number("The months since over those before"),
        "ratio_low": _number("Lower 95 % bound"),
        "ratio_high": _number("Upper 95 % bound"),
        "statistic": _number("The cumulative sum that passed the threshold"),
        "threshold": _number("The threshold in force"),
        "certainty": _text("sure or depends"),
        "missing": _whole("Trips of the month that were missing then"),
        "noticed_in_100": _number(
            "Of 100 years with the change watched for, how many would signal"
        ),
        "found": pa.Column(
            dt.boolean, description="False: a revision, the signal is found no more"
        ),
        "sentence": _text("The signal in words"),
    },
)

SIGNAL_MONTH = _table(
    "What each chart of the family made of each month; of a month and chart the last one holds",
    {
        "worked_no": _whole("Order of working out, from 1"),
        "month": _text("The month"),
        **CHART,
        "seen": _number("Events, or trips with a variance"),
        "denominator": _number("Hours, or trips judged"),
        "squares": _number("Sum of the squared hours of single trips at a size; 0 for shares"),
        "level": _number("Rate an hour or share expected, from the months before"),
        "expected": _number("Events expected at that level"),
        "k_eff": _number("Shape of their count; null for shares, which do not cluster"),
        "increment": _number("What the month adds to the sum that watches for worse"),
        "better": _number("What it adds to the sum that watches for better"),
    },
)

SIGNAL_THRESHOLD = _table(
    "Thresholds by group of charts, each in force until the next one of its group",
    {
        "set_in": _text("From which month on"),
        "charts": _text("service, sizes, rules, bases or records"),
        "headline": _number("Height of the headline signals"),
        "watch": _number("Height of the watches"),
        "volume": _number("Trips in twelve months when it was set"),
    },
)

SIGNAL_POWER = _table(
    "What each chart can notice with the thresholds set in a month",
    {
        "set_in": _text("The thresholds' month"),
        **CHART,
        "noticed_in_100": _number(
            "Of 100 years with the change watched for, how many would signal"
        ),
    },
)

SIGNAL_TABLES: dict[str, pa.DataFrameSchema] = {
    "signal": SIGNAL,
    "signal_month": SIGNAL_MONTH,
    "signal_threshold": SIGNAL_THRESHOLD,
    "signal_power": SIGNAL_POWER,
}
"""Schema of every table of signals in `loop`, by name."""
