"""scipy.special, imported once one of its functions is asked for: it takes as long as a page."""

from typing import Any


def __getattr__(name: str) -> Any:
    from pipeline.statistics.compiled import function

    found = globals()[name] = function(name)
    return found
