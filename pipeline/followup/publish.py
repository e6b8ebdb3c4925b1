"""`tailrace publish`: freeze a month's figures and files in the store, and bring them back."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from pathlib import Path

from pipeline.errors import refused
from pipeline.errors.disk import after_storing
from pipeline.followup.readiness import check_ready
from pipeline.followup.screen_text import check_by
from pipeline.store.database import one, transaction
from pipeline.store.followup_tables import check_judged, ensure_followup_tables, insert, next_number
from pipeline.store.ledger import head, record_stored
from pipeline.store.months import check_month
from pipeline.store.recovery import ASSETS, COMES_AND_GOES, PUBLICATION, put_assets
from pipeline.store.session import store_in
from pipeline.store.whole import drawing, new_folder, take_place
from schemas.connection import Connection
from schemas.frame import Frame
from schemas.record import dataclass

Draw = Callable[["Connection", Path, str], "Frame"]
"""Writes a month's pages below a folder and returns its measures."""


@dataclass(frozen=True)
class Published:
    """What publishing did; `changed`, how many figures, is None at the first time.

    `times`: how often the month has been published, this time included.
    """

    month: str
    times: int
    new: bool
    files: int
    changed: int | None
    ledger_head: str


def publish(
    folder: Path,
    month: str,
    draw: Draw,
    version: str,
    by: str | None = None,
    *,
    anyway: bool = False,
) -> Published:
    """Draw the month's pages once more from the store, and keep their bytes and figures.

    Refused with the list of what is unread, open, overdue, restated, missing and undecided, unless
    `anyway`, which the ledger keeps.
    Nothing is stored if no figure has changed since the month was last published. The store has it
    in one transaction, then the pages take their place; if a kill comes between, the next command
    that opens the store gives it to them (`pipeline/store/recovery.py`).
    """
    check_by(by)
    with store_in(folder) as con:
        check_judged(con)
        check_month(con, month, option="MONTH")
        with transaction(con):
            ensure_followup_tables(con)
        over = check_ready(con, month, anyway=anyway)
        with drawing(folder) as aside:
            figures = draw(con, aside, month)
            parts = (aside / month, aside / ASSETS)
            files = sorted(p for part in parts for p in part.rglob("*") if p.is_file())
            with transaction(con):
                done = _store(con, month, figures, aside=aside, files=files, version=version, by=by,
                              over=over)  # fmt: skip
                if done.new:
                    put_assets(aside / ASSETS, folder / ASSETS)
            if done.new:
                with after_storing("the publication is", f"the folder {month} in its place"):
                    take_place(aside / month, folder / month, COMES_AND_GOES)
    return done


def reproduce(folder: Path, month: str, into: Path, time: int | None = None) -> int:
    """Write a published month below `into`, as published the `time`-th time or else last.

    Nothing is drawn again: the bytes were kept when it was published. Returns how many files.
    Refused if it was not published so often, or if the bytes in the store are not those
    published.
    """
    with store_in(folder, read_only=True) as con:
        numbers = _numbers(con, month)
        if not numbers:
            what = f"{month} has not been published"
            raise refused("not-published", None, what, column="MONTH")
        if time is not None and not 1 <= time <= len(numbers):
            what = f"{month} has been published {_times(len(numbers))}"
            remedy = f"Name a number from 1 to {len(numbers)}."
            raise refused("not-published", None, what, column="--time", remedy=remedy)
        number = numbers[-1 if time is None else time - 1]
        rows = con.execute(
            """SELECT path, sha256, packed FROM loop.published_file
               LEFT JOIN loop.file_content USING (sha256)
               WHERE publication_no = ? ORDER BY path""",
            [number],
        ).fetchall()
    with new_folder(into, "--reproduce") as made:
        for path, sha256, packed in rows:
            content = zlib.decompress(packed) if packed is not None else b""
            if hashlib.sha256(content).hexdigest() != sha256:
                what = f"the published file {path} is not as it was published"
                remedy = "Restore the store from a copy that verifies."
                raise refused("ledger-broken", None, what, remedy=remedy)
            target = made / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
    return len(rows)


def _store(
    con: Connection,
    month: str,
    figures: Frame,
    *,
    aside: Path,
    files: list[Path],
    version: str,
    by: str | None,
    over: dict[str, int],
) -> Published:
    ensure_followup_tables(con)
    number = next_number(con, "publication", "publication_no")
    changed = _changed(con, month, figures)
    times = len(_numbers(con, month))
    if changed == 0:
        return Published(month, times, False, len(files), 0, head(con))
    con.execute(
        """INSERT INTO loop.publication
           SELECT $1, $2, $3, $4,
                  (SELECT coalesce(max(determination_no), 0) FROM loop.determination),
                  (SELECT coalesce(max(correction_no), 0) FROM loop.correction)""",
        [number, month, by, version],
    )
    con.register("figures_now", figures.for_database())
    con.execute(
        """INSERT INTO loop.published_figure
           SELECT $1, measure, group_by, group_value, numerator, denominator, unit, estimate,
                  low, high FROM figures_now WHERE month = $2
           ORDER BY measure, group_by, group_value""",
        [number, month],
    )
    con.unregister("figures_now")
    con.execute(_VERDICTS, [number, month])
    for path in files:
        content = path.read_bytes()
        name = hashlib.sha256(content).hexdigest()
        place = path.relative_to(aside).as_posix()
        insert(con, "published_file", [(number, place, name)])
        if one(con, "SELECT count(*) FROM loop.file_content WHERE sha256 = ?", [name]) == (0,):
            insert(con, "file_content", [(name, zlib.compress(content, 6))])
    (aside / PUBLICATION).write_text(str(number), encoding="ascii")
    record_stored(con, "publication", number, {
        "month": month, "by": by, "files": len(files), "anyway": over or None,
    })  # fmt: skip
    return Published(month, times + 1, True, len(files), changed, head(con))


def _numbers(con: Connection, month: str) -> list[int]:
    """Numbers of the month's publications, the first one first."""
    from pipeline.store.followup_tables import has_followup_tables

    if not has_followup_tables(con):
        return []
    rows = con.execute(
        "SELECT publication_no FROM loop.publication WHERE month = ? ORDER BY ALL", [month]
    ).fetchall()
    return [int(number) for (number,) in rows]


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _changed(con: Connection, month: str, figures: Frame) -> int | None:
    """How many figures differ from the last publication; None if there is none."""
    numbers = _numbers(con, month)
    if not numbers:
        return None
    con.register("figures_now", figures.for_database())
    (count,) = one(con, _DIFFERING, [month, numbers[-1]])
    con.unregister("figures_now")
    return int(count)


_DIFFERING = """
    SELECT count(*) FROM (
        SELECT * FROM figures_now WHERE month = $1) n
    FULL JOIN (SELECT * FROM loop.published_figure WHERE publication_no = $2) w
        USING (measure, group_by, group_value)
    WHERE n.numerator IS DISTINCT FROM w.numerator
       OR n.denominator IS DISTINCT FROM w.denominator
       OR n.estimate IS DISTINCT FROM w.estimate
"""

_VERDICTS = """
    INSERT INTO loop.published_verdict
    SELECT $1, t.trip_id, t.trip_key, v.rule, v.verdict
    FROM delivered.holding h
    JOIN delivered.trips t USING (trip_key)
    LEFT JOIN judged.verdict v ON v.trip_key = h.trip_key
    WHERE t.service_month = $2 ORDER BY ALL
"""


def published_words(done: Published) -> str:
    """What publishing did, for the terminal."""
    if not done.new:
        return f"{done.month} was published before, and no figure has changed since."
    again = ""
    if done.changed is not None:
        figures = "1 figure has" if done.changed == 1 else f"{done.changed} figures have"
        again = f" again, for the {_ordinal(done.times)} time; {figures} changed since"
    return (
        f"{done.month} is published{again}: {done.files} files are kept in the store.\n"
        f"The ledger now ends with {done.ledger_head}; keep this hash outside the store."
    )


def _ordinal(number: int) -> str:
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if number % 100 in (11, 12, 13) else ending}"
