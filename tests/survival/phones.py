"""Rounds of trouble for the phone's page: two phones send, correct and note while the watch is killed repeatedly.

Run ``python -m tests.survival.phones --rounds N``; ``--seed S`` plays the same requests again.

Conventions: a phone keeps what it has until it is told that it was taken, as the page does: after a kill it asks how
far its sending is, and begins anew if nobody knows of it. At the end of a round a last watch is left alone until all
is read. Then every recording must be in the inbox once, byte for byte, and once in its place unless it was taken
back. Every recording in a place has a reading, and nothing else is left. The exit status is 1 if anything failed.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from typing import Any

from tapbatch.listen.files import hash_file
from tapbatch.shop.now_file import read_log
from tests.shops import make_shop, rows_of, taps, write_wav

KILLS, RECORDINGS, PIECE_BYTES = 5, 6, 9000
_LINK = re.compile(r"http://(\S+)/phone#(\S+)")


class GoneError(Exception):
    """The watch is not there, or was killed while it answered."""


@dataclass
class Watch:
    """The program on a shop; ``host`` and ``key`` are those of its latest start."""

    shop: Path
    host: str = ""
    key: str = ""
    process: subprocess.Popen[str] | None = None
    said: str = ""

    def start(self) -> None:
        """Start it, and wait for its link."""
        command = [sys.executable, "-m", "tapbatch", "watch", str(self.shop), "--phone"]
        self.process = subprocess.Popen(
            [*command, "--address", "127.0.0.1", "--port", "0"], text=True, stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT, env={**os.environ, "PYTHONUNBUFFERED": "1"}, start_new_session=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.said += line
            if found := _LINK.search(line):
                self.host, self.key = found[1], found[2]
                Thread(target=self._listen, args=(self.process,), daemon=True).start()
                return
        raise AssertionError(self.said)

    def _listen(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        for line in process.stdout:
            self.said += line

    def end(self, number: signal.Signals) -> int:
        """Send it a signal, and return its status."""
        assert self.process is not None
        os.killpg(self.process.pid, number)
        return self.process.wait(timeout=60)

    def ask(self, method: str, path: str, body: object = None) -> tuple[int, Any]:
        """Return status and answer.

        Raises
        ------
        GoneError
            If there is none.
        """
        data = body if isinstance(body, bytes | None) else json.dumps(body).encode()
        try:
            with closing(http.client.HTTPConnection(self.host, timeout=60)) as connection:
                headers = {"Tapbatch-Key": self.key, "Content-Type": "application/json"}
                connection.request(method, path, data, headers)
                answer = connection.getresponse()
                return answer.status, json.loads(answer.read())
        except (OSError, http.client.HTTPException, ValueError) as error:
            raise GoneError from error


@dataclass
class Phone:
    """A phone with recordings to send; ``taken`` are the hashes of those that it was told were taken."""

    watch: Watch
    rng: random.Random
    instrument: str
    sounds: list[Path]
    taken: set[str] = field(default_factory=set)
    back: set[str] = field(default_factory=set)
    failed: list[str] = field(default_factory=list)
    destination: dict[str, Any] = field(default_factory=dict)

    def go(self) -> None:
        """Send everything, step by step, and correct some of it."""
        self.destination = {
            "instrument": self.instrument,
            "stage": "voicing",
            "words": ["closed"],
            "step": 1,
            "on": [],
        }
        for path in self.sounds:
            recording = self.send(path)
            if self.rng.random() < 0.3:
                self.correct(recording, path)
            elif self.rng.random() < 0.5:
                self.insist("POST", "/phone/next", {"destination": self.destination}, lambda told: self._cut(told))
            if self.rng.random() < 0.3:
                fields = {"work": f"cut {self.rng.randrange(100)}"}
                self.insist("POST", "/phone/notes", {**self.destination, "fields": fields})

    def _cut(self, told: dict[str, Any]) -> None:
        self.destination = told["destination"]

    def insist(self, method: str, path: str, body: object, then: Any = lambda _told: None) -> dict[str, Any]:
        """Ask until there is an answer; a refusal is one."""
        while True:
            try:
                status, told = self.watch.ask(method, path, body)
            except GoneError:
                time.sleep(0.05)
                continue
            if status in (401, 503):
                # The watch was started anew, and its key is another.
                time.sleep(0.05)
                continue
            if status == 200:
                then(told)
            return {"status": status, **told}

    def send(self, path: Path) -> str:
        """Send a recording, from where it stopped if need be, and return where it lies."""
        data, number, offset = path.read_bytes(), "", 0
        while True:
            if not number:
                asked = {"name": path.name, "size": len(data), "recorded_at": None, "destination": self.destination}
                told = self.insist("POST", "/phone/uploads", asked)
                if told["status"] != 201:
                    self.failed.append(f"{path.name} was refused: {told}")
                    return ""
                number, offset = told["id"], 0
            piece = data[offset : offset + PIECE_BYTES]
            told = self.insist("PUT", f"/phone/uploads/{number}?from={offset}", piece)
            if told["status"] == 404:
                number = ""
            elif told.get("done"):
                self.taken.add(hash_file(path))
                return str(told["recording"])
            elif "offset" in told:
                offset = told["offset"]
                if offset >= len(data):
                    told = self.insist("GET", f"/phone/uploads/{number}", None)
            else:
                self.failed.append(f"{path.name}: {told}")
                return ""

    def correct(self, recording: str, path: Path) -> None:
        """Take a recording back, give it to another place, or say that it was set up anew."""
        draw = self.rng.random()
        if draw < 0.4:
            told = self.insist("POST", "/phone/undo", {"recording": recording})
            # A second asking, after a kill, finds it taken back already.
            if told["status"] in (200, 409):
                self.back.add(hash_file(path))
        elif draw < 0.7:
            there = {**self.destination, "stage": "closed", "step": 0}
            self.insist("POST", "/phone/give", {"recording": recording, "destination": there})
        else:
            self.insist("POST", "/phone/words", {"recording": recording, "resets": True, "spot": "spot-window"})


def play(seed: int, number: int, folder: Path) -> list[str]:
    """Play a round in an empty folder, and return what failed."""
    rng = random.Random(f"{seed}/{number}")
    shop = make_shop(folder / "shop", {})
    watch = Watch(shop)
    phones = []
    for each, instrument in enumerate(("cittern-12", "lute-3")):
        sounds = [
            write_wav(folder / f"phone {each}/Rec {n % 3} of {n}.wav", taps(rng.randrange(10**6), count=2))
            for n in range(RECORDINGS)
        ]
        phones.append(Phone(watch, random.Random(rng.random()), instrument, sounds))
    watch.start()
    threads = [Thread(target=phone.go, daemon=True) for phone in phones]
    for thread in threads:
        thread.start()
    for _ in range(KILLS):
        time.sleep(rng.uniform(0.05, 2.0))
        watch.end(signal.SIGKILL)
        watch.start()
    for thread in threads:
        thread.join(timeout=120)
    found = ["hang: a phone did not come to its end"] if any(t.is_alive() for t in threads) else []
    found += [line for phone in phones for line in phone.failed]
    _until_read(shop, 60.0)
    status = watch.end(signal.SIGINT)
    found += [f"status: {status}"] if status else []
    found += ["traceback"] if "Traceback" in watch.said else []
    return found + amiss(shop, phones)


def _until_read(shop: Path, longest_s: float) -> None:
    end_s = time.monotonic() + longest_s
    while time.monotonic() < end_s and _unread(shop):
        time.sleep(0.2)


def _unread(shop: Path) -> set[str]:
    there = {p.relative_to(shop / "recordings").as_posix() for p in (shop / "recordings").rglob("*.wav")}
    tables = (shop / "results").glob("*/recordings.csv")
    return there - {row["recording"] for table in tables for row in rows_of(table)}


def amiss(shop: Path, phones: list[Phone]) -> list[str]:
    """Return a line for whatever is lost, there twice, unread, or left over."""
    sent = Counter(hash_file(path) for phone in phones for path in phone.sounds)
    back = {sha256 for phone in phones for sha256 in phone.back}
    inbox = Counter(hash_file(p) for p in (shop / "inbox").rglob("*.wav"))
    placed = Counter(hash_file(p) for p in (shop / "recordings").rglob("*.wav"))
    found = [f"loss: {sha256[:12]} is not in the inbox" for sha256 in sent - inbox]
    found += [f"twice: {sha256[:12]} is in the inbox {n} times more" for sha256, n in (inbox - sent).items()]
    found += [f"loss: {sha256[:12]} has no place" for sha256 in sent - placed if sha256 not in back]
    found += [f"twice: {sha256[:12]} has {n} places" for sha256, n in placed.items() if n > 1 or sha256 in back]
    found += [f"unread: {path}" for path in sorted(_unread(shop))]
    log, refused = read_log(shop)
    lying = {p.relative_to(shop / "recordings").as_posix() for p in (shop / "recordings").rglob("*.wav")}
    found += [f"log: {path}" for path in sorted(lying ^ set(log.placed))] + [f"log: {item.what}" for item in refused]
    left = [p.name for p in (shop / "results/.uploads").iterdir() if p.name != "day.json"]
    return found + [f"left over: {name}" for name in left] + [f"left over: {p}" for p in shop.rglob("*.part")]


def main() -> int:
    """Play rounds, and print what failed in each."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    failed = 0
    for number in range(asked.rounds):
        with tempfile.TemporaryDirectory() as folder:
            began_s = time.monotonic()
            found = play(asked.seed, number, Path(folder))
        failed += bool(found)
        print(f"round {number}: {'; '.join(found) or 'nothing lost, nothing twice'}"
              f" ({time.monotonic() - began_s:.0f} s)", flush=True)  # fmt: skip
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
