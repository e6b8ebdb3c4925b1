"""What a case page is drawn from: the frames of all case trips of a month together.

Times are whole seconds since the crew reached the bedside. Null means "not known" or "not
charted here", never zero. Every row names the file and line it was delivered in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from schemas import kinds as dt
from schemas import shape as pa
from schemas.contract import TABLES
from schemas.outputs import Evidence, Occlusions, Problems, Timeline, Verdicts
from schemas.record import dataclass
from schemas.units import SEVERITIES

if TYPE_CHECKING:
    from schemas.frame import Frame

MOST_CASE_PAGES = 2_000
"""A month has at most so many case pages: the first in reading order."""


def _seconds(description: str, *, nullable: bool = True) -> Any:
    return pa.Column(dt.int32, nullable=nullable, description=description, metadata={"unit": "s"})


TRIP_ID = pa.text("Token of the trip")
FILE = pa.text("File of the delivery", nullable=True)
LINE = pa.whole("Line of the file; the header is line 1")


def _columns(model: type[pa.DataFrameModel]) -> dict[str, Any]:
    return dict(model.to_schema().columns)


def _delivered(table: str) -> pa.DataFrameSchema:
    """The kept rows of a contract table, with where they stand."""
    return pa.table(
        f"Rows of {table} of the case trips, by trip, time and line",
        {"trip_id": TRIP_ID, "file": FILE, "line": LINE, **_without_trip(table)},
    )


def _without_trip(table: str) -> dict[str, Any]:
    return {name: c for name, c in _columns(TABLES[table]).items() if name != "trip_id"}


TRIPS = pa.table(
    "One row a case trip, in reading order: what is known of the trip as a whole",
    {
        "reading_order": pa.whole("1 is read first"),
        "trip_id": TRIP_ID,
        "file": FILE,
        "line": LINE,
        **_without_trip("trips"),
        "protocol_version": pa.text("Id of the protocol version that judged it", nullable=True),
        "start_s": _seconds("Start of the review window: the first setting; null without one"),
        "end_s": _seconds("End of the part of the window whose extent is known"),
        "open_end": pa.flag("No hand-over time was charted"),
        "ends_at_handover": pa.flag("The window ends at hand-over, not at another support"),
        "log_complete": pa.flag("The ventilator's log is complete"),
        "contacts_known": pa.flag("No call was set aside, and the service records them"),
        "observations_known": pa.flag("No observation was set aside, and they are recorded"),
        "all_settings_unknown": pa.flag("A setting without a readable time was set aside"),
        **{
            f"r_{name}": _seconds(f"How finely times of {name} were recorded", nullable=False)
            for name in ("trips", "settings", "device", "observations", "contacts")
        },
        "clock_offset_s": _seconds("Device clock minus charts at the matched start"),
        "clock_removed": pa.flag(
            "Whether the offset was removed; null without device events", nullable=True
        ),
        "clock_tolerance_s": pa.number("What remains uncertain, s, either way"),
    },
)

LOST = pa.table(
    "Rows set aside of the case trips: what they said is unknown from then on",
    {
        "trip_id": TRIP_ID,
        "table": pa.text("Table the row was meant for"),
        "file": FILE,
        "line": LINE,
        "at_s": _seconds("Its time; null where unreadable"),
    },
)

LIMIT_MOMENTS = pa.table(
    "The moment each limit was reached, or something was due, as recorded",
    {
        "trip_id": TRIP_ID,
        "rule": pa.text("Id of the rule"),
        "at_s": _seconds("When, as recorded", nullable=False),
        "due": pa.text(
            "What is due then, as 'call'; null where the limit is reached", nullable=True
        ),
    },
)

STRETCHES = pa.table(
    "Stretches that count towards a limit of minutes, or may because they are not known",
    {
        "trip_id": TRIP_ID,
        "rule": pa.text("Id of the rule"),
        "from_s": _seconds("Start", nullable=False),
        "until_s": _seconds("End, not included", nullable=False),
        "counts": pa.flag("True where it counts; null where unknown", nullable=True),
    },
)

OCCLUSIONS = pa.table(
    "Occlusions of the case trips, with where the first event of each stands",
    {**_columns(Occlusions), "file": FILE, "line": LINE},
)

VERDICTS = pa.table(
    "Every verdict of the case trips, with the rule's severity",
    {
        **_columns(Verdicts),
        "severity": pa.code(SEVERITIES, "Severity in the protocol"),
    },
)

CASE_TABLES: dict[str, pa.DataFrameSchema] = {
    "trips": TRIPS,
    "timeline": Timeline.to_schema(),
    "settings": _delivered("settings"),
    "observations": _delivered("observations"),
    "contacts": _delivered("contacts"),
    "occlusions": OCCLUSIONS,
    "lost": LOST,
    "verdicts": VERDICTS,
    "evidence": Evidence.to_schema(),
    "limit_moments": LIMIT_MOMENTS,
    "stretches": STRETCHES,
    "problems": Problems.to_schema(),
}
"""Schema of every frame of `CaseDetails`, by its name."""


@dataclass(frozen=True)
class CaseDetails:
    """The case trips of a month: frames as in CASE_FRAMES, of the first MOST_CASE_PAGES cases.

    `not_recorded` names the contract tables that the service of each trip does not keep, by
    trip_id; a trip that is missing there keeps them all.
    """

    trips: Frame
    timeline: Frame
    settings: Frame
    observations: Frame
    contacts: Frame
    occlusions: Frame
    lost: Frame
    verdicts: Frame
    evidence: Frame
    limit_moments: Frame
    stretches: Frame
    problems: Frame
    not_recorded: dict[str, tuple[str, ...]]
