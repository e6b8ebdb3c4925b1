"""What a month's review is drawn as; the writers are loaded when one is asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reports.render.write import write_case_part, write_month, write_pages

__all__ = ["write_case_part", "write_month", "write_pages"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(name)
    from reports.render import write

    return getattr(write, name)
