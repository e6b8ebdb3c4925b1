"""The desk's pages: their templates, style and script; drawn from plain data.

Base template and style sheet are those of every page.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

ASSETS = Path(__file__).parent / "assets"
SHARED = Path(__file__).parent.parent / "render" / "assets"
FILES = {
    "page.css": (SHARED / "page.css", "text/css"),
    "desk.css": (ASSETS / "desk.css", "text/css"),
    "keys.js": (ASSETS / "keys.js", "text/javascript"),
    "desk.js": (ASSETS / "desk.js", "text/javascript"),
}
"""What a page of the desk loads: its file and type."""


def asset_names() -> dict[str, str]:
    """Each file under the name it is served by, which changes with what is in it."""
    return {
        name: f"{hashlib.sha256(path.read_bytes()).hexdigest()[:12]}-{name}"
        for name, (path, _) in FILES.items()
    }


def desk_page(template: str, page: dict[str, Any]) -> str:
    """A page of the desk as HTML; `page` holds what `desk_base.html` and its own template show."""
    from reports.case import tables
    from reports.render.templates import environment

    found = environment().get_template(template)
    return found.render(page=page, assets=page["assets"], tables=tables)
