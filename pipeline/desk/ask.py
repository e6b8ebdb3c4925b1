"""What a form of the desk asks: one field each, as `desk_form.html` draws it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def hidden(name: str, value: str) -> dict[str, Any]:
    """A field that is sent along."""
    return {"kind": "hidden", "name": name, "value": value}


def line(name: str, label: str, value: str | None = "", **more: Any) -> dict[str, Any]:
    """A field of one line; `most` characters, `required`."""
    return {"kind": "text", "name": name, "label": label, "value": value or "", **more}


def text(name: str, label: str, value: str | None = "", **more: Any) -> dict[str, Any]:
    """A field of several lines; `required`."""
    return {"kind": "long", "name": name, "label": label, "value": value or "", **more}


def tick(name: str, label: str, value: str = "yes", **more: Any) -> dict[str, Any]:
    """A box to tick; `checked`, `required`."""
    return {"kind": "check", "name": name, "label": label, "value": value, **more}


def choice(
    name: str, label: str, value: str, options: Mapping[str, str], **more: Any
) -> dict[str, Any]:
    """One of several; `options` are words by value."""
    return {"kind": "choice", "name": name, "label": label, "value": value, "options": options,
            **more}  # fmt: skip
