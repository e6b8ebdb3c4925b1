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


def _column(dtype: Any, description: str, *, nullable: bool = False, sql: str | None = None) -> Any:
    return pa.Column(
        dtype, nullable=nullable, description=description, metadata={"sql": sql} if sql else None
    )


def _whole(description: str, *, nullable: bool = False) -> Any:
    return _column(dt.int32, description, nullable=nullable)


def _text(description: str, *, nullable: bool = False) -> Any:
    return _column(dt.string, description, nullable=nullable)


def _texts(description: str) -> Any:
    # pandera's ibis engine has no list type: the SQL type is stated and the dtype left unchecked
    return _column(None, description, sql="VARCHAR[]")


def _schema(description: str, columns: dict[str, Any]) -> pa.DataFrameSchema:
    return pa.DataFrameSchema(columns, strict=True, description=description)


def _resolution(table: str) -> Any:
    return _column(
        dt.int16,
        f"How finely {table} recorded times, 1 or 60 s; null if not delivered",
        nullable=True,
    )


DELIVERY_NO = _whole("Number of the delivery in this store, from 1 in order of arrival")
TRIP_KEY = _whole("Key of one delivered content of one trip, unique in the store")
LINE = _whole("Line of the file the row began on; the header is line 1 (Parquet: row number + 1)")


def _contract_columns(table: str) -> dict[str, Any]:
    return dict(contract.TABLES[table].to_schema().columns)


def _child(table: str) -> pa.DataFrameSchema:
    columns = _contract_columns(table)
    del columns["trip_id"]
    return _schema(
        f"Rows of {table} that were kept, of every delivery",
        {"trip_key": TRIP_KEY, "line": LINE, **columns},
    )


DELIVERY = _schema(
    "One delivery as it was received",
    {
        "delivery_no": DELIVERY_NO,
        "content_hash": _text("SHA-256 over the bytes of every file that was read"),
        "service": _text("Token of the service"),
        "contract": _whole("Version of the export contract"),
        "privacy_basis": _text("On what basis the service may share the export"),
        "months": _texts("Service months the delivery covers, sorted"),
        **{f"res_{name}": _resolution(name) for name in ["trips", *TIMED_TABLES]},
        "max_offset_s": _whole("Largest offset of a device clock that is removed, s"),
        "not_recorded": _texts("Tables the service does not keep, sorted"),
        "confidentiality": _text("The service's own statement; null: none", nullable=True),
    },
)

FILE = _schema(
    "Every file of a delivery that was read",
    {
        "delivery_no": DELIVERY_NO,
        "file": _text("Name of the file"),
        "sha256": _text("SHA-256 of its bytes"),
        "rows_read": _whole("Rows in it; null for settings files", nullable=True),
        "rows_kept": _whole("Rows kept of them; null for settings files", nullable=True),
    },
)

EXPECTED = _schema(
    "Trips that the dispatch log says there should be",
    {
        "delivery_no": DELIVERY_NO,
        "month": _text("Service month"),
        "trips": _whole("Number of trips expected"),
    },
)

EXPECTED_TRIP = _schema(
    "Rows of the dispatch log's list that were kept, of every delivery",
    {"delivery_no": DELIVERY_NO, "line": LINE, **_contract_columns("expected")},
)

RECEIPT = _schema(
    "Each time a delivery became the latest word; the same bytes may come again after others",
    {
        "receipt_no": _whole("Order of receipt, from 1"),
        "delivery_no": DELIVERY_NO,
    },
)

CANNULA = _schema(
    "The catalogue as it came with each delivery",
    {
        "delivery_no": DELIVERY_NO,
        "id": _text("Catalogue id"),
        "family": _text("Kind of cannula"),
        "size_rank": _whole("Order of sizes within the family"),
        "label": _text("The service's own label"),
        "prong_od_mm": _column(dt.float64, "Outer diameter of a prong, mm", nullable=True),
        "flow_min_lpm": _column(dt.float64, "Lowest flow it is for, L/min"),
        "flow_max_lpm": _column(dt.float64, "Highest flow it is for, L/min"),
        "weight_min_kg": _column(dt.float64, "Lowest weight it is for, kg", nullable=True),
        "weight_max_kg": _column(dt.float64, "Highest weight it is for, kg", nullable=True),
        "carried": _column(dt.boolean, "Whether the service carries this size"),
    },
)

PROTOCOL_VERSION = _schema(
    "Every version of the protocol; a version that was later approved has a second row",
    {
        "protocol_no": _whole("Order in which the store met it, from 1"),
        "id": _text("The service's id of the version"),
        "from_month": _text("First service month it is in force"),
        "content": _text("The version as canonical JSON, every field written out"),
        "approved_by": _text("Token of who approved it", nullable=True),
        "approved_month": _text("Month of approval", nullable=True),
        "service": _text("Token of the service"),
    },
)

TRIPS = _schema(
    "Rows of trips that were kept, of every delivery",
    {
        "trip_key": TRIP_KEY,
        "delivery_no": DELIVERY_NO,
        "line": LINE,
        **_contract_columns("trips"),
    },
)

TRAINING = _schema(
    "Rows of training that were kept, of every delivery",
    {"delivery_no": DELIVERY_NO, "line": LINE, **_contract_columns("training")},
)

LOST = _schema(
    "Rows set aside that belong to a kept trip: what they said is unknown, not absent",
    {
        "trip_key": TRIP_KEY,
        "table_name": _text("Table the row was meant for"),
        "line": LINE,
        "at_s": _whole("Its time, s; null if that could not be read", nullable=True),
    },
)

SET_ASIDE = _schema(
    "Every row set aside, with what was wrong and what to do; never a value",
    {
        "delivery_no": DELIVERY_NO,
        "trip_key": _whole("Trip it belongs to; null if none was kept", nullable=True),
        "service_month": _text("Month of that trip, or of the row itself", nullable=True),
        "file": _text("Name of the file"),
        "line": LINE,
        "column_name": _text("Column; null if the whole row is at fault", nullable=True),
        "problem": _text("Short code of the problem"),
        "what": _text("The rule it broke, as a sentence"),
        "remedy": _text("What to do about it"),
    },
)

DOUBTFUL = _schema(
    "What is legal in a delivery and hardly true: kept, with what to do; never a value",
    {
        "delivery_no": DELIVERY_NO,
        "service_month": _text("Month it is about; null: any of the delivery's", nullable=True),
        "file": _text("Name of the file"),
        "line": _whole("First line it is in; null if it is about no line", nullable=True),
        "column_name": _text("Column; null if it is about none", nullable=True),
        "problem": _text("Short code of the problem"),
        "what": _text("The problem as a sentence"),
        "remedy": _text("What to do about it"),
        "rows": _whole("In how many rows"),
    },
)

MENTION = _schema(
    "What a reader of the delivery should know though nothing is wrong",
    {
        "delivery_no": DELIVERY_NO,
        "file": _text("Name of the file"),
        "what": _text("A sentence"),
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
