"""What a figure drawn without a browser is made of: strokes, areas, dots and letters, in px.

Places are (x, y) with y upwards from the lower edge; what has the higher level lies on top.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from schemas.record import dataclass

Point = tuple[float, float]

DASHES = {"dash": (6.0, 4.0), "dot": (1.5, 2.5)}
"""Drawn and left out, in widths of the line."""

OUTLINES: dict[str, tuple[Point, ...]] = {
    "diamond": ((0, 0.51), (0.51, 0), (0, -0.51), (-0.51, 0)),
    "square": ((-0.43, 0.43), (0.43, 0.43), (0.43, -0.43), (-0.43, -0.43)),
    "triangle-right": ((0.5, 0), (-0.5, 0.5), (-0.5, -0.5)),
    "triangle-up": ((0, 0.5), (-0.5, -0.5), (0.5, -0.5)),
}
"""Corners of the marks that are no circle, about their middle, beside a circle one wide."""


@dataclass(frozen=True)
class Stroke:
    """A line through points; `dash` names one of DASHES or is empty."""

    points: tuple[Point, ...]
    color: str
    width: float
    dash: str = ""
    level: float = 2.0


@dataclass(frozen=True)
class Area:
    """A filled outline."""

    points: tuple[Point, ...]
    fill: str
    level: float


@dataclass(frozen=True)
class Dot:
    """A circle, or one of OUTLINES, about a point; without `fill` only its rim is seen."""

    at: Point
    form: str
    size: float
    fill: str | None
    rim: float
    rim_color: str
    level: float = 3.0

    @property
    def corners(self) -> tuple[Point, ...]:
        """Of what is no circle; of a circle none."""
        x, y = self.at
        return tuple((x + self.size * a, y + self.size * b) for a, b in OUTLINES.get(self.form, ()))


@dataclass(frozen=True)
class Run:
    """A stretch of text in one look; sizes in px."""

    text: str
    size: float
    color: str
    bold: bool


@dataclass(frozen=True)
class Letters:
    """A run on its baseline at a point: `align` says which part of it stands there."""

    at: Point
    run: Run
    align: str
    upright: bool = False
    level: float = 4.0


Mark = Stroke | Area | Dot | Letters


def in_order(marks: Iterable[Mark]) -> list[Mark]:
    """As they are to be drawn, the lowest first."""
    return sorted(marks, key=lambda mark: mark.level)


def stretches(points: Iterable[Point | None]) -> Iterator[tuple[Point, ...]]:
    """The points between gaps."""
    found: list[Point] = []
    for point in (*points, None):
        if point is not None:
            found.append(point)
        elif found:
            yield tuple(found)
            found = []
