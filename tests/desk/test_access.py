"""Who may come in: this computer, the window that was opened, and no other site through it."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from flask import request
from tests.desk.conftest import BASE, FORM, HOST, PORT, a_client, form_around, let_in

from broodyear.desk.access import KEY_FIELD, LONGEST_FORM_BYTES
from broodyear.desk.state import Desk

MakeDesk = Callable[..., Desk]


def entry(desk: Desk) -> str:
    return desk.access.entry_address.removeprefix(BASE)


def test_the_opened_address_lets_one_browser_in_once(make_desk: MakeDesk) -> None:
    desk = make_desk()
    first, second = a_client(desk), a_client(desk)
    address = entry(desk)
    answer = first.get(address, base_url=BASE)
    assert answer.status_code == 303 and answer.headers["Location"] == f"{desk.access.home}/"
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and f"Path={desk.access.home}" in cookie
    again = second.get(address, base_url=BASE)
    assert again.status_code == 403 and desk.access.home.encode() not in again.data
    assert second.get("/").status_code == 403
    assert first.get("/").status_code == 200


def test_the_next_entry_has_an_address_of_its_own(make_desk: MakeDesk) -> None:
    desk = make_desk()
    told: list[str] = []
    desk.access.on_new_entry = told.append
    first = entry(desk)
    assert a_client(desk).get(first, base_url=BASE).status_code == 303
    assert told == [desk.access.entry_address] and entry(desk) != first
    assert a_client(desk).get(entry(desk), base_url=BASE).status_code == 303


def test_the_cookie_goes_to_no_path_that_another_program_could_serve(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    assert len(desk.access.home) > 30 and client.get_cookie(desk.access.cookie, HOST, desk.access.home)
    sent: list[str] = []
    client.application.before_request_funcs[None].insert(0, lambda: sent.append(request.headers.get("Cookie", "")))
    for path in ("/", "/store", "/enter", f"{desk.access.home[:-1]}/"):
        assert client.get(path, base_url=BASE).status_code == 403
    assert sent == [""] * 4
    assert client.get("/store").status_code == 200 and desk.access.cookie in sent[-1]


def test_the_cookie_alone_opens_nothing_elsewhere(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = a_client(desk)
    session = desk.access.enter(entry(desk).partition("token=")[2])
    client.set_cookie(desk.access.cookie, str(session), domain=HOST, path="/")
    assert client.get("/store", base_url=BASE).status_code == 403
    assert client.get("/store").status_code == 200


@pytest.mark.parametrize("token", ["", "wrong", "é", "None"])
def test_a_wrong_token_opens_nothing_and_uses_nothing_up(make_desk: MakeDesk, token: str) -> None:
    desk = make_desk()
    client = a_client(desk)
    assert client.get("/enter", query_string={"token": token}, base_url=BASE).status_code == 403
    assert client.get(entry(desk), base_url=BASE).status_code == 303


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "TRACE", "OPTIONS", "ODD"])
@pytest.mark.parametrize("knows_home", [True, False])
def test_without_the_cookie_no_answer_says_anything(make_desk: MakeDesk, method: str, knows_home: bool) -> None:
    desk = make_desk()
    client = a_client(desk)
    values = {
        "season": 2024,
        "rule": "readings_copied",
        "number": 1,
        "name": "losses",
        "which": "checked",
        "what": "make",
        "inside": "x.html",
        "filename": "x",
    }
    adapter = client.application.url_map.bind(f"{HOST}:{PORT}")
    rules = [rule for rule in client.application.url_map.iter_rules() if rule.endpoint != "enter"]
    named = [{**values, "name": "plan"} if rule.rule.startswith("/plan/") else values for rule in rules]
    paths = [
        adapter.build(rule.endpoint, {name: given[name] for name in rule.arguments})
        for rule, given in zip(rules, named, strict=True)
    ]
    for path in [*paths, "/nowhere", "/%00", "/store//"]:
        answer = client.open(
            path, method=method, base_url=client.home if knows_home else BASE, headers={"Origin": BASE}
        )
        assert answer.status_code in {403, 405}, path
        said = answer.data + str(answer.headers).encode()
        for secret in (
            desk.access.key,
            desk.access.home,
            desk.workplace.store.name,
            desk.access.cookie,
            "desk_key",
        ):
            assert secret.encode() not in said, path


@pytest.mark.parametrize(
    "host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", f"127.0.0.1:{PORT + 1}", ""]
)
def test_a_foreign_host_is_refused(make_desk: MakeDesk, host: str) -> None:
    client = let_in(make_desk())
    assert client.get("/", headers={"Host": host}).status_code == 421


def test_the_other_name_of_this_computer_will_do(make_desk: MakeDesk) -> None:
    desk = make_desk()
    assert a_client(desk).get(entry(desk), base_url=f"http://localhost:{PORT}").status_code == 303


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": f"http://127.0.0.1:{PORT + 1}"},
        {"Origin": f"https://127.0.0.1:{PORT}"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "odd"},
    ],
)
def test_another_site_changes_nothing(make_desk: MakeDesk, headers: dict[str, str]) -> None:
    desk = make_desk()
    client = let_in(desk)
    sent = b"x".join(form_around(desk.access.key, "a.csv"))
    assert client.post("/files/add", data=sent, content_type=FORM, headers=headers).status_code == 403
    assert desk.basket.listed() == []


def test_a_change_without_an_origin_is_refused(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    del client.environ_base["HTTP_ORIGIN"]
    sent = b"x".join(form_around(desk.access.key, "a.csv"))
    assert client.post("/files/add", data=sent, content_type=FORM).status_code == 403


@pytest.mark.parametrize("key", ["", "wrong"])
def test_a_change_needs_the_key_of_the_page(make_desk: MakeDesk, key: str) -> None:
    desk = make_desk()
    client = let_in(desk)
    client.environ_base["HTTP_ACCEPT"] = "text/html"
    assert client.post("/files/clear", data={KEY_FIELD: key}).status_code == 403
    sent = b"x".join(form_around(key, "a.csv"))
    assert client.post("/files/add", data=sent, content_type=FORM).status_code == 403
    assert desk.basket.listed() == []
    assert client.post("/files/clear", data={KEY_FIELD: desk.access.key}).status_code == 303


@pytest.mark.parametrize(
    "headers",
    [{"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": f"http://{HOST}:{PORT + 1}"}],
)
def test_another_site_cannot_even_look(make_desk: MakeDesk, headers: dict[str, str]) -> None:
    desk = make_desk()
    answer = let_in(desk).get("/", headers=headers)
    assert answer.status_code == 403 and desk.access.key.encode() not in answer.data


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE", "OPTIONS"])
def test_other_methods_are_refused(make_desk: MakeDesk, method: str) -> None:
    client = let_in(make_desk())
    assert client.open("/files/clear", method=method).status_code in {403, 405}


def test_a_long_form_is_refused(make_desk: MakeDesk) -> None:
    desk = make_desk()
    client = let_in(desk)
    data = {KEY_FIELD: desk.access.key, "more": "x" * LONGEST_FORM_BYTES}
    assert client.post("/files/clear", data=data).status_code == 413


@pytest.mark.parametrize(
    "path", ["/", "/store", "/reports", "/words", "/nowhere", "/static/desk.js", "/work.json"]
)
def test_every_answer_is_sealed(make_desk: MakeDesk, path: str) -> None:
    with let_in(make_desk()).get(path) as answer:
        headers = answer.headers
    policy = headers["Content-Security-Policy"]
    assert (
        policy.startswith("default-src 'none'") and "unsafe" not in policy and "frame-ancestors 'none'" in policy
    )
    assert headers["X-Content-Type-Options"] == "nosniff" and headers["Cache-Control"] == "no-store"
    assert headers["Referrer-Policy"] == "same-origin"


def test_a_refusal_to_outsiders_tells_them_nothing(make_desk: MakeDesk) -> None:
    desk = make_desk()
    answer = a_client(desk).get("/")
    assert str(desk.workplace.store).encode() not in answer.data and "Set-Cookie" not in answer.headers
