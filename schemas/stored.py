"""The tables kept of every delivery, as pandera schemas; the store's DDL is derived from them.

A contract column keeps the name, type, range and description that `schemas.contract` gives it;
only the keys are added here. Nothing here holds a date: a service month is the finest time.
"""

from __future__ import annotations

from typing import Any

from schemas import contract
from schemas import kinds as dt
from schemas import shape as pa

TIMED_TABLES = [
    name for name, model in contract.TABLES.items() if "at_s" in model.to_schema().columns
]
"""The tables whose rows have a time; with `trips`, those that state a time resolution."""

CHILD_TABLES = [name for name in contract.TABLES if name not in ("trips", *contract.OF_THE_SERVICE)]
"""The tables whose rows belong to a trip."""


def _texts(description: str) -> Any:
    # pandera's ibis engine has no list type: the SQL type is stated and the dtype left unchecked
    return pa.Column(None, description=description, metadata={"sql": "VARCHAR[]"})


def _resolution(table: str) -> Any:
    said = f"How finely {table} recorded times, 1 or 60 s; null if not delivered"
    return pa.Column(dt.int16, nullable=True, description=said)


DELIVERY_NO = pa.whole("Number of the delivery in this store, from 1 in order of arrival")
TRIP_KEY = pa.whole("Key of one delivered content of one trip, unique in the store")
LINE = pa.whole("Line of the file the row began on; the header is line 1 (Parquet: row number + 1)")


def _contract_columns(table: str) -> dict[str, Any]:
    return dict(contract.TABLES[table].to_schema().columns)


def _child(table: str) -> pa.DataFrameSchema:
    columns = {"trip_key": TRIP_KEY, "line": LINE, **_contract_columns(table)}
    del columns["trip_id"]
    return pa.table(f"Rows of {table} that were kept, of every delivery", columns)


DELIVERY = pa.table(
    "One delivery as it was received",
    {
        "delivery_no": DELIVERY_NO,
        "content_hash": pa.text("SHA-256 over the bytes of every file that was read"),
        "service": pa.text("Token of the service"),
        "contract": pa.whole("Version of the export contract"),
        "privacy_basis": pa.text("On what basis the service may share the export"),
        "months": _texts("Service months the delivery covers, sorted"),
        **{f"res_{name}": _resolution(name) for name in ["trips", *TIMED_TABLES]},
        "max_offset_s": pa.whole("Largest offset of a device clock that is removed, s"),
        "not_recorded": _texts("Tables the service does not keep, sorted"),
        "confidentiality": pa.text("The service's own statement; null: none", nullable=True),
    },
)

FILE = pa.table(
    "Every file of a delivery that was read",
    {
        "delivery_no": DELIVERY_NO,
        "file": pa.text("Name of the file"),
        "sha256": pa.text("SHA-256 of its bytes"),
        "rows_read": pa.whole("Rows in it; null for settings files", nullable=True),
        "rows_kept": pa.whole("Rows kept of them; null for settings files", nullable=True),
    },
)

EXPECTED = pa.table(
    "Trips that the dispatch log says there should be",
    {
        "delivery_no": DELIVERY_NO,
        "month": pa.text("Service month"),
        "trips": pa.whole("Number of trips expected"),
    },
)

EXPECTED_TRIP = pa.table(
    "Rows of the dispatch log's list that were kept, of every delivery",
    {"delivery_no": DELIVERY_NO, "line": LINE, **_contract_columns("expected")},
)

RECEIPT = pa.table(
    "Each time a delivery became the latest word; the same bytes may come again after others",
    {
        "receipt_no": pa.whole("Order of receipt, from 1"),
        "delivery_no": DELIVERY_NO,
    },
)

CANNULA = pa.table(
    "The catalogue as it came with each delivery",
    {
        "delivery_no": DELIVERY_NO,
        "id": pa.text("Catalogue id"),
        "family": pa.text("Kind of cannula"),
        "size_rank": pa.whole("Order of sizes within the family"),
        "label": pa.text("The service's own label"),
        "prong_od_mm": pa.number("Outer diameter of a prong, mm"),
        "flow_min_lpm": pa.number("Lowest flow it is for, L/min", nullable=False),
        "flow_max_lpm": pa.number("Highest flow it is for, L/min", nullable=False),
        "weight_min_kg": pa.number("Lowest weight it is for, kg"),
        "weight_max_kg": pa.number("Highest weight it is for, kg"),
        "carried": pa.flag("Whether the service carries this size"),
    },
)

PROTOCOL_VERSION = pa.table(
    "Every version of the protocol; a version that was later approved has a second row",
    {
        "protocol_no": pa.whole("Order in which the store met it, from 1"),
        "id": pa.text("The service's id of the version"),
        "from_month": pa.text("First service month it is in force"),
        "content": pa.text("The version as canonical JSON, every field written out"),
        "approved_by": pa.text("Token of who approved it", nullable=True),
        "approved_month": pa.text("Month of approval", nullable=True),
        "service": pa.text("Token of the service"),
    },
)

TRIPS = pa.table(
    "Rows of trips that were kept, of every delivery",
    {
        "trip_key": TRIP_KEY,
        "delivery_no": DELIVERY_NO,
        "line": LINE,
        **_contract_columns("trips"),
    },
)

TRAINING = pa.table(
    "Rows of training that were kept, of every delivery",
    {"delivery_no": DELIVERY_NO, "line": LINE, **_contract_columns("training")},
)

LOST = pa.table(
    "Rows set aside that belong to a kept trip: what they said is unknown, not absent",
    {
        "trip_key": TRIP_KEY,
        "table_name": pa.text("Table the row was meant for"),
        "line": LINE,
        "at_s": pa.whole("Its time, s; null if that could not be read", nullable=True),
    },
)

SET_ASIDE = pa.table(
    "Every row set aside, with what was wrong and what to do; never a value",
    {
        "delivery_no": DELIVERY_NO,
        "trip_key": pa.whole("Trip it belongs to; null if none was kept", nullable=True),
        "service_month": pa.text("Month of that trip, or of the row itself", nullable=True),
        "file": pa.text("Name of the file"),
        "line": LINE,
        "column_name": pa.text("Column; null if the whole row is at fault", nullable=True),
        "problem": pa.text("Short code of the problem"),
        "what": pa.text("The rule it broke, as a sentence"),
        "remedy": pa.text("What to do about it"),
    },
)

DOUBTFUL = pa.table(
    "What is legal in a delivery and hardly true: kept, with what to do; never a value",
    {
        "delivery_no": DELIVERY_NO,
        "service_month": pa.text("Month it is about; null: any of the delivery's", nullable=True),
        "file": pa.text("Name of the file"),
        "line": pa.whole("First line it is in; null if it is about no line", nullable=True),
        "column_name": pa.text("Column; null if it is about none", nullable=True),
        "problem": pa.text("Short code of the problem"),
        "what": pa.text("The problem as a sentence"),
        "remedy": pa.text("What to do about it"),
        "rows": pa.whole("In how many rows"),
    },
)

MENTION = pa.table(
    "What a reader of the delivery should know though nothing is wrong",
    {
        "delivery_no": DELIVERY_NO,
        "file": pa.text("Name of the file"),
        "what": pa.text("A sentence"),
    },
)

STORED: dict[str, pa.DataFrameSchema] = {
    "delivery": DELIVERY,
    "file": FILE,
    "expected": EXPECTED,
    "receipt": RECEIPT,
    "cannula": CANNULA,
    "protocol_version": PROTOCOL_VERSION,
    "trips": TRIPS,
    **{name: _child(name) for name in CHILD_TABLES},
    "training": TRAINING,
    "expected_trip": EXPECTED_TRIP,
    "lost": LOST,
    "set_aside": SET_ASIDE,
    "doubtful": DOUBTFUL,
    "mention": MENTION,
}
"""Schema of every table in `delivered`, by name, in the order they are created."""


def stored_as(table: str) -> str:
    """The table of `delivered` that keeps the rows of a table of the contract."""
    return "expected_trip" if table == "expected" else table
