"""Pictures drawn here as SVG text: elements, patterns, and how much room words take."""

from __future__ import annotations

import html
from collections.abc import Iterable
from functools import cache, lru_cache
from typing import Any

from reports.charts import palette
from reports.text import words

CHAR = 0.6
"""Width of a character in ems: wide system fonts take about so much."""

MORE, BROAD = 0.42, "WM@"
"""How much wider in ems these characters are."""

TEXT = '<text x="%.1f" y="%.1f"%s>%s</text>'


def tag(name: str, *inner: str, **attributes: Any) -> str:
    """An element; `inner` is SVG already, attribute values are escaped here.

    In names of attributes a low line stands for a hyphen; one at the end is dropped.
    """
    body = "".join(inner)
    shown = _attributes(**attributes)
    return f"<{name}{shown}>{body}</{name}>" if body else f"<{name}{shown}/>"


def one(form: str, *values: float | str) -> str:
    """One element by a form, as in `each`."""
    return (form % values).replace('.0"', '"')


def each(form: str, rows: Iterable[tuple[float | str, ...]]) -> str:
    """An element for each row, by a form such as '<circle cx="%.1f"><title>%s</title></circle>'.

    A trip's pictures have hundreds of elements, so this is quick: nothing is escaped here, and a
    text of a row must have been `escaped`. Numbers lose a decimal that is 0, as in `tag`.
    """
    # no escaped text holds a quotation mark: only the end of an attribute looks like this
    return "".join([form % row for row in rows]).replace('.0"', '"')


@lru_cache(maxsize=words.MANY)
def _attributes(**attributes: Any) -> str:
    return "".join(
        [
            f' {key.strip("_").replace("_", "-")}="{_value(value)}"'
            for key, value in attributes.items()
            if value is not None
        ]
    )


def _value(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.1f}".removesuffix(".0")
    return html.escape(value) if isinstance(value, str) else str(value)


@lru_cache(maxsize=words.MANY)
def escaped(value: str) -> str:
    """A text from data as SVG text: markup escaped, control characters spelled out.

    A text that already holds the marks of `words.isolated` round its parts keeps them.
    """
    if value.isascii() and value.isprintable():
        return html.escape(value)
    shown = words.visible if set(words.ISOLATE) & set(value) else words.isolated
    return html.escape(shown(value))


def title(value: str) -> str:
    """What is shown when pointing at a mark, and read for it."""
    return f"<title>{escaped(value)}</title>"


def text(x: float, y: float, value: str, **attributes: Any) -> str:
    """A text at (x, y), its baseline."""
    return one(TEXT, x, y, _attributes(**attributes), escaped(value))


def label(x: float, y: float, value: str, *, thick: int = 3, **attributes: Any) -> str:
    """A text with a rim of paper round it, so that what lies under it does not strike it out."""
    return one(TEXT, x, y, _rimmed(thick, **attributes), escaped(value))


@lru_cache(maxsize=words.MANY)
def _rimmed(thick: int, **attributes: Any) -> str:
    rim = {"stroke": palette.PAPER, "stroke_width": thick, "stroke_linejoin": "round"}
    return _attributes(paint_order="stroke", pointer_events="none", **rim, **attributes)


def moved(body: str, y: float) -> str:
    """The drawing further down."""
    return f'<g transform="translate(0 {y:.0f})">{body}</g>' if body else ""


def text_width(value: str, size: float) -> float:
    """The width in px that a text of that font size may take."""
    shown = words.visible(value)
    return size * (CHAR * len(shown) + MORE * sum(shown.count(c) for c in BROAD))


def fitting(variants: list[str], width: float, size: float) -> str:
    """The first of the texts that fits into the width; an empty one if none does."""
    return next((v for v in variants if v and text_width(v, size) <= width), "")


def cut(value: str, width: float, size: float) -> str:
    """The text shortened to the width."""
    shown = words.visible(value)
    most = max(1, int(width / (CHAR * size)))
    while most > 1 and text_width(words.shortened(shown, most), size) > width:
        most -= 1
    return words.shortened(shown, most)


@cache
def patterns(name: str) -> str:
    """Hatching for what is not known, dots for what is not counted; ids begin with `name`."""
    hatch = tag(
        "pattern",
        tag("rect", width=6, height=6, fill=palette.PAPER),
        tag("line", x1=1, y1=0, x2=1, y2=6, stroke=palette.PATTERN_INK, stroke_width=1.2),
        id=f"{name}-unknown", width=6, height=6, patternUnits="userSpaceOnUse",
        patternTransform="rotate(45)",
    )  # fmt: skip
    dots = tag(
        "pattern",
        tag("rect", width=5, height=5, fill=palette.PANEL),
        tag("circle", cx=1.5, cy=1.5, r=0.7, fill=palette.PATTERN_INK),
        id=f"{name}-uncounted", width=5, height=5, patternUnits="userSpaceOnUse",
    )  # fmt: skip
    return tag("defs", hatch, dots)
