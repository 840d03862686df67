"""Hostile requests to a desk: each is refused, and not a byte of the shop changes."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from threading import Thread

import pytest

from tapbatch.watch.key import MOST_WRONG, WRONG_S
from tests.shops import tapbatch
from tests.watch.desk import CITTERN, KEY, LYRE, Served

GETS = ("/phone/state", "/phone/readings?after=0", "/phone/notes?instrument=a&stage=b", "/phone/uploads/" + "0" * 24)
POSTS = ("now", "next", "undo", "give", "words", "notes", "uploads")
ARGUMENTS = {"name": "a.wav", "size": 1000, "recorded_at": None, "destination": CITTERN}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Return a shop that no test of this module may change."""
    served = Served(tmp_path_factory.mktemp("attacked") / "shop")
    served.send("there.wav", served.sound(2))
    tapbatch("run", served.root)
    # Opened and seen once, so that what the desk itself makes is there.
    assert served.state["last"]
    yield served
    served.close()


def asked(**changes: object) -> dict[str, object]:
    return {**ARGUMENTS, **changes}


# ------------------------------------------------------------------- the key

WRONG = [
    None,
    "",
    "k" * 21,
    "k" * 23,
    "K" * 22,
    "k" * 21 + "l",
    "k" * 100_00,
    "\xff" * 22,
    "../../key",
    "' or 1=1 --",
]


@pytest.mark.parametrize("key", WRONG)
def test_no_other_key_opens_anything(shop: Served, key: str | None) -> None:
    before = shop.snapshot
    for path in GETS:
        assert shop.ask("GET", path, key=key)[0] in (401, 429)
    for name in POSTS:
        assert shop.ask("POST", f"/phone/{name}", asked(), key=key)[0] in (401, 429)
    assert shop.ask("PUT", "/phone/uploads/" + "0" * 24 + "?from=0", b"x", key=key)[0] in (401, 429)
    assert shop.ask("DELETE", "/phone/uploads/" + "0" * 24, key=key)[0] in (401, 429)
    assert shop.ask("GET", "/phone/file/lyre-2/modes.csv", key=key)[0] in (401, 429)
    assert shop.snapshot == before


def test_a_key_in_the_address_or_a_cookie_is_none(own: Served) -> None:
    assert own.ask("GET", f"/phone/state?key={KEY}", key=None)[0] == 401
    assert own.ask("GET", f"/phone/state?Tapbatch-Key={KEY}", key=None)[0] == 401
    for header in ("Cookie", "Authorization"):
        assert own.ask("GET", "/phone/state", headers={header: KEY}, key=None)[0] == 401


def test_many_wrong_keys_are_told_to_wait_and_the_right_one_is_not(own: Served) -> None:
    statuses = [own.ask("GET", "/phone/state", key=f"{n:022d}")[0] for n in range(MOST_WRONG + 10)]
    assert statuses == [401] * MOST_WRONG + [429] * 10
    assert own.ask("GET", "/phone/state")[0] == 200
    own.now_s += WRONG_S + 1
    assert own.ask("GET", "/phone/state", key="")[0] == 401


def test_the_key_is_in_no_answer_and_nowhere_in_the_shop(shop: Served) -> None:
    answers = [shop.ask("GET", path)[1] for path in (*GETS, "/phone", "/", "/live")]
    assert KEY not in repr(answers)
    assert all(KEY.encode() not in data for data in shop.snapshot.values())
    assert not any(KEY in note for note in shop.notes)


# ----------------------------------------------------------- hosts and origins


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.test"},
        {"Origin": "null"},
        {"Origin": "https://{host}"},
        {"Origin": "http://{host}.elsewhere.test"},
        {"Origin": ""},
        {"Origin": "file://"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "odd"},
        {"Host": "elsewhere.test"},
        {"Host": "127.0.0.1.elsewhere.test"},
        {"Host": "192.0.2.77"},
        {"Host": "10.0.0.1:8017"},
        {"Host": "[2001:db8::1]"},
        {"Host": ""},
        {"Host": "["},
        {"Host": "a/b"},
        {"Host": "elsewhere.test@{host}"},
        {"Host": "127.0.0.1#elsewhere.test"},
        {"Host": "127.0.0.1?elsewhere.test"},
    ],
)
def test_other_origins_and_hosts_are_refused_even_with_the_key(shop: Served, headers: dict[str, str]) -> None:
    before = shop.snapshot
    given = {name: value.replace("{host}", shop.host) for name, value in headers.items()}
    for path in GETS:
        assert shop.ask("GET", path, headers=given)[0] == 403
    for name in POSTS:
        assert shop.ask("POST", f"/phone/{name}", asked(), headers=given)[0] == 403
    assert shop.ask("GET", "/lyre-2/modes.csv", headers=given)[0] == 403
    assert shop.snapshot == before


def test_the_page_itself_may_ask(shop: Served) -> None:
    own = {"Origin": f"http://{shop.host}", "Sec-Fetch-Site": "same-origin"}
    assert shop.ask("GET", "/phone/state", headers=own)[0] == 200
    assert shop.ask("POST", "/phone/undo", {"recording": "none"}, own)[0] == 409
    # A link to the empty page may stand anywhere.
    assert shop.ask("GET", "/phone", headers={"Sec-Fetch-Site": "cross-site"}, key=None)[0] == 200


def test_two_hosts_in_one_request_are_refused(shop: Served) -> None:
    told = shop.raw(
        f"GET / HTTP/1.1\r\nHost: {shop.host}\r\nHost: elsewhere.test\r\nTapbatch-Key: {KEY}\r\n\r\n".encode()
    )
    assert told.startswith(b"HTTP/1.0 403")


@pytest.mark.parametrize(
    "twice", [("Origin: http://{host}", "Origin: http://elsewhere.test"), ("Sec-Fetch-Site: none",) * 2]
)
def test_two_origins_in_one_request_are_refused(shop: Served, twice: tuple[str, str]) -> None:
    lines = "\r\n".join((f"Host: {shop.host}", f"Tapbatch-Key: {KEY}", *twice)).replace("{host}", shop.host)
    assert shop.raw(f"GET /phone/state HTTP/1.1\r\n{lines}\r\n\r\n".encode()).startswith(b"HTTP/1.0 403")


@pytest.mark.parametrize("target", ["http://[/", "http://elsewhere.test/phone/state", "phone/state", "*", "?a=1"])
def test_what_is_no_path_is_refused_with_an_answer(shop: Served, target: str) -> None:
    told = shop.raw(f"GET {target} HTTP/1.1\r\nHost: {shop.host}\r\nTapbatch-Key: {KEY}\r\n\r\n".encode())
    assert told.startswith(b"HTTP/1.0 400")


def test_no_answer_allows_another_site_to_read_it(shop: Served) -> None:
    told = shop.raw(f"GET /phone/state HTTP/1.1\r\nHost: {shop.host}\r\nTapbatch-Key: {KEY}\r\n\r\n".encode())
    assert b"Access-Control" not in told
    assert told.startswith(b"HTTP/1.0 200")


# ------------------------------------------------------------------ the request


@pytest.mark.parametrize("method", ["OPTIONS", "TRACE", "CONNECT", "PATCH", "PROPFIND", "get", "X" * 500])
def test_other_methods_are_refused(shop: Served, method: str) -> None:
    before = shop.snapshot
    told = shop.raw(f"{method} /phone/state HTTP/1.1\r\nHost: {shop.host}\r\nTapbatch-Key: {KEY}\r\n\r\n".encode())
    assert told.split(b" ")[1] in (b"501", b"400")
    assert shop.snapshot == before


DEEP = b'{"destination":' + b"[" * 30_000 + b"]" * 30_000 + b"}"


@pytest.mark.parametrize(
    ("body", "headers"),
    [
        (b"", {}),
        (b"{", {}),
        (b"[]", {}),
        (b"null", {}),
        (b"17", {}),
        (b'{"size": NaN}', {}),
        (b'{"size": ' + b"9" * 5000 + b"}", {}),
        (b"\xff\xfe{\x00}\x00", {}),
        (b"\x00" * 100, {}),
        (DEEP, {}),
        (b"{" + b" " * 70_000 + b"}", {}),
        (json.dumps(ARGUMENTS).encode(), {"Content-Type": "text/plain"}),
        (json.dumps(ARGUMENTS).encode(), {"Content-Type": "application/x-www-form-urlencoded"}),
        (json.dumps(ARGUMENTS).encode(), {"Content-Type": "multipart/form-data; boundary=x"}),
        (json.dumps(ARGUMENTS).encode(), {"Transfer-Encoding": "chunked"}),
    ],
)
def test_what_is_no_small_json_is_refused(shop: Served, body: bytes, headers: dict[str, str]) -> None:
    before = shop.snapshot
    for name in POSTS:
        status, told = shop.ask("POST", f"/phone/{name}", body, {"Content-Type": "application/json", **headers})
        assert (status, set(told)) == (400, {"what", "remedy"})
    assert shop.snapshot == before


@pytest.mark.parametrize(
    "length", ["-1", "+5", "5, 6", "0x5", "", "1e3", "99999999999999999999", "٥", "5\r\nContent-Length: 6"]
)
def test_wrong_lengths_are_refused(own: Served, length: str) -> None:
    number = own.begin("b.wav", 1000)[1]["id"]
    before = own.snapshot
    for line in ("POST /phone/uploads", f"PUT /phone/uploads/{number}?from=0"):
        head = f"{line} HTTP/1.1\r\nHost: {own.host}\r\nTapbatch-Key: {KEY}\r\nContent-Type: application/json\r\n"
        told = own.raw(f"{head}Content-Length: {length}\r\n\r\nhello".encode())
        assert told.startswith(b"HTTP/1.0 400")
    assert own.snapshot == before


def test_chunks_are_refused_even_with_a_length(shop: Served) -> None:
    before, body = shop.snapshot, json.dumps(ARGUMENTS).encode()
    head = f"POST /phone/uploads HTTP/1.1\r\nHost: {shop.host}\r\nTapbatch-Key: {KEY}\r\n"
    head += f"Content-Type: application/json\r\nTransfer-Encoding: chunked\r\nContent-Length: {len(body)}\r\n\r\n"
    assert shop.raw(head.encode() + body).startswith(b"HTTP/1.0 400")
    assert shop.snapshot == before


def test_a_second_request_behind_the_first_is_not_done(shop: Served) -> None:
    before = shop.snapshot
    undo = (
        f"POST /phone/undo HTTP/1.1\r\nHost: {shop.host}\r\nTapbatch-Key: {KEY}\r\nContent-Type: application/json\r\n"
    )
    body = json.dumps({"recording": shop.state["last"][0]["recording"]})
    undo += f"Content-Length: {len(body)}\r\n\r\n{body}"
    first = f"GET /phone/state HTTP/1.1\r\nHost: {shop.host}\r\nTapbatch-Key: {KEY}\r\nContent-Length: 0\r\n"
    told = shop.raw(f"{first}Connection: keep-alive\r\n\r\n{undo}".encode())
    assert told.count(b"HTTP/1.0 ") == 1
    assert shop.snapshot == before


@pytest.mark.parametrize(
    "path",
    [
        "/phone/", "/phone/nothing", "/phone/State", "/phone//state", "/phone/../phone/state", "/phone/file/now.csv",
        "/phone/file/../now.csv", "/phone/file/%2e%2e/now.csv", "/phone/file/.readings/ledger.json",
        "/phone/file/.uploads/day.json", "/phone/file/.phone-key", "/phone/uploads/", "/phone/uploads/../day.json",
        "/phone/uploads/%2e%2e%2fnow.csv", "/phone/uploads/day", "/phone/uploads/" + "a" * 24,
        "/phone/uploads/" + "A" * 24, "/phone/uploads/%00", "/phone/readings?after=-1", "/phone/readings?after=1e9",
        "/phone/readings?after=" + "9" * 30, "/phone/notes?instrument=..&stage=..", "/phone/notes?instrument=a",
        "/phone/notes?instrument=a%2Fb&stage=c", "/phone/notes?instrument=%00&stage=c", "/phone/state?a=%ff",
        "/phone/state?" + "&".join(f"a{n}=1" for n in range(100)),
    ],
)  # fmt: skip
def test_nothing_else_is_found(shop: Served, path: str) -> None:
    before = shop.snapshot
    for method in ("GET", "DELETE"):
        assert shop.ask(method, path)[0] in (400, 404, 409)
    assert shop.ask("PUT", f"{path.partition('?')[0]}?from=0", b"x")[0] in (400, 404)
    assert shop.snapshot == before


# ---------------------------------------------------------------- what is asked

NAMES = [
    "..", ".", ".hidden", "~tmp", "a/b", "a\\b", "/etc", "C:", "a\0b", "a\nb", "a\u2028b", "\ud800", "a.", " a", "a ",
    "a" * 200, "\u00e4" * 100, "", "a:b", "a*", "a?", "a|b", '"a"', "<a>", "x.part", "\x1b[2J", "index.html",
    "__MACOSX", "a\u202eb", "a\u2066b", "a\u200fb", "a\u200bb", "a\ufeffb", "a\u00adb",
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_odd_names_are_refused_everywhere(shop: Served, name: str) -> None:
    before = shop.snapshot
    there = shop.state["last"][0]["recording"]
    for key in ("instrument", "stage"):
        odd = {**CITTERN, key: name}
        if (key, name) == ("stage", "index.html"):
            continue
        assert shop.begin("b.wav", 1000, odd)[0] in (400, 409)
        assert shop.ask("POST", "/phone/now", {**odd, "new": True})[0] in (400, 409)
        assert shop.ask("POST", "/phone/next", {"destination": odd})[0] in (400, 409)
        assert shop.ask("POST", "/phone/give", {"recording": there, "destination": odd})[0] in (400, 409)
        if name != "index.html":
            assert shop.ask("POST", "/phone/notes", {**odd, "fields": {"work": "x"}})[0] in (400, 409)
    assert shop.begin("b.wav", 1000, {**CITTERN, "words": [name]})[0] in (400, 409)
    if name:
        asked = {"recording": there, "resets": False, "spot": f"spot-{name}"}
        if name not in (" a", ".", "..", ".hidden", "~tmp", "index.html", "__MACOSX", "a" * 200, "\u00e4" * 100):
            assert shop.ask("POST", "/phone/words", asked)[0] in (400, 409)
    assert shop.snapshot == before


@pytest.mark.parametrize(
    "changes",
    [
        {"destination": None}, {"destination": []}, {"destination": {}}, {"destination": {"instrument": "a"}},
        {"destination": {**CITTERN, "step": -1}}, {"destination": {**CITTERN, "step": 1.5}},
        {"destination": {**CITTERN, "step": True}}, {"destination": {**CITTERN, "step": 10**9}},
        {"destination": {**CITTERN, "words": "closed"}}, {"destination": {**CITTERN, "words": [1]}},
        {"destination": {**CITTERN, "words": ["closd"]}}, {"destination": {**CITTERN, "words": ["closed"] * 50}},
        {"destination": {**CITTERN, "words": ["closed", "free"]}}, {"destination": {**CITTERN, "on": ["nothing"]}},
        {"destination": {**CITTERN, "on": ["a", "b", "c"]}}, {"destination": {**CITTERN, "instrument": {"a": 1}}},
        {"size": 0}, {"size": -1}, {"size": 1.5}, {"size": "1000"}, {"size": True}, {"size": None}, {"size": 10**15},
        {"name": ""}, {"name": None}, {"name": "a"}, {"name": "a.exe"}, {"name": "a.wav.exe"}, {"name": "a.toml"},
        {"name": "x" * 2000 + ".wav"}, {"name": ["a.wav"]}, {"name": "\ud800.wav"}, {"name": "now.csv"},
        {"recorded_at": "yesterday"}, {"recorded_at": 5}, {"recorded_at": "2026-13-01T00:00:00Z"},
    ],
)  # fmt: skip
def test_odd_uploads_are_refused_before_a_byte_is_sent(shop: Served, changes: dict[str, object]) -> None:
    before = shop.snapshot
    status, told = shop.ask("POST", "/phone/uploads", asked(**changes))
    assert status in (400, 409, 413, 415)
    assert set(told) >= {"what", "remedy"}
    assert shop.snapshot == before


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("undo", {"recording": "lyre-2/05-closed/a.wav"}), ("undo", {"recording": "../now.csv"}),
        ("undo", {"recording": 5}), ("give", {"recording": "lyre-2/05-closed/a.wav", "destination": LYRE}),
        ("give", {"original": "../now.csv", "destination": LYRE}), ("give", {"destination": LYRE}),
        ("give", {"original": "nothing.wav", "destination": LYRE}), ("words", {"recording": "../now.csv"}),
        ("words", {"recording": "lyre-2/05-closed/a.wav", "resets": True}), ("words", {"resets": "yes"}),
        ("notes", {"instrument": "a", "stage": "b", "fields": {"instrument": "x"}}),
        ("notes", {"instrument": "a", "stage": "b", "fields": {"mine": "x"}}),
        ("notes", {"instrument": "a", "stage": "b", "fields": {"work": "a\nb"}}),
        ("notes", {"instrument": "a", "stage": "b", "fields": {"work": "\0"}}),
        ("notes", {"instrument": "a", "stage": "b", "fields": {"work": "x" * 900}}),
        ("notes", {"instrument": "a", "stage": "b", "fields": {"mass_g": "1e400"}}),
        ("notes", {"instrument": "a", "stage": "b", "fields": {f"f{n}": "x" for n in range(100)}}),
        ("notes", {"instrument": "a", "stage": "b", "fields": [1]}),
    ],
)  # fmt: skip
def test_what_cannot_be_done_changes_nothing(shop: Served, path: str, body: dict[str, object]) -> None:
    before = shop.snapshot
    assert shop.ask("POST", f"/phone/{path}", body)[0] in (400, 404, 409)
    assert shop.snapshot == before


# ------------------------------------------------------------------ many and others


def test_a_hundred_at_once_without_the_key_shut_nobody_out(own: Served) -> None:
    before = own.snapshot
    statuses: list[int] = []

    def ask() -> None:
        statuses.append(own.ask("POST", "/phone/undo", {}, key="x" * 22)[0])

    threads = [Thread(target=ask) for _ in range(100)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert set(statuses) <= {401, 429, 503}
    assert own.snapshot == before
    assert own.ask("GET", "/phone/state")[0] == 200


def test_another_machine_sees_nothing_without_the_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # It is served at another address than the one from which this test asks, as if the asker were another machine.
    monkeypatch.setattr("tapbatch.watch.phone_handler.is_this_machine", lambda client, served: client == served)
    served = Served(tmp_path / "shop", address="192.0.2.1")
    try:
        tapbatch("run", served.root)
        host = {"Host": "192.0.2.1:8017"}
        for path in ("/", "/index.html", "/attention.csv", "/lyre-2/modes.csv", "/lyre-2/report.pdf", "/live"):
            assert served.ask("GET", path, headers=host, key=None)[0] == 401
            assert served.ask("HEAD", path, headers=host, key="x" * 22)[0] == 401
            assert served.ask("GET", path, headers=host)[0] == 200
        assert served.ask("GET", "/phone", headers=host, key=None)[0] == 200
    finally:
        served.close()


def test_this_machine_looks_without_the_key_and_changes_nothing(shop: Served) -> None:
    assert shop.ask("GET", "/lyre-2/modes.csv", key=None)[0] == 200
    assert shop.ask("POST", "/lyre-2/modes.csv", {}, key=None)[0] in (401, 429)
    assert shop.ask("POST", "/lyre-2/modes.csv", {})[0] == 404
