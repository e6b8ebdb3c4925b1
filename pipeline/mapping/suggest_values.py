"""What a column's values look like: numbers, times and their format, few codes or many texts."""

from __future__ import annotations

import re
from dataclasses import field

from pipeline.mapping.clocks import ISO_DATE, ISO_TIME
from schemas.mapping import SLOT
from schemas.record import dataclass

MOST_CODES = 12
LONGEST_CODE = 24
NUMBER = re.compile(r"-?[0-9]+([.,][0-9]+)?")
CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}(:[0-9]{2})?")
DATE = re.compile(
    r"(?P<a>[0-9]{1,2})(?P<mark>[./-])(?P<b>[0-9]{1,2})(?P=mark)(?P<y>[0-9]{4}|[0-9]{2})"
    r"(?P<gap> ?)(?P<time>[0-9]{1,2}:[0-9]{2}(:[0-9]{2})?)?( ?(?P<half>[AaPp][Mm]))?"
)
TOKEN = re.compile(r"[0-9a-f]{12,64}")


@dataclass
class Column:
    """One column of theirs: its name, a name with {n} if it is one of a row of them, a sample."""

    name: str
    template: str
    values: list[str] = field(default_factory=list)
    slots: list[int] = field(default_factory=list)

    @property
    def plain(self) -> str:
        """Its name without a number at the end."""
        return self.template.removesuffix(SLOT).rstrip(" _-")

    @property
    def filled(self) -> list[str]:
        """The sample without empty cells."""
        return [value for value in self.values if value]

    @property
    def is_number(self) -> bool:
        """Whether every value is a number."""
        return bool(self.filled) and all(NUMBER.fullmatch(value) for value in self.filled)

    @property
    def decimal(self) -> str | None:
        """The decimal mark that is used, if one is."""
        marks = {mark for value in self.filled for mark in ",." if mark in value}
        return marks.pop() if self.is_number and len(marks) == 1 else None

    @property
    def range(self) -> tuple[float, float]:
        """Smallest and largest number."""
        numbers = [float(value.replace(",", ".")) for value in self.filled]
        return min(numbers), max(numbers)

    @property
    def is_clock(self) -> bool:
        """Whether every value looks like 10:35, a time of day or a duration."""
        return bool(self.filled) and all(CLOCK.fullmatch(value) for value in self.filled)

    @property
    def codes(self) -> list[str]:
        """Its distinct values, if there are few and short ones and they recur."""
        distinct = sorted(set(self.filled))
        few = len(distinct) <= MOST_CODES and len(distinct) * 2 <= len(self.filled)
        return distinct if few and all(len(value) <= LONGEST_CODE for value in distinct) else []

    @property
    def are_tokens(self) -> bool:
        """Whether every value looks like a keyed hash already."""
        return bool(self.filled) and all(TOKEN.fullmatch(value) for value in self.filled)

    def time_format(self) -> tuple[list[str], str]:
        """Formats that fit every value, and why; several if they cannot be told apart."""
        if not self.filled:
            return [], "the sample has no value"
        if all(re.fullmatch(ISO_TIME, v) or re.fullmatch(ISO_DATE, v) for v in self.filled):
            return ["iso"], "the values are written by ISO 8601"
        found = [DATE.fullmatch(value) for value in self.filled]
        matches = [match for match in found if match]
        shapes = {_shape(match) for match in matches}
        if len(matches) < len(found) or len(shapes) > 1:
            return [], "the values are of no one format that is known here"
        before, after = shapes.pop()
        first = max(int(match["a"]) for match in matches)
        second = max(int(match["b"]) for match in matches)
        days_first, months_first = before + after, _swapped(before) + after
        if (first > 12) == (second > 12):
            return [days_first, months_first], "day and month cannot be told apart"
        if first > 12:
            return [days_first], "a first number above 12 says that days come first"
        return [months_first], "a second number above 12 says that months come first"


def _shape(match: re.Match[str]) -> tuple[str, str]:
    mark, year = match["mark"], "%Y" if len(match["y"]) == 4 else "%y"
    after = ""
    if match["time"]:
        hour = "%I" if match["half"] else "%H"
        after = match["gap"] + hour + ":%M" + (":%S" if match["time"].count(":") == 2 else "")
    if match["half"]:
        after += (" " if match[0][-3] == " " else "") + "%p"
    return f"%d{mark}%m{mark}{year}", after


def _swapped(date: str) -> str:
    return date.replace("%d", "%?").replace("%m", "%d").replace("%?", "%m")
