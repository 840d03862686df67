"""The program with a phone: it prints a link, lets in who has the key, and ends when it is asked to."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from tests.refusals import misses
from tests.shops import make_shop, tapbatch, taps, write_wav
from tests.watch.desk import CITTERN
from tests.watch.program import Watch


@contextmanager
def at_work(shop: Path, *arguments: str) -> Iterator[Watch]:
    program = Watch(shop, *arguments)
    try:
        yield program
    finally:
        if not program.has_ended:
            program.kill()


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
        out, err = program.close()
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
        program.close()
        waiting.join(timeout=60)
        assert not waiting.is_alive()


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
