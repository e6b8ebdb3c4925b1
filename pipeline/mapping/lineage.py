"""What a view is made from: which files and other views its SELECT names, and by whose clock."""

from __future__ import annotations

import re
from collections.abc import Iterable

from schemas.mapping import MappingFile, View, shift_s

Clock = tuple[str | None, int]
"""The time zone of times without an offset, and the seconds that make a clock right."""


def reads(view: View, names: Iterable[str]) -> list[str]:
    """Those of the names that a view's SELECT mentions."""
    return [name for name in names if mentions(view.sql, name)]


def mentions(sql: str, name: str) -> bool:
    """Whether a name stands in a text of SQL, which does not look at case."""
    written = re.escape(name.replace('"', '""'))
    return re.search(rf"(?<!\w){written}(?!\w)", sql, re.IGNORECASE) is not None


def needed_views(mapping: MappingFile) -> tuple[list[str], list[str]]:
    """The views that tables are made from, those they read first, and all files that they read."""
    wanted = [t.from_ for t in mapping.tables.values() if t.from_ in mapping.views]
    order: list[str] = []

    def visit(name: str, above: tuple[str, ...]) -> None:
        if name in order or name in above:
            return
        for under in reads(mapping.views[name], mapping.views):
            visit(under, (*above, name))
        order.append(name)

    for name in wanted:
        visit(name, ())
    files = {file: None for name in order for file in reads(mapping.views[name], mapping.files)}
    return order, list(files)


def files_below(mapping: MappingFile, name: str, above: tuple[str, ...] = ()) -> set[str]:
    """The files that a view reads, by itself or through others."""
    view = mapping.views[name]
    found = set(reads(view, mapping.files))
    for under in reads(view, mapping.views):
        if under != name and under not in above:
            found |= files_below(mapping, under, (*above, name))
    return found


def clocks_of(mapping: MappingFile, name: str) -> set[Clock]:
    """The clocks of what a view is made from, or of a file; its own where a view states one."""
    stated = mapping.files.get(name) or mapping.views[name]
    own = (stated.time_zone or mapping.time_zone, shift_s(stated.clock_shift))
    if name in mapping.files or stated.time_zone or stated.clock_shift:
        return {own}
    below = [mapping.files[file] for file in files_below(mapping, name)]
    return {(f.time_zone or mapping.time_zone, shift_s(f.clock_shift)) for f in below} or {own}
