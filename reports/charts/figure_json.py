"""Figures on their way into a page: as JSON that stays data, and what their keys must explain."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from typing import Any


def safe_json(value: Any) -> Any:
    """JSON that cannot leave a script element, whatever its strings hold, as markup."""
    from markupsafe import Markup

    dumped = json.dumps(value, sort_keys=True, ensure_ascii=True, separators=(",", ":"))
    for char in "<>&":
        dumped = dumped.replace(char, f"\\u{ord(char):04x}")
    return Markup(dumped)


def variants(
    figure: Callable[[int], dict[str, Any]], widths: Iterable[tuple[int, int]]
) -> list[dict[str, Any]]:
    """A figure in layouts for (least width in px, columns); its data, the same in all, once."""
    found = [{"least": least, **figure(columns)} for least, columns in widths]
    for variant in found[1:]:
        del variant["data"]
    return found


def has_arrow_heads(variants: list[dict[str, Any]]) -> bool:
    """Whether anything drawn runs on past the axis, and its key must say so."""
    drawn = next(variant["data"] for variant in reversed(variants) if "data" in variant)
    symbols = (str(trace.get("marker", {}).get("symbol")) for trace in drawn)
    return any(symbol.startswith("triangle") for symbol in symbols)
