"""`tailrace desk`: what is checked before the desk is opened."""

from __future__ import annotations

import re
from pathlib import Path

from pipeline.errors import refused, usage
from pipeline.store.session import STORE


def desk(
    folder: Path, month: str | None, by: str | None, port: int | None, *, browser: bool
) -> None:
    """Open the desk of a store's folder, and serve it until it is ended.

    Refused without a store in which trips were judged; or by a name; Usage for a month or port
    that cannot be.
    """
    from pipeline.desk.held import Desk
    from pipeline.desk.server import run
    from pipeline.followup.screen_text import check_by
    from pipeline.kept_month import tool_version
    from pipeline.store.followup_tables import check_judged
    from pipeline.store.months import months_in_store

    check_by(by)
    if month is not None and not re.fullmatch(r"\d{4}-\d{2}", month):
        raise usage("usage", "--month", "a month is written YYYY-MM", remedy="Write it so.")
    if not (folder / STORE).exists():
        raise refused("store-missing", str(folder / STORE), "there is no store here")
    held = Desk(folder, month)
    with held.reading() as con:
        check_judged(con)
        months = months_in_store(con)
    if month is not None and month not in months:
        remedy = f"Name one of {', '.join(months)}."
        raise usage("month-without-trips", "--month", f"there are no trips of {month}",
                    remedy=remedy)  # fmt: skip
    held.begin()
    run(held, by, port, tool_version(), browser=browser)
