"""Who is let in: what is refused, how, and what is said about it."""

from __future__ import annotations

import re
import socket
import time
from http.client import HTTPConnection

import pytest

from companion import docs
from companion.config import GlancePage
from companion.page import Page, PageError, app, guard
from companion.page.guard import BODY_BYTES, MOST_CONNECTIONS, Guard, Refusals

ELSEWHERE = {"Origin": "http://elsewhere.example", "Sec-Fetch-Site": "cross-site"}


def raw(served, data: bytes, patience: float = 600.0) -> bytes:
    """Send bytes and return all that comes back until the other side closes."""
    host, port = served.host.split(":")
    with socket.create_connection((host, int(port)), patience) as connection:
        connection.sendall(data)
        answer = b""
        try:
            while piece := connection.recv(65_536):
                answer += piece
        except (TimeoutError, ConnectionResetError):
            pass
        return answer


def test_a_request_for_another_host_is_refused_and_told_once(aboard):
    lan = aboard.host.replace("127.0.0.1", "192.168.7.7")
    for host in (
        "evil.example",
        "evil.example:80",
        "127.0.0.1:1",
        lan,
        "",
        "a b",
        "127.0.0.1@x",
    ):
        answer = raw(
            aboard,
            f"GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode(),
        )
        assert answer.split()[1] in (b"421", b"400")
        assert b"Rod 1" not in answer
    assert len(aboard.warned) == 1


def test_this_computer_has_several_names(aboard):
    for host in ("127.0.0.1", "localhost", "LOCALHOST", "[::1]"):
        status, _, text = aboard.request(
            "GET", "/", Host=f"{host}:{aboard.host.split(':')[1]}"
        )
        assert (status, "clear by 3 feet" in text) == (200, True)


def test_on_the_boats_network_its_figures_and_its_own_name_are_taken():
    door = Guard(None, "0.0.0.0", 8765, Refusals(print))
    own = socket.gethostname().lower()
    for host in ("10.0.0.5:8765", f"{own}:8765", f"{own}.local:8765", "localhost:8765"):
        assert door.is_ours(host)
    for host in ("boat.evil.example:8765", "10.0.0.5:80", "10.0.0.5"):
        assert not door.is_ours(host)
    assert not Guard(None, "127.0.0.1", 8765, Refusals(print)).is_ours("10.0.0.5:8765")


@pytest.mark.parametrize("path", ["/do", "/pair", "/ask"])
def test_a_form_of_another_site_does_nothing(aboard, path):
    cookie = aboard.paired_cookie()
    codes = len(aboard.codes)
    for headers in (
        ELSEWHERE,
        {"Origin": "null"},
        {"Origin": ""},
        {"Origin": "http://127.0.0.1"},
    ):
        named = {name.replace("-", "_"): value for name, value in headers.items()}
        status, _, _ = aboard.request(
            "POST", path, "button=bite&code=00000", Cookie=cookie, **named
        )
        assert status == 403
    assert (aboard.taps, len(aboard.codes)) == ([], codes)
    assert len(aboard.warned) == 1


def test_another_site_may_link_here_but_not_read(aboard):
    assert (
        aboard.request(
            "GET", "/", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="navigate"
        )[0]
        == 200
    )
    assert (
        aboard.request(
            "GET", "/", Sec_Fetch_Site="cross-site", Sec_Fetch_Mode="no-cors"
        )[0]
        == 403
    )
    status, headers, _ = aboard.request(
        "GET", "/stream", Origin="http://elsewhere.example"
    )
    assert status == 403
    assert not [name for name in headers if name.lower().startswith("access-control")]


def test_every_answer_forbids_inline_code_framing_and_guessing_of_types(aboard):
    for path in ("/", "/glance.js", "/glance.css", "/mark.svg", "/nothing"):
        _, headers, text = aboard.request("GET", path)
        policy = headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "style=" not in text.replace("data-", "")
        assert "server" not in {name.lower() for name in headers}
    assert "<script>" not in aboard.request("GET", "/")[2]


def test_only_a_paired_device_may_tap(aboard):
    assert aboard.post("/do", button="bite")[0] == 403
    assert aboard.post("/do", "companion=forged", button="bite")[0] == 403
    assert aboard.taps == []
    cookie = aboard.paired_cookie()
    for button in ("bite", "touch", "rod 2", "undo"):
        assert aboard.post("/do", cookie, button=button)[0] == 200
    assert aboard.taps == ["log bite", "bottom contact", "rod number two", "undo that"]
    assert aboard.post("/do", cookie, button="rod 999")[0] == 400
    aboard.busy = True
    status, _, told = aboard.post("/do", cookie, button="bite")
    assert status == 503
    assert "Say it instead" in told


def test_the_cookie_is_for_this_page_only_and_out_of_reach_of_scripts(aboard):
    aboard.post("/ask")
    _, headers, _ = aboard.post("/pair", code=aboard.codes[-1])
    cookie = headers["Set-Cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert aboard.host.split(":")[1] in cookie.partition("=")[0]


def test_taps_are_limited_in_number(aboard):
    cookie = aboard.paired_cookie()
    codes = [
        aboard.post("/do", cookie, button="bite")[0] for _ in range(app.MOST_TAPS + 3)
    ]
    assert codes == [200] * app.MOST_TAPS + [429] * 3
    assert len(aboard.taps) == app.MOST_TAPS


def test_guessing_the_code_is_slowed_then_locked_and_no_secret_is_told(
    aboard, monkeypatch
):
    monkeypatch.setattr("companion.page.pairing.BETWEEN_TRIES", 0.0)
    monkeypatch.setattr("companion.page.pairing.BETWEEN_CODES", 0.0)
    answers = []
    for _ in range(3):
        aboard.post("/ask")
        answers += [aboard.post("/pair", code="x0000")[0] for _ in range(6)]
    assert 200 not in answers
    assert "locked" in aboard.post("/pair", code=aboard.codes[-1])[2]
    assert aboard.post("/ask")[0] == 403
    assert len(aboard.codes) == 3
    told = "\n".join(aboard.warned)
    assert told.count("that is not the code") == 1
    assert told.count("pairing is locked") == 1
    assert not any(code in told for code in aboard.codes)


def test_tries_that_follow_too_fast_are_not_even_compared(aboard):
    aboard.post("/ask")
    assert aboard.post("/pair", code="wrong")[0] == 403
    assert aboard.post("/pair", code=aboard.codes[-1])[0] == 429


def test_a_page_for_paired_devices_only_shows_nothing_before(scenes):
    with scenes.Aboard(reading="paired") as served:
        served.page.show(scenes.glance())
        status, _, text = served.request("GET", "/")
        assert (status, "Rod 1" in text, "ft" in text) == (200, False, False)
        assert served.request("GET", "/stream")[0] == 403
        cookie = served.paired_cookie()
        assert "clear by 3 feet" in served.request("GET", "/", Cookie=cookie)[2]


@pytest.mark.parametrize("fields", ["code=" + "9" * 2 * BODY_BYTES, "a" * 1_000_000])
def test_a_long_body_is_not_read_to_its_end(aboard, fields):
    for _ in range(2):
        try:
            status = aboard.request("POST", "/pair", fields)[0]
        except OSError:
            status = 413  # it was cut off while it still sent
        assert status == 413
    assert len(aboard.warned) == 1
    assert aboard.request("GET", "/")[0] == 200


def test_a_long_head_is_refused(aboard):
    def head(size: int) -> bytes:
        return (
            f"GET / HTTP/1.1\r\nHost: {aboard.host}\r\nX: {'y' * size}\r\n\r\n".encode()
        )

    assert b" 431 " in raw(aboard, head(10_000)), (
        "in one piece, or the server itself refuses it"
    )
    assert b" 400 " in raw(aboard, head(100_000).rstrip())
    assert aboard.warned == [
        "page: refused a request with a long head from 127.0.0.1; the same again is not told",
        "page: refused what is no HTTP request from 127.0.0.1; the same again is not told",
    ]


@pytest.mark.parametrize(
    "data",
    [
        b"GET / HTTP/1.1\r\nHost: HOST\r\nX-Slow: ",
        b"",
        b"POST /pair HTTP/1.1\r\nHost: HOST\r\nOrigin: http://HOST\r\nContent-Length: 100\r\n\r\ncode=",
    ],
)
def test_a_slow_client_is_cut_off_and_told_once(aboard, monkeypatch, data):
    monkeypatch.setattr(guard, "REQUEST_TIME", 0.3)
    monkeypatch.setattr(app, "REQUEST_TIME", 0.3)
    for _ in range(2):
        began = time.monotonic()
        answer = raw(aboard, data.replace(b"HOST", aboard.host.encode()), 120.0)
        assert 0.2 < time.monotonic() - began < 100.0
        assert b"200 OK" not in answer
    assert len(aboard.warned) == 1
    assert aboard.request("GET", "/")[0] == 200


def test_who_follows_and_does_not_read_is_cut_off_and_costs_little(
    aboard, scenes, monkeypatch
):
    monkeypatch.setattr(app, "REQUEST_TIME", 0.3)
    host, port = aboard.host.split(":")
    with socket.socket() as deaf:
        deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        deaf.connect((host, int(port)))
        deaf.sendall(f"GET /stream HTTP/1.1\r\nHost: {aboard.host}\r\n\r\n".encode())
        wait_until(lambda: aboard.page.watched == 1)
        t = 0.0
        # Sockets hold some megabytes before anybody notices; a change is some
        # kilobytes.
        monkeypatch.setattr("companion.page.server.VIEW_INTERVAL_S", 0.0)
        deadline = time.monotonic() + 600.0
        while aboard.page.watched and time.monotonic() < deadline:
            t += 1.0
            long = "x" * 500_000
            aboard.page.show(scenes.glance(t, said=f"{t} {long}"))
            time.sleep(0.02)
        assert aboard.page.watched == 0


def test_connections_are_limited(aboard, monkeypatch):
    monkeypatch.setattr(guard, "MOST_CONNECTIONS", 10)
    host, port = aboard.host.split(":")
    idle = [socket.create_connection((host, int(port))) for _ in range(10)]
    try:
        assert (
            raw(aboard, f"GET / HTTP/1.1\r\nHost: {aboard.host}\r\n\r\n".encode())
            == b""
        )
        assert aboard.warned == [
            "page: refused one connection too many from 127.0.0.1; the same again is not told"
        ]
    finally:
        for connection in idle:
            connection.close()
    wait_until(lambda: aboard.request("GET", "/")[0] == 200)
    assert (
        MOST_CONNECTIONS >= 20 + 20
    )  # twenty pages that follow, each with one request more


def test_one_other_device_has_few_connections_and_keeps_nobody_out(aboard, monkeypatch):
    monkeypatch.setattr(guard, "_is_this_computer", lambda _: False)
    monkeypatch.setattr(guard, "CONNECTIONS_OF_ONE", 4)
    host, port = aboard.host.split(":")
    idle = [socket.create_connection((host, int(port))) for _ in range(4)]
    try:
        asked = f"GET / HTTP/1.1\r\nHost: {aboard.host}\r\nConnection: close\r\n\r\n".encode()
        assert raw(aboard, asked) == b""
        monkeypatch.setattr(guard, "_is_this_computer", lambda _: True)
        assert raw(aboard, asked).startswith(
            b"HTTP/1.1 200"
        )  # as from an address of its own
    finally:
        for connection in idle:
            connection.close()


@pytest.mark.parametrize("size", [b"-1", b"F" * 17, b"0x1"])
def test_a_chunk_of_no_size_ends_its_request_without_an_error_of_ours(
    aboard, size, caplog
):
    head = f"POST /do HTTP/1.1\r\nHost: {aboard.host}\r\nOrigin: http://{aboard.host}\r\n".encode()
    answer = raw(aboard, head + b"Transfer-Encoding: chunked\r\n\r\n" + size + b"\r\n")
    assert answer.split()[1] in (b"303", b"400", b"403")
    assert aboard.request("GET", "/")[0] == 200
    assert [record for record in caplog.records if record.exc_info] == []


def wait_until(true, patience: float = 600.0):
    deadline = time.monotonic() + patience
    while time.monotonic() < deadline:
        try:
            if true():
                return
        except OSError:
            pass
        time.sleep(0.02)
    pytest.fail("it did not come to be")


OUTWARDS = [
    "/../config.py",
    "/..%2fconfig.py",
    "/%2e%2e/%2e%2e/etc/passwd",
    "//etc/passwd",
    "/glance.css/../../pairing.py",
    "/pairing.py",
    "/page.html",
    "/glance.css%00",
    "/\\..\\config.py",
]


def test_no_path_leads_out(aboard):
    for path in OUTWARDS:
        answer = raw(
            aboard,
            f"GET {path} HTTP/1.1\r\nHost: {aboard.host}\r\nConnection: close\r\n\r\n".encode(),
        )
        assert answer.split()[1] in (b"404", b"400")
        assert b"import" not in answer
    assert len(aboard.warned) == 1


def test_other_methods_are_refused(aboard):
    for method in ("PUT", "DELETE", "OPTIONS", "TRACE", "CONNECT"):
        request = (
            f"{method} / HTTP/1.1\r\nHost: {aboard.host}\r\nConnection: close\r\n\r\n"
        )
        assert raw(aboard, request.encode()).split()[1] in (b"405", b"400", b"404")


def test_what_is_no_http_is_refused_once(aboard):
    for _ in range(3):
        assert b"400" in raw(aboard, b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n")
    assert len(aboard.warned) == 1


def test_a_told_text_is_one_of_ours(aboard):
    text = aboard.request("GET", "/?told=<script>alert(1)</script>")[2]
    assert "alert" not in text
    assert app.TAP_ANSWERS["paired"] in aboard.request("GET", "/?told=paired")[2]


def test_names_in_a_glance_cannot_become_markup(aboard, scenes):
    aboard.page.show(scenes.glance(said='<img src=x onerror="1">', heard="&lt;b&gt;"))
    text = aboard.request("GET", "/")[2]
    assert "&lt;img src=x onerror=&quot;1&quot;&gt;" in text
    assert "&amp;lt;b&amp;gt;" in text


def test_a_taken_port_is_told_with_what_to_do(aboard):
    port = int(aboard.host.split(":")[1])
    taken = Page(GlancePage(port=port), "feet", lambda _: True, print, print)
    with (
        pytest.raises(
            PageError,
            match=rf"127\.0\.0\.1 port {port}: .*; choose another address or port under",
        ),
        taken,
    ):
        pass


def test_files_are_asked_for_again_only_when_they_changed(aboard):
    _, headers, _ = aboard.request("GET", "/glance.js")
    assert aboard.request("GET", "/glance.js", If_None_Match=headers["ETag"])[0] == 304


def test_a_form_without_scripts_leads_back_to_the_page(aboard):
    connection = HTTPConnection(aboard.host, timeout=600)
    connection.request(
        "POST", "/ask", "", {"Origin": aboard.url.rstrip("/"), "Host": aboard.host}
    )
    answer = connection.getresponse()
    assert (answer.status, answer.headers["Location"]) == (303, "/?told=spoken")
    connection.close()
    assert "A code was spoken" in aboard.request("GET", "/?told=spoken")[2]


def test_the_pages_to_read_are_served_without_a_network_and_link_to_each_other(aboard):
    for name in docs.PAGE_NAMES:
        status, _, text = aboard.request("GET", f"/read/{name}")
        assert status == 200
        assert "Not for navigation" in text
        assert "<script" not in text.lower()
        for target in re.findall(r'href="(/read/[a-z-]+)#?[^"]*"', text):
            assert aboard.request("GET", target)[0] == 200
        assert not re.search(r'href="(?!/|#)', text)
    pictures = re.findall(
        r'src="(/read/pictures/[a-z]+\.svg)"',
        aboard.request("GET", "/read/tutorial")[2],
    )
    assert len(pictures) >= 3
    assert [aboard.request("GET", one)[0] for one in pictures] == [200] * len(pictures)
    assert aboard.request("GET", "/read/pictures/%2e%2e%2ftutorial.md")[0] == 404
    assert aboard.request("GET", "/read")[2] == aboard.request("GET", "/read/index")[2]
    for wrong in (
        "/read/nothing",
        "/read/../docs/index",
        "/read/index.md",
        "/read/%2e%2e",
    ):
        assert aboard.request("GET", wrong)[0] == 404


def test_a_link_to_a_heading_finds_it(aboard):
    for name in docs.PAGE_NAMES:
        text = aboard.request("GET", f"/read/{name}")[2]
        for target, anchor in re.findall(r'href="/read/([a-z-]+)#([^"]+)"', text):
            assert f'id="{anchor}"' in aboard.request("GET", f"/read/{target}")[2], (
                name,
                anchor,
            )
