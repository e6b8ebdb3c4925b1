"""Who is answered and who is not: each attack a test, and what the answer must not do."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest
from starlette.testclient import TestClient

from pipeline.desk.app import FORMS, PAGES
from pipeline.desk.doors import MOST_WAITING, Doors, form_token
from pipeline.desk.guard import LARGEST_BODY, POLICY
from tests.followup.reviewed_store import copy_of

from .conftest import Visits
from .visiting import ORIGIN, PORT, Opened, Visit, opened

FIXED = [path for path in PAGES if "{" not in path]


@pytest.fixture(scope="module")
def desk(begun_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Opened:
    """One open desk for all who change nothing; a link leads out of its pages."""
    folder = copy_of(begun_once, tmp_path_factory.mktemp("desk") / "pages")
    (folder.parent / "secret.html").write_text("secret")
    (folder / "2026-02" / "link.html").symlink_to(folder.parent / "secret.html")
    made = opened(folder, begun=True)
    Visit.of(made, "R1").get("/")
    return made


@pytest.fixture
def refused(desk: Opened) -> Visits:
    """Come to that desk as a reader."""
    return lambda by: Visit.of(desk, by)


@pytest.mark.parametrize("path", [*FIXED, "/pages/2026-02/index.html", "/assets/x", "/no-such"])
def test_without_a_cookie_nothing_is_answered(desk: Opened, path: str) -> None:
    client = TestClient(desk.app, base_url=ORIGIN, follow_redirects=False)
    answer = client.get(path)
    assert answer.status_code == 403
    assert "tailrace" not in answer.text.lower().replace("tailrace desk", "")


def test_a_link_works_once_and_a_wrong_one_never(desk: Opened) -> None:
    link = desk.doors.new_link().removeprefix(ORIGIN)
    client = TestClient(desk.app, base_url=ORIGIN)
    assert client.get("/enter?token=wrong").status_code == 403
    assert client.get("/enter").status_code == 403
    assert client.get("/enter?token=" + quote("\u00e9\ud83d", errors="replace")).status_code == 403
    entered = client.get(link)
    assert entered.status_code == 200
    cookie = entered.headers["set-cookie"]
    assert cookie.startswith(f"tailrace-desk-{PORT}=")
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    other = TestClient(desk.app, base_url=ORIGIN)
    assert other.get(link).status_code == 403
    assert other.get("/").status_code == 403


def test_a_cookie_of_another_run_or_a_made_up_one_is_refused(desk: Opened) -> None:
    cookie = desk.doors.enter(desk.doors.new_link().partition("token=")[2])
    after = opened(desk.folder, begun=True)
    client = TestClient(after.app, base_url=ORIGIN, follow_redirects=False)
    for value in (str(cookie), "x", ""):
        client.cookies.set(desk.doors.cookie, value)
        assert client.get("/").status_code == 403


def test_links_that_wait_are_few() -> None:
    doors = Doors(PORT)
    first = doors.new_link().partition("token=")[2]
    for _ in range(MOST_WAITING):
        doors.new_link()
    assert doors.enter(first) is None


@pytest.mark.parametrize(
    "host",
    ["localhost", f"localhost:{PORT}", "127.0.0.1", f"127.0.0.1:{PORT + 1}", "evil.example",
     f"evil.example:{PORT}", f"[::1]:{PORT}", f"127.0.0.1.evil.example:{PORT}", ""],
)  # fmt: skip
def test_only_the_one_host_is_answered(refused: Visits, host: str) -> None:
    here = refused("R1")
    assert here.client.get("/who", headers={"host": host}).status_code == 400
    assert here.client.get("/who").status_code == 200


@pytest.mark.parametrize(
    "origin", [None, "null", "http://localhost:8420", "http://evil.example", f"{ORIGIN}.evil"]
)
def test_a_change_comes_from_here_alone(refused: Visits, origin: str | None) -> None:
    here = refused("R1")
    fields = {"form": form_token(here.visitor, "/add"), "trip": "T", "why": "x"}
    headers = {} if origin is None else {"origin": origin}
    assert here.client.post("/add", data=fields, headers=headers).status_code == 403
    assert here.ask("SELECT count(*) FROM loop.move") == [(0,)]
    if origin:
        assert here.client.get("/", headers=headers).status_code == 403


@pytest.mark.parametrize("path", FORMS)
def test_no_form_without_its_own_token(refused: Visits, path: str) -> None:
    here, other = refused("R1"), refused("R2")
    before = here.ask("SELECT count(*) FROM loop.ledger")
    wrong = [None, "", "x", form_token(here.visitor, path + "x"), form_token(other.visitor, path)]
    for token in wrong:
        fields = {"trip": "T", "why": "x", "by": "R9"} | ({"form": token} if token else {})
        answer = here.client.post(path, data=fields, headers={"origin": ORIGIN})
        assert answer.status_code == 403
    assert here.ask("SELECT count(*) FROM loop.ledger") == before
    assert here.visitor.by == "R1"


@pytest.mark.parametrize("path", FORMS)
def test_nothing_is_changed_by_a_get(refused: Visits, path: str) -> None:
    here = refused("R1")
    before = here.ask("SELECT count(*) FROM loop.ledger"), here.visitor.by
    asked = f"{path}?form={form_token(here.visitor, path)}&by=R9&trip=T0000001&why=x&month=2026-02"
    here.client.get(asked)
    assert (here.ask("SELECT count(*) FROM loop.ledger"), here.visitor.by) == before


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
def test_other_methods_are_refused(refused: Visits, method: str) -> None:
    assert refused("R1").client.request(method, "/").status_code == 405


@pytest.mark.parametrize(
    "name",
    ["../store.duckdb", "%2e%2e/store.duckdb", "2026-02/../store.duckdb", "store.duckdb",
     "2026-02/%2e%2e/%2e%2e/etc/passwd", "/etc/passwd", "..%2f..%2fetc%2fpasswd", "sheets/x.xlsx",
     "2026-02/data/../../store.duckdb", "2026-02\\..\\store.duckdb", "2026-02/index.html%00.css",
     "assets/../store.duckdb", "2026-02/link.html"],
)  # fmt: skip
def test_no_path_leads_out_of_the_pages(refused: Visits, name: str) -> None:
    here = refused("R1")
    assert (here.folder / "2026-02" / "link.html").read_text() == "secret"
    for path in (f"/pages/{name}", f"/assets/{name}"):
        answer = here.client.get(path)
        assert answer.status_code in (404, 400), path
        assert "secret" not in answer.text
        assert b"DUCK" not in answer.content
    assert here.client.get("/pages/2026-02/index.html").status_code == 200


def test_a_large_body_is_refused_by_its_length_and_by_its_bytes(refused: Visits) -> None:
    here = refused("R1")
    headers = {"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    whole = b"form=" + b"x" * LARGEST_BODY
    assert here.client.post("/add", content=whole, headers=headers).status_code == 413

    def parts() -> object:
        for _ in range(64):
            yield b"x" * (LARGEST_BODY // 32)

    answer = here.client.post("/add", content=parts(), headers=headers)  # type: ignore[arg-type]
    assert answer.status_code == 413
    assert here.client.get("/").status_code == 200


@pytest.fixture(scope="module")
def answers(desk: Opened) -> dict[str, httpx.Response]:
    """Every page of the desk, one of a month, and one that is none."""
    here = Visit.of(desk, "R1")
    ((trip,),) = here.ask("SELECT min(trip_id) FROM judged.trip_window")
    paths = (*FIXED, f"/case?trip={trip}", "/no-such", "/pages/2026-02/index.html")
    return {path: here.client.get(path) for path in paths}


def test_every_answer_carries_the_policy(answers: dict[str, httpx.Response]) -> None:
    for answer in answers.values():
        headers = answer.headers
        assert headers["content-security-policy"] == POLICY
        assert headers["x-frame-options"] == "DENY"
        assert headers["cache-control"] == "no-store"
        # with "no-referrer" a browser sends its forms' Origin as "null", and each is refused
        assert headers["referrer-policy"] == "same-origin"
    assert 'name="referrer" content="same-origin"' in answers["/"].text
    # the policy of the pages, and two things more
    page = Path("reports/render/base.html").read_text(encoding="utf-8")
    own = re.search(r"\{% block csp %\}(.*?)\{% endblock %\}", page)
    assert own is not None
    allowed = own[1].replace("form-action 'none'", "form-action 'self'; connect-src 'self'")
    assert allowed == POLICY


def test_no_script_stands_in_a_page(answers: dict[str, httpx.Response]) -> None:
    for path in answers.keys() - {"/letter", "/pages/2026-02/index.html"}:
        page = answers[path].text
        assert re.findall(r"<script(?![^>]* src=)", page) == []
        assert not re.search(r'\son[a-z]+="|javascript:', page)


MARKUP = '<img src=x onerror="alert(1)"></textarea><script>alert(2)</script>\'"&{{7*7}}'


def test_markup_in_every_field_stays_text(visit: Visits) -> None:
    here = visit("R1")
    flags = here.ask("""SELECT trip_id FROM judged.trip_window JOIN judged.verdict USING (trip_key)
        WHERE verdict = 'deviation' ORDER BY 1""")
    trip = str(flags[0][0])
    here.kept("/action", {"what": MARKUP[:200], "owner": MARKUP[:50], "why": MARKUP})
    fields = here.case(trip, note=MARKUP, action=MARKUP, query=MARKUP, owner=MARKUP)
    here.send("/case", fields)
    here.send("/case", fields | {"mark": "old"})
    for path, sent in (("/add", {"trip": MARKUP, "why": MARKUP}), ("/who", {"by": MARKUP}),
                       ("/signal", {"key": MARKUP, "state": MARKUP}),
                       ("/deliver", {"folder": MARKUP, "go": "check"}),
                       ("/publish", {"month": MARKUP, "sure": "yes"}),
                       ("/draw", {"month": MARKUP})):  # fmt: skip
        assert "<img src=x" not in here.send(path, sent).text
    here.visitor.by = "R1"
    pages = ["/", "/actions", "/signals", f"/case?trip={trip}", f"/?said={quote(MARKUP)}",
             f"/?kind={quote(MARKUP)}&owner={quote(MARKUP)}", f"/batch?rule={quote(MARKUP)}",
             f"/case?trip={quote(MARKUP)}", f"/letter?key=Q1&name={quote(MARKUP)}"]  # fmt: skip
    shown = 0
    for path in pages:
        page = here.client.get(path).text
        assert "<img src=x" not in page
        assert "<script>alert" not in page
        shown += "&lt;img src=x" in page
    assert shown


def test_other_readers_have_visits_of_their_own(visit: Visits) -> None:
    one, two = visit("R1"), visit("R2")
    assert isinstance(two, Visit)
    two.kept("/who", {"by": "R7"})
    assert (one.visitor.by, two.visitor.by) == ("R1", "R7")
    assert two.send("/who", {"by": "=cmd"}).status_code == 409
