"""A shop whose desk is served over loopback, and a phone that asks it by plain HTTP."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Iterator
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tapbatch.run.inbox import utc_now
from tapbatch.watch.feed import Feed
from tapbatch.watch.key import Gate
from tapbatch.watch.phone import Desk
from tapbatch.watch.phone_handler import phone_handler
from tapbatch.watch.saved import ShopNow
from tapbatch.watch.serving import HERE, Live, Serving
from tests.shops import make_shop, taps, write_wav

KEY = "k" * 22
CITTERN = {"instrument": "cittern-12", "stage": "06-voicing", "words": ["closed"], "step": 1, "on": []}
LYRE = {"instrument": "lyre-2", "stage": "05-closed", "words": [], "step": 0, "on": []}


def wav_of(folder: Path, number: int, count: int = 1) -> bytes:
    """Return the bytes of a recording, another for each number."""
    return write_wav(folder / f"sound {number}.wav", taps(number, count=count)).read_bytes()


class Served:
    """A shop, its desk and its server; times and the room on the disk are passed in."""

    def __init__(self, root: Path, address: str = HERE) -> None:
        self.root = make_shop(root, {"lyre-2/05-closed/a.wav": taps(1, count=1)})
        self.inbox, self.results = root / "inbox", root / "results"
        self.results.mkdir()
        self.elsewhere = root.parent / "phone"
        self.later, self.room_bytes, self.roused = timedelta(), 10**12, 0
        self.notes: list[str] = []
        self.feed = Feed()
        self.now_s = 0.0
        self.desk = Desk(
            ShopNow(root), self.feed, rouse=self._rouse, note=self.notes.append,
            clock=lambda: utc_now() + self.later, room=lambda _: self.room_bytes, wait_s=0.0,
        )  # fmt: skip
        self.gate = Gate(KEY, lambda: self.now_s)
        handler = phone_handler(self.desk, self.gate, address)
        self.serving = Serving(Live(lambda: self.results), HERE, 0, handler=handler)
        self.port = int(self.serving.url.rstrip("/").rsplit(":", 1)[1])
        self.host = f"{HERE}:{self.port}"

    def _rouse(self) -> None:
        self.roused += 1

    @property
    def now(self) -> datetime:
        return utc_now() + self.later

    def ask(
        self,
        method: str,
        path: str,
        body: object = None,
        headers: dict[str, str] | None = None,
        key: str | None = KEY,
    ) -> tuple[int, Any]:
        """Return status and answer; a body of bytes is sent as it is, any other as JSON."""
        given = {} if key is None else {"Tapbatch-Key": key}
        data = body if isinstance(body, bytes) else None if body is None else json.dumps(body).encode()
        if data is not None and not isinstance(body, bytes):
            given["Content-Type"] = "application/json"
        with closing(http.client.HTTPConnection(HERE, self.port, timeout=30)) as connection:
            connection.request(method, path, data, {**given, **(headers or {})})
            answer = connection.getresponse()
            told = answer.read()
        is_json = answer.headers.get("Content-Type", "").startswith("application/json")
        return answer.status, json.loads(told) if is_json and told else told

    def raw(self, request: bytes) -> bytes:
        """Send bytes as they are, and return all that comes back."""
        with socket.create_connection((HERE, self.port), timeout=30) as connection:
            connection.sendall(request)
            connection.shutdown(socket.SHUT_WR)
            return b"".join(_all_of(connection))

    def begin(self, name: str, size: int, destination: object = CITTERN, **more: object) -> tuple[int, Any]:
        asked = {"name": name, "size": size, "recorded_at": None, "destination": destination, **more}
        return self.ask("POST", "/phone/uploads", asked)

    def send(self, name: str, data: bytes, destination: object = CITTERN, **more: object) -> dict[str, Any]:
        """Send a recording at once, and return the answer."""
        status, begun = self.begin(name, len(data), destination, **more)
        assert status == 201, begun
        status, told = self.ask("PUT", f"/phone/uploads/{begun['id']}?from=0", data)
        assert status == 200, told
        return dict(told)

    def sound(self, number: int, count: int = 1) -> bytes:
        return wav_of(self.elsewhere, number, count)

    @property
    def state(self) -> dict[str, Any]:
        status, state = self.ask("GET", "/phone/state")
        assert status == 200, state
        return dict(state)

    @property
    def there(self) -> dict[str, bytes]:
        """The recordings that were sent, by path, as they are in their places."""
        return {k: v for k, v in files_below(self.root / "recordings").items() if k != "lyre-2/05-closed/a.wav"}

    @property
    def snapshot(self) -> dict[str, bytes]:
        """All files of the shop, hidden ones too; only the lock, which every command makes, is left out."""
        return {k: v for k, v in files_below(self.root).items() if k != "results/.readings/lock"}

    def close(self) -> None:
        self.serving.close()


def _all_of(connection: socket.socket) -> Iterator[bytes]:
    while piece := connection.recv(65_536):
        yield piece


def files_below(folder: Path) -> dict[str, bytes]:
    """Return the bytes of all files below a folder, by path; of a link, where it leads."""
    return {
        p.relative_to(folder).as_posix(): str(p.readlink()).encode() if p.is_symlink() else p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_symlink() or p.is_file()
    }


def noise(number: int, size: int) -> bytes:
    """Return bytes that are no sound."""
    return np.random.default_rng(number).bytes(size)
