"""How long the desk's list, its cases and its saves take on two years of a large service.

    python -m tests.bench.desk make FOLDER [TRIPS] [MONTHS]
    python -m tests.bench.desk [FOLDER]

`make` simulates a service (3,000 trips a month over 24 months), reviews it, and concludes 97 of 100
cases of every month but the last, each second reading with them. The second line opens the desk on
it without a browser, and prints medians: wall seconds, and processor seconds, which a busy machine
does not lengthen. It stores some answers in FOLDER.
"""

from __future__ import annotations

import re
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.followup.answers import check_answers
from pipeline.followup.determine import store_answers
from pipeline.followup.sheets import Row, Sheet
from pipeline.judging.versions import versions_in_store
from pipeline.month.cases import cases, month_words
from pipeline.review import review
from pipeline.simulate import simulate
from pipeline.store.database import transaction
from pipeline.store.session import store_in
from tests.desk.visiting import Visit, opened

if TYPE_CHECKING:
    import duckdb

READ_OF_100 = 97
TIMES = 15


def make(folder: Path, trips: int = 72_000, months: int = 24) -> None:
    """Make the service's store with its answers."""
    simulate(folder / "delivery", trips=trips, months=months, seed=1)
    review(folder / "delivery", folder / "pages", by="C1")
    with store_in(folder / "pages") as con:
        known = con.execute("SELECT DISTINCT service_month FROM judged.trip_window ORDER BY 1")
        for (month,) in known.fetchall()[:-1]:
            month_words(con, versions_in_store(con), month)
            cases(con, versions_in_store(con), month)
            found = con.execute("""SELECT trip_id, rules FROM month_case
                WHERE kind = 'read' AND rules IS NOT NULL ORDER BY reading_order""").fetchall()
            _answer(con, month, "R1", found[: len(found) * READ_OF_100 // 100])
            asked = con.execute("""SELECT key FROM loop.standing
                WHERE thing = 'second_reading' AND state = 'asked'""").fetchall()
            _answer(con, month, "R2", [row for row in found if (row[0],) in asked])


def _answer(
    con: duckdb.DuckDBPyConnection, month: str, by: str, found: Sequence[tuple[str, str]]
) -> None:
    rows = [Row(line, {"trip_id": trip, "rules": rules, "conclusion": "holds", "status": "closed",
                       "contributed": "logistics", "note": "Read.", "reviewer": by})
            for line, (trip, rules) in enumerate(found, start=1)]  # fmt: skip
    sheet = Sheet(f"{month} {by}", f"{month} {by}", rows)
    with transaction(con):
        store_answers(con, check_answers(con, sheet, by), sheet, "determinations", by)


def measure(folder: Path) -> None:
    """Print the medians of each kind of page and of saving."""
    here = Visit.of(opened(folder), "R3")
    page = here.get("/")
    sentence = re.findall(r'id="list-heading">([^<]*)<', page)[0]
    trips = list(dict.fromkeys(re.findall(r'href="/case\?trip=([^"&]+)"', page)))[:TIMES]
    held = here.ask("SELECT count(*) FROM judged.trip_window")[0][0]
    print(f"{held} trips held, medians of {TIMES}. {sentence}")
    _timed("list", [partial(here.get, "/")] * TIMES)
    _timed("case", [partial(here.get, f"/case?trip={trip}") for trip in trips])
    said = {"_all": "holds", "status": "closed", "note": "Read.", "go": "next"}
    forms = [here.case(trip, **said) for trip in trips]
    here.send("/draft", forms[0])
    _timed("save", [partial(here.kept, "/case", form) for form in forms])
    _timed("next", [partial(here.client.get, f"/next?trip={trip}") for trip in trips])


def _timed(name: str, asked: Sequence[Callable[[], object]]) -> None:
    walls, processor = [], []
    for ask in asked:
        wall, own = time.perf_counter(), time.process_time()
        ask()
        walls.append(time.perf_counter() - wall)
        processor.append(time.process_time() - own)
    for what, seconds in (("by the clock", walls), ("of the processor", processor)):
        median, least = statistics.median(seconds), min(seconds)
        print(f"{name}, {what}: median {median:.2f} s, least {least:.2f} s")


if __name__ == "__main__":
    if sys.argv[1] == "make":
        make(Path(sys.argv[2]), *map(int, sys.argv[3:]))
    else:
        measure(Path(sys.argv[1]))
