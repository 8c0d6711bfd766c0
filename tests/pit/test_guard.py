"""Who may ask: each refusal with its status (RFC 9110 for 400, 403, 405, 413 and 421), and nothing changed by it."""

from __future__ import annotations

from pathlib import Path

import pytest

from speedlog.pit.codes import COOKIE, Codes
from speedlog.pit.guard import Doors
from speedlog.settings.pit import PitSettings
from tests.pit.conftest import PORT, Pit, of, text_of

HERE = f"http://127.0.0.1:{PORT}"
NAME = {"car": "Long Shrike", "date": "2026-08-22", "name": "Day"}


@pytest.mark.parametrize(
    ("host", "status"),
    [
        (f"127.0.0.1:{PORT}", 200),
        (f"localhost:{PORT}", 200),
        (f"[::1]:{PORT}", 200),
        ("127.0.0.1", 421),  # another port
        ("127.0.0.1:1", 421),
        (f"pit.example:{PORT}", 421),  # a name made to point here (DNS rebinding)
        (f"127.0.0.1.example:{PORT}", 421),
        (f"192.168.1.7:{PORT}", 421),  # not without --lan
        (f"a@127.0.0.1:{PORT}", 421),
        ("127.0.0.1:99999999", 421),
        ("", 421),
    ],
)
def test_only_this_computers_own_names_are_known(empty: Pit, host: str, status: int) -> None:
    assert empty.client.get("/", headers={"host": host}).status_code == status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": HERE}, 303),
        ({"origin": HERE, "sec-fetch-site": "same-origin"}, 303),
        ({}, 303),  # no browser
        ({"origin": "http://elsewhere.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": f"https://127.0.0.1:{PORT}"}, 403),
        ({"origin": f"http://localhost:{PORT}"}, 403),  # not the name that was asked
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
    ],
)
def test_a_form_of_another_site_changes_nothing(empty: Pit, headers: dict[str, str], status: int) -> None:
    assert empty.client.post("/day", data=NAME, headers=headers).status_code == status
    assert empty.count("session") == (status == 303)


def test_another_sites_page_can_link_here_but_not_embed(empty: Pit) -> None:
    far = {"sec-fetch-site": "cross-site"}
    assert empty.client.get("/", headers={**far, "sec-fetch-mode": "navigate"}).status_code == 200
    assert empty.client.get("/", headers={**far, "sec-fetch-mode": "no-cors"}).status_code == 403


def test_every_answer_is_strict(empty: Pit) -> None:
    for path in ("/", "/nowhere", "/style/pit.js", "/news"):
        headers = empty.client.get(path).headers
        policy = headers["content-security-policy"]
        assert (
            "default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy
        )
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["cross-origin-resource-policy"] == "same-origin"
    assert empty.client.get("/").headers["cache-control"] == "no-store"
    refused = empty.client.get("/", headers={"host": "pit.example"})
    assert "content-security-policy" in refused.headers


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH"])
def test_other_methods_are_refused(empty: Pit, method: str) -> None:
    assert empty.client.request(method, "/").status_code == 405


def test_an_address_takes_its_own_method_alone(empty: Pit) -> None:
    assert empty.client.get("/files").status_code == 405
    assert empty.client.post("/days").status_code == 405


@pytest.mark.parametrize(
    "path",
    ["/style/../site.py", "/style/..%2fsite.py", "/style/%2e%2e/site.py", "/style/pit.css/..", "/../etc/passwd",
     "/waiting/..%2f..%2fetc", "/style/guard.py", "/pass/99999999999999999999", "/pass/-1", "/compare/1/1"],
)  # fmt: skip
def test_no_path_leads_out_of_the_page(two: Pit, path: str) -> None:
    assert two.client.get(path).status_code == 404


def test_a_phone_needs_the_code_and_the_code_is_good_once(tmp_path: Path) -> None:
    shown: list[str] = []
    codes = Codes(PitSettings(), shown.append)
    pit = of(tmp_path / "l.db", Doors(PORT, codes), client=("192.168.1.20", 40000))
    host = {"host": f"192.168.1.7:{PORT}", "origin": f"http://192.168.1.7:{PORT}"}
    answer = pit.client.get("/", headers=host)
    assert (answer.status_code, answer.headers["location"]) == (303, "/enter")
    assert pit.client.post("/day", data=NAME, headers=host).status_code == 401
    assert pit.client.get("/news", headers=host).status_code == 401
    first = codes.code
    form = pit.client.get(f"/enter?code={first}", headers=host)
    assert form.status_code == 200 and first in form.text and codes.code == first  # looking uses nothing up
    assert pit.client.post("/enter", data={"code": "WRONG"}, headers=host).status_code == 403
    entered = pit.client.post("/enter", data={"code": f" {first[:4].lower()}-{first[4:]} "}, headers=host)
    assert entered.status_code == 303
    cookie = entered.headers["set-cookie"]
    assert "HttpOnly" in cookie and "samesite=strict" in cookie.lower()
    assert shown == [codes.code] and codes.code != first
    key = cookie.partition("=")[2].partition(";")[0]
    allowed = host | {"cookie": f"other=1; {COOKIE}={key}"}
    assert pit.client.get("/", headers=allowed).status_code == 200
    pit.client.cookies.clear()
    assert pit.client.post("/enter", data={"code": first}, headers=host).status_code == 403
    assert pit.client.get("/", headers=host | {"cookie": f"{COOKIE}=x{key}"}).status_code == 303


def test_after_too_many_wrong_codes_none_is_taken(tmp_path: Path) -> None:
    settings = PitSettings(code_tries=3)
    codes = Codes(settings, lambda code: None)
    for _ in range(settings.code_tries - 1):
        assert codes.take("WRONG") is None
    assert not codes.is_shut
    assert codes.take("WRONG") is None
    assert codes.is_shut and codes.take(codes.code) is None


def test_with_lan_a_name_is_still_refused_and_a_public_address_too(tmp_path: Path) -> None:
    doors = Doors(PORT, Codes(PitSettings(), lambda code: None))
    assert doors.knows(f"192.168.1.7:{PORT}") and doors.knows(f"10.0.0.2:{PORT}")
    for host in (f"pit.example:{PORT}", f"8.8.8.8:{PORT}", f"0.0.0.0:{PORT}", f"192.168.1.7.example:{PORT}"):
        assert not doors.knows(host)


def test_a_back_link_never_leads_elsewhere(empty: Pit) -> None:
    for back in ("//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "elsewhere"):
        answer = empty.client.post("/look", data={"look": "dark", "back": back})
        assert answer.headers["location"] == "/"
    answer = empty.client.post("/look", data={"look": "dark", "unit": "m/s", "back": "/days"})
    assert answer.headers["location"] == "/days"
    assert 'data-look="dark"' in empty.client.get("/days").text
    assert empty.client.post("/look", data={"look": '"><script>'}).headers.get("set-cookie") is None
    assert "Not done" in text_of(empty.client.get("/nowhere"))
