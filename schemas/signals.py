"""What the store keeps of signals: months as worked out, thresholds as set, and what was said.

These tables only grow: a month worked out again, or a signal revised, stands beside the earlier.
"""

from __future__ import annotations

from schemas import shape as pa

CHART = {
    "measure": pa.text("Id of the measure"),
    "group_by": pa.text("service, cannula, rule, base, or rule at base"),
    "group_value": pa.text("Which group; 'all' for the service, 'RULE at BASE'"),
}

SIGNAL = pa.table(
    "Every signal as it was said, and each revision of it beside it",
    {
        "signal_no": pa.whole("Order of saying, from 1; of a month and chart the last one holds"),
        "month": pa.text("The month whose data gave it"),
        "said_in": pa.text("The month under review when it was said, or revised"),
        "kind": pa.text("headline or watch"),
        **CHART,
        "side": pa.text("worse or better"),
        "since": pa.text("The likely first month of the change"),
        "since_low": pa.text("The earliest that is plausible"),
        "since_high": pa.text("The latest"),
        "ratio": pa.number("The months since over those before"),
        "ratio_low": pa.number("Lower 95 % bound"),
        "ratio_high": pa.number("Upper 95 % bound"),
        "statistic": pa.number("The cumulative sum that passed the threshold"),
        "threshold": pa.number("The threshold in force"),
        "certainty": pa.text("sure or depends"),
        "missing": pa.whole("Trips of the month that were missing then"),
        "noticed_in_100": pa.number(
            "Of 100 years with the change watched for, how many would signal"
        ),
        "found": pa.flag("False: a revision, the signal is found no more"),
        "sentence": pa.text("The signal in words"),
    },
)

SIGNAL_MONTH = pa.table(
    "What each chart of the family made of each month; of a month and chart the last one holds",
    {
        "worked_no": pa.whole("Order of working out, from 1"),
        "month": pa.text("The month"),
        **CHART,
        "seen": pa.number("Events, or trips with a variance"),
        "denominator": pa.number("Hours, or trips judged"),
        "squares": pa.number("Sum of the squared hours of single trips at a size; 0 for shares"),
        "level": pa.number("Rate an hour or share expected, from the months before"),
        "expected": pa.number("Events expected at that level"),
        "k_eff": pa.number("Shape of their count; null for shares, which do not cluster"),
        "increment": pa.number("What the month adds to the sum that watches for worse"),
        "better": pa.number("What it adds to the sum that watches for better"),
    },
)

SIGNAL_THRESHOLD = pa.table(
    "Thresholds by group of charts, each in force until the next one of its group",
    {
        "set_in": pa.text("From which month on"),
        "charts": pa.text("service, sizes, rules, bases or records"),
        "headline": pa.number("Height of the headline signals"),
        "watch": pa.number("Height of the watches"),
        "volume": pa.number("Trips in twelve months when it was set"),
    },
)

SIGNAL_POWER = pa.table(
    "What each chart can notice with the thresholds set in a month",
    {
        "set_in": pa.text("The thresholds' month"),
        **CHART,
        "noticed_in_100": pa.number(
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
