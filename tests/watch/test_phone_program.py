"""The program with a phone: it prints a link, lets in who has the key, and ends when it is asked to."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from tests.refusals import misses
from tests.shops import make_shop, tapbatch, taps, write_wav
from tests.watch.desk import CITTERN

LINK = re.compile(r"http://(127\.0\.0\.1:\d+)/phone#([A-Za-z0-9_-]{22})$", re.MULTILINE)


class Program:
    """The program at work on a shop."""

    def __init__(self, shop: Path, *arguments: str) -> None:
        command = [sys.executable, "-m", "tapbatch", "watch", str(shop), "--serve", "--phone", *arguments]
        self.process = subprocess.Popen(
            [*command, "--address", "127.0.0.1", "--port", "0"], text=True, cwd=Path(__file__).parents[2],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )  # fmt: skip
        assert self.process.stdout is not None
        self.out = ""
        while not (found := LINK.search(self.out)):
            line = self.process.stdout.readline()
            assert line, self.process.communicate()
            self.out += line
        # What is read ahead here would be lost at the end.
        self.out += self.process.stdout.readline()
        self.host, self.key = found[1], found[2]

    def ask(self, method: str, path: str, body: object = None) -> Any:
        data = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        with closing(http.client.HTTPConnection(self.host, timeout=60)) as connection:
            headers = {"Tapbatch-Key": self.key, "Content-Type": "application/json"}
            connection.request(method, path, data, headers)
            return json.loads(connection.getresponse().read())

    def end(self) -> tuple[int, str, str]:
        """Press Ctrl-C, and return the status and all that was printed."""
        self.process.send_signal(signal.SIGINT)
        out, err = self.process.communicate(timeout=60)
        return self.process.returncode, self.out + out, err


@contextmanager
def at_work(shop: Path, *arguments: str) -> Iterator[Program]:
    program = Program(shop, *arguments)
    try:
        yield program
    finally:
        with program.process as process:
            process.kill()


pytestmark = pytest.mark.skipif(os.name == "nt", reason="Ctrl-C cannot be sent to one process alone here")


@pytest.mark.slow
def test_a_recording_goes_from_the_phone_to_its_reading(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {})
    data = write_wav(tmp_path / "a.wav", taps(2, count=3)).read_bytes()
    with at_work(shop) as program:
        begun = program.ask("POST", "/phone/uploads", {"name": "a.wav", "size": len(data), "destination": CITTERN})
        program.ask("PUT", f"/phone/uploads/{begun['id']}?from=0", data)
        (reading,) = program.ask("GET", "/phone/readings?after=0")["readings"]
        assert (reading["instrument"], "C4 +41." in reading["where"]) == ("cittern-12", True)
        status, out, err = program.end()
    assert (status, "Traceback" in out + err) == (0, False)
    assert "not encrypted" in out
    # The key is printed once, with its link, and no code where this is no terminal.
    assert (out + err).count(program.key) == 1
    assert "█" not in out


@pytest.mark.slow
def test_ctrl_c_ends_it_while_a_phone_waits(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {})
    with at_work(shop) as program:
        answers: list[Any] = []
        waiting = Thread(target=lambda: answers.append(program.ask("GET", "/phone/readings?after=0")))
        program.ask("GET", "/phone/state")
        waiting.start()
        status, out, err = program.end()
        waiting.join(timeout=60)
    assert (status, "Traceback" in out + err) == (0, False)


@pytest.mark.slow
def test_the_key_is_new_at_each_start_unless_it_is_kept(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {})
    keys = []
    for arguments in ([], ["--keep-key"], ["--keep-key"], []):
        with at_work(shop, *arguments) as program:
            keys.append(program.key)
    assert (len(set(keys)), keys[1] == keys[2]) == (3, True)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--serve", "--phone", "--address", "0.0.0.0"], ["--address 0.0.0.0"]),
        (["--phone", "--address", "::"], ["--address ::"]),
        (["--serve", "--address", "0.0.0.0"], ["--address 0.0.0.0", "--phone"]),
        (["--serve", "--address", "192.168.0.7"], ["--address 192.168.0.7", "--phone"]),
        (["--serve", "--address", "elsewhere.test"], ["--address elsewhere.test"]),
        (["--serve", "--keep-key"], ["--keep-key", "--phone"]),
    ],
)
def test_what_would_open_the_page_to_more_is_refused(arguments: list[str], told: list[str], tmp_path: Path) -> None:
    result = tapbatch("watch", make_shop(tmp_path / "shop", {}), *arguments)
    assert (result.status, misses(result.err, *told)) == (2, [])
    assert len(result.err.splitlines()) == 1
    assert not (tmp_path / "shop/results").exists()
