"""Deliveries of unusual months: made by the simulator, then changed in their files."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

from pipeline.simulate import simulate

Rows = list[dict[str, str]]

# Whatever a token may be by the contract: up to 64 characters, none of them a control character,
# the first not one that a spreadsheet takes for the start of a formula.
TOKENS = {
    "trip": "<img src=x onerror=alert(1)>",
    "base": '"=HYPERLINK("x")</script><script>alert(2)</script>',
    "diagnosis": "\"'><b>bold</b>&amp;{{ 7*7 }}",
    "unit": "W" * 64,
    "hebrew": "\u05d1\u05e1\u05d9\u05e1 <i>",
    "cannula": "cannula & <svg onload=alert(3)>",
}
FORMULA = '=HYPERLINK("y")'
"""What a token may not be: a row with it is set aside."""
REFUSED = "refused-trip"


def change(file: Path, with_rows: Callable[[Rows], Rows]) -> None:
    """Rewrite a table of a delivery."""
    with file.open(encoding="utf-8", newline="") as lines:
        reader = csv.DictReader(lines)
        names, rows = list(reader.fieldnames or []), list(reader)
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(with_rows(rows))


def replace(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text, (file.name, old)
    file.write_text(text.replace(old, new), encoding="utf-8")


def no_ventilator(folder: Path) -> None:
    """No trip on the ventilator: blended gas instead, and nothing in any device log."""
    simulate(folder, trips=12, months=1, seed=5)
    replace(folder / "settings.csv", ",ventilator,", ",blender,")
    change(folder / "device_events.csv", lambda _: [])


def one_trip(folder: Path) -> None:
    simulate(folder, trips=1, months=1, seed=3)


def nothing_found(folder: Path) -> None:
    """Every rule kept on every trip: without plants a trip may still break one, so it is asked."""
    simulate(folder, trips=12, months=1, seed=11, plants=0.0, occlusions_per_100h=0.0)
    with (folder / "planted.csv").open(encoding="utf-8", newline="") as planted:
        verdicts = {row["verdict"] for row in csv.DictReader(planted)}
    assert verdicts == {"met", "not_applicable"}


def twelve(folder: Path) -> None:
    """As many bases and sizes as a service may have, and few trips for each."""
    simulate(folder, trips=60, months=2, seed=4, bases=12, sizes=12)


def no_logs(folder: Path) -> None:
    """No device log was downloaded."""
    simulate(folder, trips=12, months=1, seed=5)
    change(folder / "device_events.csv", lambda _: [])
    change(folder / "trips.csv", lambda rows: [{**r, "device_log": "none"} for r in rows])


def no_protocol(folder: Path) -> None:
    """The protocol begins later."""
    simulate(folder, trips=12, months=1, seed=5)
    replace(folder / "protocol.toml", 'from_month = "2026-01"', 'from_month = "2030-01"')


def hostile(folder: Path) -> None:
    """Tokens that try to be something other than text, as far as the contract lets them."""
    simulate(folder, trips=12, months=1, seed=5)
    trips: dict[str, str] = {}

    def renamed(rows: Rows) -> Rows:
        for row in rows:
            if row.get("trip_id"):
                n = len(trips)
                new = f"{TOKENS['trip']}{n}" if n % 2 else f"{TOKENS['hebrew']}{n}"
                row["trip_id"] = trips.setdefault(row["trip_id"], new)
            if "base" in row:
                row["base"] = TOKENS["base"] if row["base"] < "c" else TOKENS["hebrew"]
            if "diagnosis_group" in row:
                row["diagnosis_group"] = TOKENS["diagnosis"]
                row["ventilator_unit"], row["heater_unit"] = TOKENS["unit"], TOKENS["trip"]
        return rows

    for table in ("trips", "crew", "settings", "device_events", "observations", "contacts"):
        change(folder / f"{table}.csv", renamed)
    refused = {"trip_id": REFUSED, "base": FORMULA}
    change(folder / "trips.csv", lambda rows: [*rows, {**rows[-1], **refused}])
    catalogue = folder / "cannulas.toml"
    replace(catalogue, 'label = "prong 3', f'label = "{TOKENS["cannula"]} prong 3')
    replace(folder / "protocol.toml", 'text = "', 'text = "<img src=x onerror=alert(4)> ')


MONTHS: dict[str, Callable[[Path], None]] = {
    "no-ventilator": no_ventilator,
    "one-trip": one_trip,
    "nothing-found": nothing_found,
    "no-logs": no_logs,
    "twelve": twelve,
    "no-protocol": no_protocol,
    "hostile": hostile,
}
