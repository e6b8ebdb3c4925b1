"""What every page of the desk shares: its data for the base template, forms, and its answers."""

from __future__ import annotations

import re
from collections import deque
from dataclasses import field
from typing import Any
from urllib.parse import parse_qs, urlencode

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse

from pipeline.desk.doors import Doors, Visitor, form_token, is_form_token
from pipeline.desk.drafts import Fields
from pipeline.desk.held import Desk
from reports.desk import asset_names, desk_page
from schemas.months import MONTH_NAMES
from schemas.record import dataclass

NAV = (
    ("/", "Open work"), ("/add", "Add a trip"), ("/actions", "Actions"), ("/signals", "Signals"),
    ("/decisions", "Decisions"), ("/publish", "Publish"), ("/months", "Months' pages"),
)  # fmt: skip

MOST_FIELDS = 600
MOST_KEPT_FORMS = 1000
A_FIELD: dict[str, Any] = {
    "value": "", "most": 300, "required": False, "checked": False, "options": {},
}  # fmt: skip
"""What a field of a form is unless it says otherwise."""


class NobodyYet(Exception):  # noqa: N818 - nobody is at fault
    """Who works in the browser is not said yet, and what is asked for takes somebody."""


@dataclass
class Rooms:
    """What the pages work with: the store's folder, the doors, and the program's version.

    `kept_forms`: the forms last saved, by the number each was shown with. A draft of one of them
    may arrive after it, and is of no use then.
    """

    desk: Desk
    doors: Doors
    version: str
    assets: dict[str, str] = field(default_factory=asset_names)
    kept_forms: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_KEPT_FORMS))


def rooms(request: Request) -> Rooms:
    """The rooms of the app that is asked."""
    found: Rooms = request.app.state.rooms
    return found


def visitor(request: Request) -> Visitor:
    """Whose request it is; the guard let it through."""
    found: Visitor = request.scope["visitor"]
    return found


def worker(request: Request) -> str:
    """The token of whoever works in the browser; NobodyYet without one."""
    if by := visitor(request).by:
        return by
    raise NobodyYet


def answer(
    request: Request, template: str, title: str, *, status: int = 200, **more: Any
) -> HTMLResponse:
    """A page as HTML."""
    own = rooms(request)
    path = request.url.path
    page = {
        "title": f"{title} · Tailrace desk",
        "named": title,
        "service": more.pop("service", ""),
        "by": visitor(request).by or "",
        "said": request.query_params.get("said", "")[:200],
        **{name: [] for name in ("problems", "lines", "facts", "links", "forms")},
        "place": "",
        "month_name": "desk",
        "tool_version": own.version,
        "privacy": None,
        "protocol": {"unapproved": [], "versions": ["any"], "not_judged": 0},
        "assets": own.assets,
        "nav": {
            "assets": "/assets/",
            "pages": [{"href": h, "label": w, "current": h == path} for h, w in NAV],
            "months": [],
            "earlier": [],
        },
        **more,
    }
    return HTMLResponse(desk_page(template, page), status_code=status)


def form_page(request: Request, title: str, **more: Any) -> HTMLResponse:
    """A page of lines, facts, links and forms alone."""
    return answer(request, "desk_form.html", title, **more)


def at(path: str, **asked: object) -> str:
    """An address, with what is asked for there."""
    return f"{path}?{urlencode(asked)}"


def link(label: str, href: str, more: str = "") -> dict[str, str]:
    """A link of a page, with words behind it."""
    return {"href": href, "label": label, "more": more}


def form(request: Request, action: str, button: str, **more: Any) -> dict[str, Any]:
    """A form of `desk_form.html` with its token; `fields` are described there."""
    own = {
        "action": action, "button": button, "token": form_token(visitor(request), action),
        "title": "", "lines": [], "fields": [], "go": "", "busy": "", **more,
    }  # fmt: skip
    return {**own, "fields": [{**A_FIELD, **one_field} for one_field in own["fields"]]}


def given(body: bytes) -> Fields:
    """The fields of a form, each with its values in order; too many are cut."""
    text = body.decode("utf-8", "replace").replace("\x00", "")
    return parse_qs(text, keep_blank_values=False, max_num_fields=MOST_FIELDS)


def one(fields: Fields, name: str) -> str:
    """The one value of a field, stripped; empty without one."""
    return next((v.strip() for v in fields.get(name, []) if v.strip()), "")


def a_month(text: str) -> str | None:
    """A month as YYYY-MM, however the desk itself writes it; None where the text is no month.

    '2026-08', '2026-8', 'August 2026' and 'Aug 2026' are one month.
    """
    if found := re.fullmatch(r"([0-9]{4})-([0-9]{1,2})", text.strip()):
        year, number = found[1], int(found[2])
    elif found := re.fullmatch(r"([A-Za-z]{3,9})\.? +([0-9]{4})", text.strip()):
        name, year = found[1].lower(), found[2]
        known = [n for n, whole in enumerate(MONTH_NAMES, 1) if whole.lower().startswith(name)]
        number = known[0] if known else 0
    else:
        return None
    return f"{year}-{number:02d}" if 1 <= number <= 12 else None


def is_own_form(request: Request, fields: Fields) -> bool:
    """Whether the form that was sent carries its token."""
    return is_form_token(visitor(request), request.url.path, one(fields, "form"))


def go_to(path: str) -> RedirectResponse:
    """On to another page, after a change."""
    return RedirectResponse(path, status_code=303)
