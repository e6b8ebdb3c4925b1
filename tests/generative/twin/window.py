"""The review window: from the first setting to hand-over, or to another kind of support."""

from __future__ import annotations

from dataclasses import dataclass

from .model import Case, Setting


@dataclass(frozen=True)
class Window:
    """The known part [start, end) of the review window.

    `open`: no hand-over time, so whatever follows `end` is unknown without bound.
    `at_handover`: the window ends at hand-over. `support_ended`: other support was charted.
    """

    start: int
    end: int
    open: bool
    at_handover: bool
    support_ended: bool

    def holds(self, at_s: int) -> bool:
        """Whether a moment lies in the known part."""
        return self.start <= at_s < self.end


def review_window(case: Case) -> Window | None:
    """The trip's review window; None where no setting has a readable time."""
    if not case.settings:
        return None
    start = case.settings[0].at_s
    handover = case.trip["handover_s"]
    support_end = other_support_from(case.settings)
    ended = support_end is not None
    if handover is None:
        end = case.settings[-1].at_s if support_end is None else support_end
        return Window(start, end, open=True, at_handover=False, support_ended=ended)
    end = handover if support_end is None else min(handover, support_end)
    return Window(start, end, open=False, at_handover=end == handover, support_ended=ended)


def other_support_from(settings: list[Setting]) -> int | None:
    """First second whose charted support is not high flow; of one second the last row holds."""
    holding: dict[int, str] = {}
    for setting in settings:
        if setting.row is not None and setting.row["support"] is not None:
            holding[setting.at_s] = setting.row["support"]
    others = [at_s for at_s, support in holding.items() if support != "high_flow"]
    return min(others, default=None)


def settings_that_count(case: Case, window: Window) -> list[Setting]:
    """The settings that extend knowledge: none at or after the end.

    Where a trip is open because nothing ended it, its last setting stands exactly at the end
    of what is known and still tells what went before it.
    """
    if window.open and not window.support_ended:
        return case.settings
    return [setting for setting in case.settings if setting.at_s < window.end]
