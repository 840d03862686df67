"""What a served shop gives out, and to whom: the results alone, and to nobody who comes by another name."""

from __future__ import annotations

import hashlib
import http.client
import json
import os
import socket
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from threading import Thread

import pytest

from tapbatch.model.errors import ShopError
from tapbatch.results.marks import Mark, write_mark
from tapbatch.show.browser.page import index_bytes
from tapbatch.watch.connections import CONNECTIONS, BoundedServer, TimedHandler, UntilDeadline
from tapbatch.watch.serving import HERE, Live, Serving
from tests.refusals import refused
from tests.shops import tapbatch


@pytest.fixture
def results(tmp_path: Path) -> Path:
    folder = tmp_path / "shop" / "results"
    (folder / "na #2").mkdir(parents=True)
    (folder / ".readings").mkdir()
    (folder / "index.html").write_bytes(index_bytes([], ()))
    (folder / "na #2" / "modes.csv").write_text("part,mode\n")
    made = {"inputs": "", "learned": None, "tables": "", "report": "", "card": ("", 0, 0), "files": {}}
    write_mark(folder, Mark(instrument="na #2", **made, lines=(), notices=(), attention=()))
    (folder / "na #2" / "na #2.xlsx").write_bytes(b"PK")
    (folder / "na #2" / "mine.csv").write_text("mine\n")
    (folder / "stranger").mkdir()
    (folder / "stranger" / "modes.csv").write_text("mine\n")
    (folder / "mine.csv").write_text("mine\n")
    (folder / "na #2" / "notes.txt").write_text("mine\n")
    (folder / ".readings" / "modes.csv").write_text("kept\n")
    (folder.parent / "secret.csv").write_text("not yours\n")
    return folder


@pytest.fixture
def serving(results: Path) -> Iterator[Serving]:
    server = Serving(Live(lambda: results, latest="i-1"), port=0)
    yield server
    server.close()


def ask(
    serving: Serving, path: str, method: str = "GET", host: str | None = None
) -> tuple[int, dict[str, str], bytes]:
    at = serving.url.removeprefix("http://").rstrip("/")
    connection = http.client.HTTPConnection(at, timeout=20)
    connection.putrequest(method, path, skip_host=True)
    connection.putheader("Host", at if host is None else host)
    connection.endheaders()
    answer = connection.getresponse()
    told = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    connection.close()
    return told


def test_the_page_is_given_out_and_told_that_it_may_ask_for_more(serving: Serving, results: Path) -> None:
    status, headers, page = ask(serving, "/")
    assert (status, headers["content-type"]) == (200, "text/html; charset=utf-8")
    assert page.replace(b" data-live", b"") == (results / "index.html").read_bytes()
    assert headers["cache-control"] == "no-store"
    assert ask(serving, "/index.html")[2] == page


def test_tables_are_given_out_by_their_links(serving: Serving) -> None:
    status, headers, table = ask(serving, "/na%20%232/modes.csv")
    assert (status, headers["content-type"], table) == (200, "text/csv; charset=utf-8", b"part,mode\n")
    assert ask(serving, "/na%20%232/modes.csv", "HEAD")[2] == b""


def test_workbooks_are_given_out(serving: Serving) -> None:
    assert ask(serving, "/na%20%232/na%20%232.xlsx")[2] == b"PK"


def test_a_link_is_not_followed(serving: Serving, results: Path) -> None:
    table = results / "na #2" / "drift.csv"
    if not hasattr(os, "symlink"):
        pytest.skip("this system has no links")
    table.symlink_to(results / "na #2" / "notes.txt")
    assert ask(serving, "/na%20%232/drift.csv")[0] == 404


def test_it_says_which_page_there_is(serving: Serving, results: Path) -> None:
    before = json.loads(ask(serving, "/live")[2])
    assert before["latest"] == "i-1"
    (results / "index.html").write_bytes(index_bytes([], ()) + b"\n")
    assert json.loads(ask(serving, "/live")[2])["version"] != before["version"]


@pytest.mark.parametrize(
    "path",
    [
        "/../secret.csv",
        "/%2e%2e/secret.csv",
        "/na%20%232/../../secret.csv",
        "/na%20%232%2f..%2f..%2fsecret.csv",
        "/..%5csecret.csv",
        "/.readings/modes.csv",
        "/%2ereadings/modes.csv",
        "/na%20%232/notes.txt",
        "/na%20%232/mine.csv",
        "/na%20%232/other.xlsx",
        "/stranger/modes.csv",
        "/mine.csv",
        "/na%20%232/modes.csv/modes.csv",
        "/na%20%232/",
        "/na%20%232",
        "/linked.csv",
        "//secret.csv",
        "/a%00.csv",
        "/none/report.pdf",
    ],
)
def test_nothing_else_is_given_out(serving: Serving, results: Path, path: str) -> None:
    if hasattr(os, "symlink"):
        (results / "linked.csv").symlink_to(results.parent / "secret.csv")
    status, _, told = ask(serving, path)
    assert status == 404
    assert b"not yours" not in told
    assert b"kept" not in told
    assert b"mine" not in told


@pytest.mark.parametrize("host", ["elsewhere.test", "elsewhere.test:80", "", "127.0.0.1.elsewhere.test", "a/b", "["])
def test_who_comes_by_another_name_is_refused(serving: Serving, host: str) -> None:
    assert ask(serving, "/", host=host)[0] == 403


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_nothing_can_be_changed(serving: Serving, method: str) -> None:
    assert ask(serving, "/index.html", method)[0] == 501


def test_only_this_machine_can_ask(serving: Serving) -> None:
    assert serving.url.startswith(f"http://{HERE}:")


def test_a_port_that_is_taken_is_told_in_a_line() -> None:
    with socket.socket() as taken:
        taken.bind((HERE, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with refused(ShopError, f"{HERE}:{port}", "--port"):
            Serving(Live(Path), port=port)


def connect(serving: Serving) -> socket.socket:
    port = int(serving.url.rstrip("/").rsplit(":", 1)[1])
    return socket.create_connection((HERE, port), timeout=20)


def test_a_crowd_is_told_to_come_back_and_gives_its_places_up(results: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tapbatch.watch.connections.HEAD_S", 1.0)
    server = Serving(Live(lambda: results), port=0, connections=2)
    dripping = [connect(server) for _ in range(2)]
    try:
        for one in dripping:
            one.sendall(b"GET / HTTP/1.1\r\nHost: 127")
        crowded = connect(server)
        assert crowded.recv(4096).startswith(b"HTTP/1.0 503")
        crowded.close()
        # Their time is over when the deadline has passed, however they drip.
        for one in dripping:
            assert one.recv(4096) == b""
        assert ask(server, "/")[0] == 200
    finally:
        for one in dripping:
            one.close()
        server.close()


def test_dripping_bytes_earn_no_new_patience() -> None:
    here, there = socket.socketpair()
    with here, there:
        reader = UntilDeadline(here, time.monotonic() + 0.2)
        there.sendall(b"x")
        assert reader.read(1) == b"x"
        over = UntilDeadline(here, time.monotonic())
        there.sendall(b"x")
        with pytest.raises(TimeoutError):
            over.read(1)


def test_a_workshop_that_connects_in_one_moment_is_kept_in_line_and_answered() -> None:
    # Nobody looks at the line before all of them stand in it.
    with ExitStack() as closing:
        server = closing.enter_context(BoundedServer((HERE, 0), TimedHandler, connections=100))
        clients = [
            closing.enter_context(socket.create_connection((HERE, server.server_port), timeout=5)) for _ in range(100)
        ]
        for one in clients:
            one.sendall(b"GET / HTTP/1.0\r\n\r\n")
        Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()
        closing.callback(server.shutdown)
        # The bare handler knows no method; what counts is that each of them hears from it.
        assert {one.recv(12) for one in clients} == {b"HTTP/1.0 501"}


@pytest.mark.parametrize(("said", "meant"), [([], CONNECTIONS), (["--connections", "7"], 7)])
def test_as_many_connections_are_served_as_the_command_says(
    said: list[str], meant: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def serving(_live: Live, _address: str, _port: int, connections: int) -> None:
        raise ShopError("asked for", f"{connections} connections", "stop here")

    (tmp_path / "recordings").mkdir()
    (tmp_path / "shop.toml").touch()
    monkeypatch.setattr("tapbatch.watch.serving.Serving", serving)
    assert f"asked for: {meant} connections" in tapbatch("watch", tmp_path, "--serve", *said).err


@pytest.mark.parametrize("number", ["0", "1001", "many"])
def test_a_number_of_connections_that_cannot_be_is_told_in_a_line(number: str, tmp_path: Path) -> None:
    told = tapbatch("watch", tmp_path, "--connections", number)
    assert told.status == 2
    assert told.err.splitlines()[-1].startswith("Error: Invalid value for '--connections': ")


def test_more_connections_than_there_are_descriptors_for_are_told_in_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    resource = pytest.importorskip("resource")
    monkeypatch.setattr(resource, "getrlimit", lambda _: (256, 256))
    with refused(ShopError, "--connections", 81, 80):
        Serving(Live(Path), port=0, connections=81)
    Serving(Live(Path), port=0, connections=80).close()


def test_a_large_file_is_sent_piece_by_piece(serving: Serving, results: Path) -> None:
    report = results / "na #2" / "report.pdf"
    report.write_bytes(bytes(range(256)) * 200_000)
    with socket.create_connection(serving.url.removeprefix("http://").rstrip("/").split(":"), timeout=20) as one:
        tracemalloc.start()
        try:
            one.sendall(f"GET /na%20%232/report.pdf HTTP/1.0\r\nHost: {HERE}\r\n\r\n".encode())
            told = hashlib.sha256()
            with one.makefile("rb") as answer:
                while answer.readline().strip():
                    pass
                while piece := answer.read(65_536):
                    told.update(piece)
            peak = tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()
    assert told.digest() == hashlib.sha256(report.read_bytes()).digest()
    assert peak < 2_000_000
