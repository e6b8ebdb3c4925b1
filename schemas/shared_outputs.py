"""The tables of the shared edition: every number in them may leave the service.

Each counts trips, events or hours of a whole period, and is 0 or at least 11; what may not be told
is null ("withheld"). Shares and rates are made of the counts in their row and of nothing
else. Shares are fractions of 1.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from schemas import kinds as dt
from schemas import shape as pa
from schemas.record import dataclass

if TYPE_CHECKING:
    from schemas.frame import Frame

SMALLEST_DISCLOSED = 11
"""A count from 1 to one below this is never told (common practice of public payers' statistics)."""

OTHER_BASES = "other bases"
ALL_RULES = "all-rules"
"""In place of a rule's id: every rule that applied to the trip, together."""


_PERIOD = "Months of the period; periods never overlap"


class SharedPeriods(pa.DataFrameModel):
    """The periods that months are pooled to; one row a period, oldest first."""

    period: dt.String = pa.text("The period: a month, or 'YYYY-MM to YYYY-MM'")
    from_month: dt.String = pa.text("Its first month")
    until_month: dt.String = pa.text("Its last month")
    trips: dt.Int32 = pa.value("trips", "Trips that a rule was asked of; null where withheld")
    received: dt.String = pa.text(
        "Of the trips expected, how many were received when it was first shared: all, most (9 in 10"
        " or more) or fewer; null where not known",
        nullable=True,
    )


class SharedRules(pa.DataFrameModel):
    """Each rule's answers over a period; the rule 'all-rules' is all of them together.

    The three counts of a row add up to the trips of the period.
    """

    period: dt.String = pa.text(_PERIOD)
    rule: dt.String = pa.text("Id of the rule, or all-rules")
    trips: dt.Int32 = pa.count("Trips of the period")
    variance: dt.Int32 = pa.value(
        "trips", "At variance; of all-rules: not every rule kept; null: withheld"
    )
    kept: dt.Int32 = pa.value(
        "trips", "Met, authorised or borderline; of all-rules: every rule kept"
    )
    not_judged: dt.Int32 = pa.value(
        "trips", "The rule does not ask about them, or the record cannot tell"
    )
    judged: dt.Int32 = pa.value("trips", "Variance and kept together; null where withheld")
    of: dt.String = pa.text(
        "What the share is of: judged, or trips where judged is withheld and at most 10 were not;"
        " null: nothing", nullable=True,
    )  # fmt: skip
    share: dt.Float64 = pa.value("1", "Variance over judged or trips; null where withheld")
    low: dt.Float64 = pa.value("1", "Lower 95 % bound, Wilson score")
    high: dt.Float64 = pa.value("1", "Upper 95 % bound, Wilson score")


class SharedBases(pa.DataFrameModel):
    """The same by base: bases with too little to tell are one row, 'other bases'.

    The bases of a rule add up to the service; a rule without rows cannot be told by base.
    """

    period: dt.String = pa.text(_PERIOD)
    rule: dt.String = pa.text("Id of the rule, or all-rules")
    base: dt.String = pa.text("Token of the base, or 'other bases'")
    trips: dt.Int32 = pa.count("Trips of the base")
    variance: dt.Int32 = pa.count("At variance")
    kept: dt.Int32 = pa.count("Met, authorised or borderline")
    not_judged: dt.Int32 = pa.count("Not asked about, or cannot tell")
    share: dt.Float64 = pa.value(
        "1", "Variance over variance and kept; null where nothing is judged"
    )
    low: dt.Float64 = pa.value("1", "Lower 95 % bound, Wilson score")
    high: dt.Float64 = pa.value("1", "Upper 95 % bound, Wilson score")


class SharedSizes(pa.DataFrameModel):
    """Occlusion rate by cannula size over a period, and of the whole service where it may be told.

    Sizes in use whose counts are withheld have a row with nothing in it. A trip that used two sizes
    is a trip of each; the interval of the whole service is made with the trips of each size added
    up.
    """

    period: dt.String = pa.text(_PERIOD)
    cannula: dt.String = pa.text("Catalogue id; 'all' for the whole service")
    events: dt.Int32 = pa.value("events", "Occlusions counted; null where withheld")
    hours: dt.Float64 = pa.value("h", "Ventilator hours counted; null where withheld")
    trips: dt.Int32 = pa.value(
        "trips", "Trips that contribute; null where withheld, and for the service"
    )
    rate: dt.Float64 = pa.value("per 100 h", "Events per 100 ventilator hours")
    low: dt.Float64 = pa.value("per 100 h", "Lower 95 % bound")
    high: dt.Float64 = pa.value("per 100 h", "Upper 95 % bound")
    method: dt.String = pa.text("Method of the interval", nullable=True)


SHARED_OUTPUTS: dict[str, type[pa.DataFrameModel]] = {
    "periods": SharedPeriods,
    "shared_rules": SharedRules,
    "shared_bases": SharedBases,
    "shared_sizes": SharedSizes,
}
"""Every table of the shared edition, by name; each is a data file and a sheet of it."""


@dataclass(frozen=True)
class SharedTables:
    """The shared edition's tables; frames follow the models above, newest period last.

    `next_until` is the month in which the next period ends, as far as can be said.
    """

    periods: Frame
    rules: Frame
    bases: Frame
    sizes: Frame
    next_until: str

    def by_name(self) -> dict[str, Frame]:
        """The tables by their names in SHARED_OUTPUTS."""
        names = list(SHARED_OUTPUTS)
        return dict(zip(names, (self.periods, self.rules, self.bases, self.sizes), strict=True))

    def latest(self) -> str:
        """The newest period; empty before one is complete."""
        return str(self.periods["period"][-1]) if len(self.periods) else ""
