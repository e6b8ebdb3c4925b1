"""Months: which the store has trips of and which its folder has pages of."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from pipeline.errors import usage
from schemas.connection import Connection


def months_in_store(con: Connection) -> list[str]:
    """Every service month of the trips whose content holds, sorted."""
    rows = con.execute("""
        SELECT DISTINCT service_month FROM delivered.holding JOIN delivered.trips USING (trip_key)
        ORDER BY 1""").fetchall()
    return [month for (month,) in rows]


def check_month(
    con: Connection, month: str, *, delivered: Sequence[str] = (), option: str = "--month"
) -> None:
    """Usage unless the store, or the delivery about to be loaded, has the month."""
    known = sorted({*months_in_store(con), *delivered})
    if month not in known:
        remedy = f"Write it as YYYY-MM; there are trips in {', '.join(known) or 'no month'}."
        what = f"there are no trips in {month}"
        raise usage("month-without-trips", option, what, remedy=remedy)


def months_drawn(folder: Path, *more: str) -> list[str]:
    """The months whose pages lie in the store's folder, and `more` of them, sorted."""
    pages = folder.glob("*/index.html") if folder.is_dir() else []
    names = (page.parent.name for page in pages)
    return sorted({*more, *(name for name in names if re.fullmatch(r"\d{4}-\d{2}", name))})
