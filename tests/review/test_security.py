"""Who is let in, and what every answer carries."""

from __future__ import annotations

import re
import stat

import pytest
from review_server import ADULT, HERE, Browser
from starlette.testclient import TestClient

from crestgauge.cli.review import pairing, state
from crestgauge.cli.review.guard import BODY_BYTES, host_name
from crestgauge.cli.review.pairing import Pairing

POSTS = (f"/photo/{ADULT}/call", f"/photo/{ADULT}/undo", f"/photo/{ADULT}/measure", "/reader")


def counts(server) -> list[tuple]:
    return server.rows("SELECT (SELECT count(*) FROM calls), (SELECT count(*) FROM measurements)")


@pytest.mark.parametrize(
    ("host", "name"),
    [
        ("localhost:8431", "localhost"),
        ("LOCALHOST", "localhost"),
        ("[::1]:8431", "::1"),
        ("127.0.0.1", "127.0.0.1"),
        ("a:b", None),
        ("", None),
        ("a b", None),
        ("127.0.0.1:8431:1", None),
        ("evil.example/127.0.0.1", None),
        ("user@127.0.0.1", None),
    ],
)
def test_names_in_host_headers(host, name):
    assert host_name(host) == name


def test_another_name_for_this_address_is_refused(looked_at):
    """DNS rebinding: the page of another site, whose name was made to point here, sends its own name."""
    client = TestClient(looked_at.app, base_url=HERE)
    for host in ("evil.example", "evil.example:8431", "127.0.0.1.evil.example", "10.0.0.7", ""):
        answer = client.get("/queue", headers={"host": host})
        assert answer.status_code == 421, host
        assert "set-cookie" not in answer.headers
    for host in ("127.0.0.1:8431", "localhost:8431", "[::1]:8431"):
        assert client.get("/queue", headers={"host": host}).status_code == 200


@pytest.mark.parametrize("path", POSTS)
def test_a_form_needs_the_token_of_its_own_session(server, path):
    mine, other = server.browser("Ida Brook"), server.browser("Otis Reed")
    fields = {"action": "confirm", "person": "Eve", "corrections": ""}
    before = counts(server)
    for token in ("", "0" * 40, other.csrf, mine.csrf[:-1]):
        assert mine.client.post(path, data={**fields, "csrf": token}).status_code == 403
    assert mine.client.post(path, data=fields).status_code == 403
    strange = TestClient(server.app, base_url=HERE)
    assert strange.post(path, data={**fields, "csrf": mine.csrf}).status_code == 403  # no cookie
    assert counts(server) == before
    assert mine.json("/queue")["viewer"]["person"] == "Ida Brook"


def test_json_and_uploads_need_the_token_too(server):
    browser = server.browser("Ida Brook")
    for path in (f"/photo/{ADULT}/answer", f"/photo/{ADULT}/measure"):
        answer = browser.client.post(path, content="{}", headers={"content-type": "application/json"})
        assert answer.status_code == 403
    # Text that a form of another site can send as JSON without asking first (enctype text/plain).
    for kind in ("text/plain", "multipart/form-data", "application/x-www-form-urlencoded"):
        headers = {"content-type": kind, "x-csrf-token": browser.csrf}
        answer = browser.client.post(f"/photo/{ADULT}/answer", content="{}", headers=headers)
        assert answer.status_code == 415
    files = {"photo": ("a.png", b"\x89PNG", "image/png")}
    answer = browser.client.post("/new", data={"specimen_id": "P-9"}, files=files)
    assert answer.status_code == 403
    assert list(server.site.folder.rglob("*.*")) == []


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 303),
        ({"origin": HERE}, 303),
        ({"origin": "null", "sec-fetch-site": "same-origin"}, 303),  # as browsers send it without referrer
        ({"origin": "null", "sec-fetch-site": "cross-site"}, 403),
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "http://127.0.0.1:9999"}, 403),  # another program on the same computer
        ({"origin": "https://127.0.0.1:8431"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
    ],
)
def test_a_form_of_another_site_is_refused_even_with_the_right_token(looked_at, headers, status):
    browser = looked_at.browser()
    answer = browser.post("/reader", {"person": "Ida Brook"}, **headers)
    assert answer.status_code == status


def test_another_site_that_leads_here_does_not_take_the_session_away(looked_at):
    answer = TestClient(looked_at.app, base_url=HERE).get("/queue", headers={"sec-fetch-site": "cross-site"})
    assert answer.status_code == 403 and "set-cookie" not in answer.headers
    assert 'href="/queue"' in answer.text


def test_every_answer_carries_the_headers(looked_at):
    browser = looked_at.browser()
    answers = [
        browser.get(path)
        for path in ("/", "/queue", "/queue.json", f"/photo/{ADULT}/thumb", "/static/jaw.js", "/none", "/new")
    ]
    answers += [browser.client.get("/", headers={"host": "evil.example"}), browser.client.post("/reader")]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; ")
        assert "unsafe" not in policy and "http" not in policy and "*" not in policy
        assert "frame-ancestors 'none'" in policy and "form-action 'self'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert "camera=(self)" in answer.headers["permissions-policy"]
        assert "access-control-allow-origin" not in answer.headers
        assert "server" not in answer.headers
        if "etag" not in answer.headers:
            assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["/queue", f"/photo/{ADULT}", "/new", "/reader", "/specimen/P-1", "/none"])
def test_no_page_has_inline_script_or_style_or_another_address(looked_at, path):
    """What the policy forbids would silently not work; and nothing is asked of any other computer."""
    html = looked_at.browser().get(path).text
    assert not re.search(r"<script(?![^>]*\ssrc=)", html)
    assert not re.search(r"\son\w+\s*=|\sstyle\s*=|<style|javascript:", html)
    assert not re.search(r"(?:src|href|action)\s*=\s*[\"']?(?:https?:)?//", html)


def test_the_cookie_is_for_this_server_alone(looked_at):
    cookie = TestClient(looked_at.app, base_url=HERE).get("/queue").headers["set-cookie"]
    assert cookie.startswith("crestgauge-8431=")
    for part in ("HttpOnly", "SameSite=Strict", "Path=/"):
        assert f"; {part}" in cookie
    assert "Domain" not in cookie


def test_only_hashes_of_tokens_are_kept_in_a_file_of_the_owner(server):
    browser = server.browser("Ida Brook")
    token = browser.client.cookies["crestgauge-8431"]
    path = server.site.state.path
    assert path.name == "season.db.review"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    data = path.read_bytes()
    assert b"Ida Brook" in data
    assert token.encode() not in data and browser.csrf.encode() not in data


def test_bodies_are_bounded_whatever_their_headers_say(looked_at):
    browser = looked_at.browser()
    answer = browser.post("/reader", {"person": "x" * BODY_BYTES})
    assert answer.status_code == 413

    def chunks():
        for _ in range(20):
            yield b"person=" + b"x" * (BODY_BYTES // 10)

    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert browser.client.post("/reader", content=chunks(), headers=kind).status_code == 413
    fields = "&".join(f"a{i}=1" for i in range(1000))
    assert browser.client.post("/reader", content=fields, headers=kind).status_code == 400
    assert browser.client.post("/reader", content="a=%ff&csrf=1", headers=kind).status_code == 400


def test_a_bug_is_told_without_its_insides(server, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("secret /place")

    monkeypatch.setattr("crestgauge.cli.review.queue_routes.queue_page", broken)
    client = TestClient(server.app, base_url=HERE, raise_server_exceptions=False)
    answer = client.get("/queue")
    assert answer.status_code == 500
    assert "secret" not in answer.text and "Traceback" not in answer.text
    assert answer.headers["content-security-policy"]
    assert client.get("/queue", headers={"accept": "application/json"}).json()["status"] == 500


@pytest.mark.parametrize(
    "path", ["/static/../app.py", "/static/%2e%2e%2fapp.py", "/static//etc/passwd", "/static/..%5capp.py"]
)
def test_no_path_leaves_the_shipped_files(looked_at, path):
    assert looked_at.browser().get(path).status_code == 404


# On a network


def paired(server, client: TestClient) -> Browser:
    browser = Browser(client)
    browser._csrf = re.search(r'name="csrf" value="(\w+)"', client.get("/pair").text).group(1)
    answer = browser.post("/pair", {"code": server.site.pairing.code})
    assert (answer.status_code, answer.headers["location"]) == (303, "/reader")
    browser._csrf = ""
    return browser


def phone(server, host: str = "http://192.168.7.2:8431", **options) -> TestClient:
    return TestClient(server.app, base_url=host, follow_redirects=False, **options)


def test_on_a_network_nothing_is_open_but_the_door(serve):
    server = serve(network=True, host="0.0.0.0")
    client = phone(server)
    for path in ("/", "/queue", f"/photo/{ADULT}", "/new", "/specimen/P-1", f"/photo/{ADULT}/image", "/none"):
        answer = client.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/pair")
        assert client.get(path, headers={"accept": "application/json"}).status_code == 401
    assert client.get("/queue.json").status_code == 401
    assert client.post(f"/photo/{ADULT}/call", data={"action": "confirm"}).status_code == 401
    assert client.get("/pair").status_code == 200
    assert client.get("/static/page.css").status_code == 200
    assert server.rows("SELECT count(*) FROM calls") == [(0,)]


def test_a_code_pairs_one_device_and_the_pairing_outlives_the_server(serve):
    server = serve(network=True, host="0.0.0.0")
    code = server.site.pairing.code
    client = phone(server)
    page = client.get(f"/pair?code={code}").text
    assert f'value="{code}"' in page and server.site.pairing.code == code  # looking does not use it up
    before = client.cookies["crestgauge-8431"]
    browser = paired(server, client)
    assert client.cookies["crestgauge-8431"] != before  # a token known before the pairing is worth nothing
    assert server.codes == [server.site.pairing.code] != [code]
    assert browser.post("/reader", {"person": "Ida Brook"}).status_code == 303
    second = phone(server)
    form = re.search(r'name="csrf" value="(\w+)"', second.get("/pair").text).group(1)
    assert second.post("/pair", data={"csrf": form, "code": code}).status_code == 403
    assert second.get("/queue").status_code == 303
    again = serve(network=True, host="0.0.0.0")
    later = phone(again, cookies=client.cookies)
    assert Browser(later).json("/queue")["viewer"]["person"] == "Ida Brook"
    assert again.site.state.forget_devices() == 1
    assert later.get("/queue").status_code == 303


def test_codes_cannot_be_tried_one_after_the_other(serve):
    server = serve(network=True, host="0.0.0.0")
    client = phone(server)
    form = re.search(r'name="csrf" value="(\w+)"', client.get("/pair").text).group(1)
    statuses = [
        client.post("/pair", data={"csrf": form, "code": f"AAAA-AAA{i}"}).status_code for i in range(7)
    ]
    assert statuses == [403] * 5 + [429] * 2
    answer = client.post("/pair", data={"csrf": form, "code": server.site.pairing.code})
    assert answer.status_code == 429 and int(answer.headers["retry-after"]) > 60
    assert client.post("/pair", data={"code": server.site.pairing.code}).status_code == 403  # no token


def test_pairing_waits_by_address_and_altogether():
    now = [1000.0]
    door = Pairing(clock=lambda: now[0])
    for _ in range(pairing.MOST_TRIES):
        assert not door.try_code("WRONG", "10.0.0.1")
    assert door.wait_s("10.0.0.1") == pairing.WINDOW_S and door.wait_s("10.0.0.2") == 0
    assert not door.try_code(door.code, "10.0.0.1")
    now[0] += pairing.WINDOW_S
    code = door.code
    assert door.try_code(code.lower().replace("-", " "), "10.0.0.1")
    assert door.code != code and not door.try_code(code, "10.0.0.3")
    for i in range(pairing.MOST_TRIES_ALL):
        door.try_code("WRONG", f"10.0.1.{i}")
    assert door.wait_s("10.9.9.9") > 0


def test_on_a_network_names_that_can_be_rebound_stay_refused(serve):
    server = serve(network=True, host="0.0.0.0")
    assert phone(server, "http://evil.example:8431").get("/pair").status_code == 421
    for host in ("http://10.1.2.3:8431", "http://[fe80::1]:8431", "http://localhost:8431"):
        assert phone(server, host).get("/pair").status_code == 200


def test_a_session_ends_after_its_days(server, monkeypatch):
    browser = server.browser("Ida Brook")
    now = state.time.time()
    monkeypatch.setattr(state.time, "time", lambda: now + state.SESSION_DAYS * 86_400 + 1)
    assert browser.json("/queue")["viewer"]["person"] == ""
