"""Hostile requests to a desk: each is refused, and not a byte of the shop changes."""

from __future__ import annotations

import io
import json
import socket
import zipfile
from collections.abc import Iterator
from pathlib import Path
from threading import Thread

import pytest

from tapbatch.watch import incoming
from tapbatch.watch.key import MOST_WRONG, WRONG_S
from tests.shops import tapbatch
from tests.watch.desk import CITTERN, KEY, LYRE, Served, noise

GETS = ("/phone/state", "/phone/readings?after=0", "/phone/notes?instrument=a&stage=b", "/phone/uploads/" + "0" * 24)
POSTS = ("place", "now", "next", "undo", "give", "words", "notes", "uploads")
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


@pytest.fixture
def own(served: Served) -> Served:
    """Return a shop that a test may change."""
    served.send("there.wav", served.sound(2))
    return served


def asked(served: Served, **changes: object) -> dict[str, object]:
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
        assert shop.ask("POST", f"/phone/{name}", asked(shop), key=key)[0] in (401, 429)
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
    ],
)
def test_other_origins_and_hosts_are_refused_even_with_the_key(shop: Served, headers: dict[str, str]) -> None:
    before = shop.snapshot
    given = {name: value.replace("{host}", shop.host) for name, value in headers.items()}
    for path in GETS:
        assert shop.ask("GET", path, headers=given)[0] == 403
    for name in POSTS:
        assert shop.ask("POST", f"/phone/{name}", asked(shop), headers=given)[0] == 403
    assert shop.ask("GET", "/lyre-2/modes.csv", headers=given)[0] == 403
    assert shop.snapshot == before


def test_the_page_itself_may_ask(shop: Served) -> None:
    own = {"Origin": f"http://{shop.host}", "Sec-Fetch-Site": "same-origin"}
    assert shop.ask("POST", "/phone/place", {"destination": CITTERN}, own)[0] == 200
    # A link to the empty page may stand anywhere.
    assert shop.ask("GET", "/phone", headers={"Sec-Fetch-Site": "cross-site"}, key=None)[0] == 200


def test_two_hosts_in_one_request_are_refused(shop: Served) -> None:
    told = shop.raw(
        f"GET / HTTP/1.1\r\nHost: {shop.host}\r\nHost: elsewhere.test\r\nTapbatch-Key: {KEY}\r\n\r\n".encode()
    )
    assert told.startswith(b"HTTP/1.0 403")


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
    undo += "Content-Length: 2\r\n\r\n{}"
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
    "__MACOSX",
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
        assert shop.ask("POST", "/phone/place", {"destination": odd, "new": True})[0] in (400, 409)
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
    status, told = shop.ask("POST", "/phone/uploads", asked(shop, **changes))
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


# -------------------------------------------------------------- what is sent


def _zip() -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr("a.wav", b"RIFF")
    return held.getvalue()


PRETENDERS = {
    "archive.wav": _zip(),
    "packed.wav": b"\x1f\x8b\x08" + noise(1, 3000),
    "text.wav": b"these are words and no sound\n" * 50,
    "page.m4a": b"<html><script>alert(1)</script></html>" * 30,
    "program.wav": b"\x7fELF\x02\x01\x01" + noise(2, 5000),
    "noise.mp3": noise(3, 5000),
    "noise.aac": noise(4, 5000),
    "picture.mp4": b"\x89PNG\r\n\x1a\n" + noise(5, 3000),
    "zeros.wav": bytes(5000),
    "list.m4a": b"#EXTM3U\n#EXTINF:1,\nfile:///etc/passwd\n",
    "concat.wav": b"ffconcat version 1.0\nfile /etc/passwd\n",
    "empty.wav": b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0\1\0\1\0\x40\x1f\0\0\x80\x3e\0\0\2\0\x10\0data\0\0\0\0",
    "head.wav": b"RIFF\xff\xff\xff\xffWAVE",
}


@pytest.mark.parametrize("name", PRETENDERS)
def test_what_is_no_sound_leaves_nothing(own: Served, name: str) -> None:
    before, data = own.snapshot, PRETENDERS[name]
    status, begun = own.begin(name, len(data))
    assert status == 201
    status, told = own.ask("PUT", f"/phone/uploads/{begun['id']}?from=0", data)
    assert (status, set(told)) == (415, {"what", "remedy"})
    assert own.ask("GET", f"/phone/uploads/{begun['id']}")[0] == 404
    day = "results/.uploads/day.json"
    assert {**own.snapshot, day: b""} == {**before, day: b""}


def test_more_than_was_said_is_refused(own: Served) -> None:
    number = own.begin("b.wav", 1000)[1]["id"]
    before = own.snapshot
    assert own.ask("PUT", f"/phone/uploads/{number}?from=0", bytes(1001))[0] == 400
    for start in ("1", "-1", "x", "", "1e3", "9" * 30, "1000"):
        assert own.ask("PUT", f"/phone/uploads/{number}?from={start}", b"x")[0] in (400, 409)
    assert own.ask("PUT", f"/phone/uploads/{number}", b"x")[0] == 400
    assert own.snapshot == before
    assert own.ask("DELETE", f"/phone/uploads/{number}")[0] == 200
    assert not [path for path in own.snapshot if number in path]


def test_a_link_in_place_of_an_upload_is_not_followed(own: Served) -> None:
    number = own.begin("b.wav", 1000)[1]["id"]
    (data,) = (p for p in (own.results / ".uploads").iterdir() if p.suffix == ".wav")
    target = own.root.parent / "precious.txt"
    target.write_bytes(b"")
    data.unlink()
    data.symlink_to(target)
    assert own.ask("PUT", f"/phone/uploads/{number}?from={len(str(data.readlink()))}", b"x")[0] == 409
    assert own.ask("PUT", f"/phone/uploads/{number}?from=0", b"x")[0] == 409
    assert target.read_bytes() == b""


def test_links_in_the_inbox_are_refused(own: Served) -> None:
    secret = own.root.parent / "secret.wav"
    secret.write_bytes(own.sound(9))
    (own.inbox / "link.wav").symlink_to(secret)
    before = own.snapshot
    assert "link" in own.state["waiting"][0]["why"]
    assert own.ask("POST", "/phone/give", {"original": "link.wav", "destination": LYRE})[0] == 409
    assert own.snapshot == before
    # A recording of that name goes beside it, and not through it.
    assert own.send("link.wav", own.sound(3))["original"] == "link (2).wav"
    assert secret.read_bytes() == own.sound(9)


def test_a_folder_of_uploads_that_is_a_link_is_refused(served: Served) -> None:
    elsewhere = served.root.parent / "elsewhere"
    elsewhere.mkdir()
    (served.results / ".uploads").symlink_to(elsewhere)
    assert served.begin("a.wav", 1000)[0] == 409
    assert list(elsewhere.iterdir()) == []


def test_a_place_that_leads_out_of_the_shop_is_refused(own: Served) -> None:
    outside = own.root.parent / "outside"
    outside.mkdir()
    (own.root / "recordings/cittern-13").symlink_to(outside)
    told = own.send("b.wav", own.sound(3), {**CITTERN, "instrument": "cittern-13"})
    assert (told["recording"], "link" in told["note"]) == ("", True)
    assert list(outside.iterdir()) == []
    # The original is in the inbox, and waits.
    assert (own.inbox / "b.wav").read_bytes() == own.sound(3)


def test_only_a_few_are_sent_at_a_time(own: Served) -> None:
    numbers = [own.begin(f"{n}.wav", 1000)[1]["id"] for n in range(8)]
    before = own.snapshot
    status, told = own.begin("more.wav", 1000)
    assert (status, set(told)) == (503, {"what", "remedy"})
    assert own.snapshot == before
    own.ask("DELETE", f"/phone/uploads/{numbers[0]}")
    assert own.begin("more.wav", 1000)[0] == 201


# -------------------------------------------------------------- slow senders


def test_a_sender_that_stands_still_is_let_go_and_what_came_is_kept(
    own: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(incoming, "IDLE_S", 0.2)
    number = own.begin("b.wav", 1000)[1]["id"]
    head = f"PUT /phone/uploads/{number}?from=0 HTTP/1.1\r\nHost: {own.host}\r\nTapbatch-Key: {KEY}\r\n"
    with socket.create_connection(own.host.split(":"), timeout=30) as still:
        still.sendall(f"{head}Content-Length: 1000\r\n\r\n".encode() + b"x" * 10)
        # It ends by itself, and others are served meanwhile.
        assert own.ask("GET", "/phone/state")[0] == 200
        assert still.recv(100) == b""
    assert own.ask("GET", f"/phone/uploads/{number}")[1] == {"offset": 10}


def test_a_body_that_never_comes_is_not_waited_for_long(shop: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(incoming, "SMALL_S", 0.2)
    before = shop.snapshot
    with socket.create_connection(shop.host.split(":"), timeout=30) as still:
        head = f"POST /phone/undo HTTP/1.1\r\nHost: {shop.host}\r\nTapbatch-Key: {KEY}\r\nContent-Length: 50\r\n"
        still.sendall(f"{head}Content-Type: application/json\r\n\r\n{{".encode())
        assert still.recv(100) == b""
    assert shop.snapshot == before


def test_a_later_sender_takes_over_from_one_that_hangs(own: Served) -> None:
    data = own.sound(3)
    number = own.begin("b.wav", len(data))[1]["id"]
    head = f"PUT /phone/uploads/{number}?from=0 HTTP/1.1\r\nHost: {own.host}\r\nTapbatch-Key: {KEY}\r\n"
    with socket.create_connection(own.host.split(":"), timeout=30) as hangs:
        hangs.sendall(f"{head}Content-Length: {len(data)}\r\n\r\n".encode() + data[:100])
        upload = own.desk.uploads.find(number)
        while own.desk.uploads.offset(upload) < 100:
            pass
        assert own.ask("PUT", f"/phone/uploads/{number}?from=100", data[100:])[1]["done"]
        # The first wakes up; what it still sends goes nowhere.
        hangs.sendall(data[100:])
        told = b"".join(iter(lambda: hangs.recv(1000), b""))
    assert told.split(b" ")[1] in (b"409", b"404")
    assert sorted(own.there.values()) == sorted([data, own.sound(2)])


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
