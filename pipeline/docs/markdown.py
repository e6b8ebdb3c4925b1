"""Markdown by parts: headings are plain lines, tables are made here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

MADE = "<!-- Made by `python -m pipeline.docs`; change what it is made from, not this file. -->"


def page(title: str, *parts: str) -> str:
    """A generated page: its title, the mark that it is generated, and its parts."""
    return "\n\n".join([f"# {title}", MADE, *parts]) + "\n"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; pipes and line breaks in a cell are made harmless."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(map(_cell, line))} |" for line in lines)


def code(text: object) -> str:
    """A word as code."""
    return f"`{text}`"


def capital(text: str) -> str:
    """The text with its first letter large."""
    return text[:1].upper() + text[1:]


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")
