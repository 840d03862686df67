"""What is sent to a desk and is no recording, leads elsewhere, or never comes: it is refused, and leaves nothing."""

from __future__ import annotations

import io
import socket
import zipfile

import pytest

from tapbatch.watch import incoming
from tests.watch.desk import CITTERN, KEY, LYRE, Served, noise

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


def test_a_body_that_never_comes_is_not_waited_for_long(own: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(incoming, "SMALL_S", 0.2)
    before = own.snapshot
    with socket.create_connection(own.host.split(":"), timeout=30) as still:
        head = f"POST /phone/undo HTTP/1.1\r\nHost: {own.host}\r\nTapbatch-Key: {KEY}\r\nContent-Length: 50\r\n"
        still.sendall(f"{head}Content-Type: application/json\r\n\r\n{{".encode())
        assert still.recv(100) == b""
    assert own.snapshot == before


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
