"""Who may come in: this computer, the window that was opened, and no other site through it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from tests.desk.conftest import BASE, HOST, PORT, let_in

from broodyear.desk.app import create_app
from broodyear.desk.doors import KEY_FIELD, LONGEST_FORM_BYTES
from broodyear.desk.state import Desk

MakeDesk = Callable[..., Desk]


def test_the_opened_address_lets_one_browser_in_once(make_desk: MakeDesk) -> None:
    desk = make_desk()
    app = create_app(desk)
    first, second = app.test_client(), app.test_client()
    address = desk.doors.entry_address.removeprefix(BASE)
    answer = first.get(address, base_url=BASE)
    assert answer.status_code == 303 and answer.headers["Location"] == "/"
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and "Path=/" in cookie
    assert second.get(address, base_url=BASE).status_code == 403
    assert second.get("/", base_url=BASE).status_code == 403
    assert first.get("/", base_url=BASE).status_code == 200
    assert first.get(address, base_url=BASE).status_code == 303  # the same window again: no harm


@pytest.mark.parametrize("token", ["", "wrong", "é", "None"])
def test_a_wrong_token_opens_nothing_and_uses_nothing_up(make_desk: MakeDesk, token: str) -> None:
    desk = make_desk()
    client = create_app(desk).test_client()
    assert client.get("/enter", query_string={"token": token}, base_url=BASE).status_code == 403
    assert client.get(desk.doors.entry_address.removeprefix(BASE), base_url=BASE).status_code == 303


def test_every_page_asks_for_the_cookie(make_desk: MakeDesk) -> None:
    app = create_app(make_desk())
    client = app.test_client()
    values = {
        "season": 2024,
        "number": 1,
        "name": "losses",
        "which": "checked",
        "inside": "x.html",
        "filename": "x",
    }
    adapter = app.url_map.bind(f"{HOST}:{PORT}")
    for rule in app.url_map.iter_rules():
        if rule.endpoint == "enter":
            continue
        path = adapter.build(rule.endpoint, {name: values[name] for name in rule.arguments})
        method = "POST" if "POST" in (rule.methods or ()) else "GET"
        answer = client.open(path, method=method, base_url=BASE, headers={"Origin": BASE})
        assert answer.status_code == 403, rule
        assert b"desk_key" not in answer.data and b"data-key" not in answer.data


@pytest.mark.parametrize(
    "host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", f"127.0.0.1:{PORT + 1}", ""]
)
def test_a_foreign_host_is_refused(make_desk: MakeDesk, host: str) -> None:
    client = let_in(make_desk())
    assert client.get("/", headers={"Host": host}, base_url=BASE).status_code == 421


def test_the_other_name_of_this_computer_will_do(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = create_app(desk).test_client()
    path = desk.doors.entry_address.removeprefix(BASE)
    assert client.get(path, base_url=f"http://localhost:{PORT}").status_code == 303


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"http://127.0.0.1:{PORT + 1}"},
        {"Origin": f"https://127.0.0.1:{PORT}"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_site_changes_nothing(make_desk: MakeDesk, headers: dict[str, str]) -> None:
    desk = make_desk()
    client = let_in(desk)
    sent = {"X-Desk-Key": desk.doors.key, "X-File-Name": "a.csv", **headers}
    assert client.post("/files/upload", data=b"x", headers=sent, base_url=BASE).status_code == 403
    assert desk.basket.listed() == []


def test_a_change_without_an_origin_is_refused(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    del client.environ_base["HTTP_ORIGIN"]
    sent = {"X-Desk-Key": desk.doors.key, "X-File-Name": "a.csv"}
    assert client.post("/files/upload", data=b"x", headers=sent, base_url=BASE).status_code == 403


@pytest.mark.parametrize("key", ["", "wrong"])
def test_a_change_needs_the_key_of_the_page(make_desk: MakeDesk, key: str) -> None:
    desk = make_desk()
    client = let_in(desk)
    client.environ_base["HTTP_ACCEPT"] = "text/html"
    assert client.post("/files/clear", data={KEY_FIELD: key}, base_url=BASE).status_code == 403
    assert client.post("/files/clear", data={KEY_FIELD: desk.doors.key}, base_url=BASE).status_code == 303


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_another_site_cannot_even_look(make_desk: MakeDesk, site: str) -> None:
    client = let_in(make_desk())
    assert client.get("/", headers={"Sec-Fetch-Site": site}, base_url=BASE).status_code == 403


@pytest.mark.parametrize("method", ["DELETE", "PATCH", "TRACE", "OPTIONS"])
def test_other_methods_are_refused(make_desk: MakeDesk, method: str) -> None:
    client = let_in(make_desk())
    assert client.open("/files/clear", method=method, base_url=BASE).status_code in {403, 405}


def test_a_long_form_is_refused(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    data = {KEY_FIELD: desk.doors.key, "more": "x" * LONGEST_FORM_BYTES}
    assert client.post("/files/clear", data=data, base_url=BASE).status_code == 413


@pytest.mark.parametrize(
    "path", ["/", "/store", "/reports", "/words", "/nowhere", "/static/desk.js", "/work.json"]
)
def test_every_answer_is_sealed(make_desk: MakeDesk, path: str) -> None:
    with let_in(make_desk()).get(path, base_url=BASE) as answer:
        headers = answer.headers
    policy = headers["Content-Security-Policy"]
    assert (
        policy.startswith("default-src 'none'") and "unsafe" not in policy and "frame-ancestors 'none'" in policy
    )
    assert headers["X-Content-Type-Options"] == "nosniff" and headers["Cache-Control"] == "no-store"
    assert headers["Referrer-Policy"] == "same-origin"


def test_a_refusal_to_outsiders_tells_them_nothing(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = create_app(desk).test_client()
    answer = client.get("/", base_url=BASE)
    assert str(desk.place.store).encode() not in answer.data and "Set-Cookie" not in answer.headers
