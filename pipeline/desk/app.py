"""The desk as an app: which address shows what, and which form stores what."""

from __future__ import annotations

from collections.abc import Callable
from http.cookies import SimpleCookie

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from pipeline.desk import (
    batch_pages,
    case_pages,
    crew_pages,
    decision_pages,
    earlier,
    list_page,
    publish_pages,
    signal_pages,
    thing_pages,
)
from pipeline.desk.doors import Doors
from pipeline.desk.drafts import Fields
from pipeline.desk.frame import NobodyYet, Rooms, at, given, go_to, is_own_form, one, rooms
from pipeline.desk.guard import Guard
from pipeline.desk.held import Desk
from pipeline.errors import Mistake
from reports.desk import FILES

Shows = Callable[[Request], Response]
Stores = Callable[[Request, Fields], Response]

PAGES: dict[str, Shows] = {
    "/": list_page.show_list,
    "/who": decision_pages.show_who,
    "/case": case_pages.show_case,
    "/next": case_pages.go_on,
    "/batch": batch_pages.show_batch,
    "/fetch": thing_pages.show_fetch,
    "/add": thing_pages.show_add,
    "/earlier": earlier.show_earlier,
    "/actions": thing_pages.show_actions,
    "/action": thing_pages.show_action,
    "/signals": signal_pages.show_signals,
    "/signal": signal_pages.show_signal,
    "/query": crew_pages.show_query,
    "/letter": crew_pages.show_letter,
    "/good-care": crew_pages.show_good_care,
    "/decisions": decision_pages.show_decisions,
    "/publish": publish_pages.show_publish,
    "/left": publish_pages.show_left,
    "/months": decision_pages.show_months,
    "/pages/{name:path}": decision_pages.show_page,
}
"""What is shown where; a page is read, and changes nothing that people said."""

FORMS: dict[str, Stores] = {
    "/who": decision_pages.save_who,
    "/case": case_pages.save,
    "/draft": case_pages.draft,
    "/batch": batch_pages.save_batch,
    "/fetch": thing_pages.save_fetch,
    "/add": thing_pages.save_add,
    "/earlier": earlier.save_earlier,
    "/action": thing_pages.save_action,
    "/signal": signal_pages.save_signal,
    "/query": crew_pages.save_query,
    "/good-care": crew_pages.save_good_care,
    "/approve": decision_pages.save_approve,
    "/readers": decision_pages.save_readers,
    "/correct": decision_pages.save_correct,
    "/retrained": decision_pages.save_retrained,
    "/deliver": decision_pages.save_deliver,
    "/publish": publish_pages.save_publish,
    "/draw": decision_pages.save_draw,
}
"""What each form stores; none without its token."""

BACK = {
    "/who": ("/who",), "/batch": ("/batch", "month", "rule"), "/fetch": ("/?kind=fetch",),
    "/add": ("/add",), "/signal": ("/signal", "key"), "/query": ("/query", "key"),
    "/good-care": ("/good-care", "trip"), "/publish": ("/publish", "month"),
    "/draw": ("/months",),
    **{f"/{name}": ("/decisions",) for name in ("approve", "readers", "correct", "retrained")},
    "/deliver": ("/decisions",),
}  # fmt: skip
"""Where one goes back to from a form that was refused, and the fields that say to which."""

ENTERED = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Tailrace desk</title>
<meta http-equiv="refresh" content="0; url=/"></head>
<body><p><a href="/">Go to the desk</a></p></body></html>
"""
"""A page that goes on by itself: a redirect would not carry a cookie that is for this site only."""


def desk_app(desk: Desk, doors: Doors, version: str) -> Guard:
    """The app with its guard before it."""
    routes = [
        Route("/enter", _enter, methods=["GET"]),
        Route("/assets/{name}", _asset, methods=["GET"]),
        *[Route(path, _shown(page), methods=["GET"]) for path, page in PAGES.items()],
        *[Route(path, _stored(stores), methods=["POST"]) for path, stores in FORMS.items()],
    ]
    app = Starlette(routes=routes)
    app.state.rooms = Rooms(desk, doors, version)
    return Guard(app, doors)


def _enter(request: Request) -> Response:
    """Take a one-time token, and give the cookie it becomes."""
    doors = rooms(request).doors
    cookie = doors.enter(request.query_params.get("token", ""))
    if cookie is None:
        words = (
            "This link was used, or is none. Press Enter in the terminal that runs the desk, and"
            " open what it prints.\n"
        )
        return PlainTextResponse(words, status_code=403)
    made = SimpleCookie({doors.cookie: cookie})
    for name, value in (("httponly", True), ("samesite", "Strict"), ("path", "/")):
        made[doors.cookie][name] = value
    answer = HTMLResponse(ENTERED)
    answer.headers["set-cookie"] = made[doors.cookie].OutputString()
    return answer


def _asset(request: Request) -> Response:
    """A style sheet or script, by the name that changes with what is in it."""
    name = request.path_params["name"]
    known = {served: FILES[own] for own, served in rooms(request).assets.items()}
    if name not in known:
        return PlainTextResponse("There is no such file.\n", status_code=404)
    path, kind = known[name]
    return FileResponse(path, media_type=kind)


def _shown(page: Shows) -> Shows:
    def showing(request: Request) -> Response:
        try:
            return page(request)
        except NobodyYet:
            return go_to("/who")
        except Mistake as mistake:
            return thing_pages.not_done(request, mistake, "/")

    return showing


def _stored(stores: Stores) -> Callable[[Request], object]:
    async def storing(request: Request) -> Response:
        fields = given(await request.body())
        if not is_own_form(request, fields):
            words = "The form was not one of this desk's, or is from before it was begun again.\n"
            return PlainTextResponse(words, status_code=403)
        request.scope["fields"] = fields
        return await run_in_threadpool(_kept, stores, request, fields)

    return storing


def _kept(stores: Stores, request: Request, fields: Fields) -> Response:
    try:
        return stores(request, fields)
    except NobodyYet:
        return go_to("/who")
    except Mistake as mistake:
        page, *names = BACK.get(request.url.path, ("/",))
        asked = {name: one(fields, name) for name in names}
        return thing_pages.not_done(request, mistake, at(page, **asked) if asked else page)
