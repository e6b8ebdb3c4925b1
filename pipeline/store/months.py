"""Months: which the store has trips of and which its folder has pages of."""

from __future__ import annotations

import re
from pathlib import Path

from schemas.connection import Connection


def months_in_store(con: Connection) -> list[str]:
    """Every service month of the trips whose content holds, sorted."""
    rows = con.execute("""
        SELECT DISTINCT service_month FROM delivered.holding JOIN delivered.trips USING (trip_key)
        ORDER BY 1""").fetchall()
    return [month for (month,) in rows]


def months_drawn(folder: Path, *more: str) -> list[str]:
    """The months whose pages lie in the store's folder, and `more` of them, sorted."""
    pages = folder.glob("*/index.html") if folder.is_dir() else []
    names = (page.parent.name for page in pages)
    return sorted({*more, *(name for name in names if re.fullmatch(r"\d{4}-\d{2}", name))})
