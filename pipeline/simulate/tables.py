"""CSV files, written chunk by chunk from arrays; text exists only inside DuckDB."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.simulate.calls import ABOUT, MEDICAL_DIRECTION
from pipeline.simulate.catalogue import BASE_NAMES, Setup
from pipeline.simulate.draws import Ints
from pipeline.simulate.lengths import VERDICTS
from pipeline.simulate.service import DIAGNOSES
from schemas.contract import (
    AUTHORISATIONS,
    BEHAVIOURS,
    CARE,
    CONTACTED,
    DEVICE_EVENTS,
    DEVICE_LOGS,
    HUMIDIFICATIONS,
    OUTCOMES,
    REASONS,
    SOURCES,
    SUPPORTS,
    VEHICLES,
)
from schemas.record import dataclass


def _coded(column: str, names: Sequence[str]) -> str:
    """SQL for the text of a code: the names from 1 on, null for 0."""
    return f"[{', '.join(repr(name) for name in names)}][{column}]"


def _number(column: str, divisor: int = 1) -> str:
    """SQL for a number kept as a multiple; null where negative."""
    shown = column if divisor == 1 else f"{column} / {divisor}"
    return f"CASE WHEN {column} >= 0 THEN {shown} END"


TRIP_ID = "'T' || lpad(CAST(trip AS VARCHAR), 7, '0')"
AT_S = "minute * 60"


def trip_id(trip: int) -> str:
    """Return the token of the trip with this number."""
    return f"T{trip:07d}"


def _trips(months: Sequence[str], cannulas: Sequence[str]) -> dict[str, str]:
    return {
        "trip_id": TRIP_ID,
        "service_month": _coded("month + 1", months),
        "base": _coded("base + 1", BASE_NAMES),
        "vehicle": _coded("vehicle + 1", VEHICLES),
        "age_months": "age",
        "weight_kg": _number("weight10", 10),
        "diagnosis_group": _coded("diagnosis + 1", DIAGNOSES),
        "planned_transit_min": _number("planned"),
        "sending_cannula": _coded("sending_cannula + 1", cannulas),
        "sending_flow_lpm": _number("sending_flow10", 10),
        "sending_fio2": _number("sending_fio2", 100),
        "departed_s": _number("departed_s"),
        "arrived_s": "arrived_s",
        "handover_s": _number("handover_s"),
        "outcome": _coded("outcome", OUTCOMES),
        "device_log": _coded("device_log", DEVICE_LOGS),
        "spo2_exempt": "CASE exempt WHEN 0 THEN 'false' WHEN 1 THEN 'true' END",
        "service_seq": "trip",
        "ventilator_unit": f"CASE WHEN unit > 0 THEN 'V-' || {_coded('base + 1', BASE_NAMES)}"
        " || '-' || unit END",
        "heater_unit": f"'H-' || {_coded('base + 1', BASE_NAMES)} || '-' || heater",
        "outcome_24h": _coded("later", OUTCOMES),
        "blend_ordered": "CASE blend WHEN 0 THEN 'false' WHEN 1 THEN 'true' END",
    }


EXPECTED = "expected"
CANNULA = "cannula"
OTHER_TABLES: dict[str, dict[str, str]] = {
    "crew": {
        "trip_id": TRIP_ID,
        "crew_member": f"'C-' || {_coded('base + 1', BASE_NAMES)} || '-' || member",
        "role": "['lead', 'second'][place]",
    },
    "settings": {
        "trip_id": TRIP_ID,
        "at_s": AT_S,
        "support": _coded("support", SUPPORTS),
        "source": _coded("source", SOURCES),
        "flow_lpm": _number("flow10", 10),
        "fio2": _number("fio2", 100),
        "humidification": _coded("humidification", HUMIDIFICATIONS),
        CANNULA: "",
        "reason": _coded("reason", REASONS),
    },
    "device_events": {
        "trip_id": TRIP_ID,
        "at_s": "at_s",
        "event": _coded("event", DEVICE_EVENTS),
        "pressure_cmh2o": _number("pressure"),
        "cutoff_s": _number("cutoff"),
    },
    "observations": {
        "trip_id": TRIP_ID,
        "at_s": AT_S,
        "spo2_pct": _number("spo2"),
        "resp_rate": _number("resp"),
        "heart_rate": _number("heart"),
        "behaviour": _coded("behaviour", BEHAVIOURS),
        "care": _coded("care", CARE),
    },
    "contacts": {
        "trip_id": TRIP_ID,
        "at_s": AT_S,
        "contacted": _coded("contacted", CONTACTED),
        "about": _coded("about", ABOUT),
        "authorised": _coded("authorised", AUTHORISATIONS),
        "authorised_by": "CASE WHEN authorised > 0 THEN"
        f" if(contacted = {MEDICAL_DIRECTION}, 'D', 'L') || allowed_by END",
    },
    EXPECTED: {"trip_id": TRIP_ID, "service_month": "", "base": _coded("base + 1", BASE_NAMES)},
    "planted_clock": {"trip_id": TRIP_ID, "offset_s": "offset_s"},
}


def columns(table: str, months: Sequence[str], setup: Setup) -> dict[str, str]:
    """Return a table's columns in order: name and the SQL that writes it from the arrays."""
    cannulas = (*(size.id for size in setup.sizes), "older-3")
    if table == "trips":
        return _trips(months, cannulas)
    found = dict(OTHER_TABLES[table])
    if table == EXPECTED:
        found["service_month"] = _coded("month + 1", months)
    if CANNULA in found:
        found[CANNULA] = _coded(CANNULA, cannulas)
    return found


@dataclass(frozen=True)
class Edit:
    """A line put before this row of a chunk, or in its place; made from the chunk's lines."""

    row: int
    make: Callable[[list[str]], str]
    replaces: bool


class Writer:
    """One CSV file that grows chunk by chunk."""

    def __init__(self, connection: Any, path: Path, shown: dict[str, str]) -> None:
        self.connection = connection
        self.path = path
        self.part = path.with_name(path.name + ".part")
        self.select = ", ".join(f'{sql} AS "{name}"' for name, sql in shown.items())
        self.lines = 1
        path.write_text(",".join(shown) + "\n", encoding="utf-8", newline="")

    def append(self, arrays: dict[str, Ints], edits: Sequence[Edit] = ()) -> None:
        """Add rows in order, with `edits` (sorted by row) made to their lines."""
        count = len(next(iter(arrays.values())))
        self.lines += count + sum(not edit.replaces for edit in edits)
        if count:
            self._write_part(arrays)
        else:
            self.part.write_bytes(b"")
        if edits:
            self._edit(edits)
        with self.path.open("ab") as whole, self.part.open("rb") as part:
            while block := part.read(1 << 22):
                whole.write(block)
        self.part.unlink()

    def _write_part(self, arrays: dict[str, Ints]) -> None:
        self.connection.register(
            "arrays", {name: np.ascontiguousarray(a) for name, a in arrays.items()}
        )
        target = str(self.part).replace("'", "''")
        self.connection.execute(
            f"COPY (SELECT {self.select} FROM arrays) TO '{target}' (FORMAT csv, HEADER false)"
        )
        self.connection.unregister("arrays")

    def _edit(self, edits: Sequence[Edit]) -> None:
        lines = self.part.read_text(encoding="utf-8").split("\n")[:-1]
        made = [edit.make(lines) for edit in edits]
        for edit, text in reversed(list(zip(edits, made, strict=True))):
            lines[edit.row : edit.row + edit.replaces] = [text]
        self.part.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="")


class PlantedWriter(Writer):
    """planted.csv: each trip by each rule."""

    def __init__(self, connection: Any, path: Path, rules: Sequence[str]) -> None:
        super().__init__(connection, path, {"trip_id": "", "rule": "", "verdict": ""})
        names = ", ".join(repr(rule) for rule in rules)
        codes = ", ".join(f"v{k}" for k in range(len(rules)))
        verdicts = ", ".join(repr(name) for name in VERDICTS)
        self.select = (
            f"{TRIP_ID}, unnest([{names}]),"
            f" unnest(list_transform([{codes}], lambda code: [{verdicts}][code]))"
        )
