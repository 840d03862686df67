"""Real processes are killed while phones send and recordings are placed: nothing is lost, nothing is there twice."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tapbatch.listen.files import hash_file
from tapbatch.model.bench_log import OnBench
from tapbatch.results.uploads import Uploads
from tapbatch.run.destinations import Destination, give_place, take_back
from tapbatch.run.inbox import look_into, utc_now
from tapbatch.run.sent import take
from tapbatch.shop.folder import open_shop
from tapbatch.shop.now_file import read_log
from tests.shops import make_shop, taps, write_wav

NUMBER = 6
VOICING = OnBench(instrument="cittern-12", stage="06-voicing", words=("closed",), step=1)

# Each step of the work says that it begins, and where that is told the process is killed.
STEPS = """
import os, sys
from pathlib import Path
from tapbatch.results import files, uploads as kept
from tapbatch.run import copies, destinations, inbox, sent
from tapbatch.shop.folder import open_shop

def telling(module, name):
    real = getattr(module, name)
    def told(*arguments, **named):
        print(name, "begins", flush=True)
        done = real(*arguments, **named)
        print(name, "is done", flush=True)
        return done
    setattr(module, name, told)

for module, name in (
    (sent, "append"), (sent, "put_linked"), (inbox, "append"), (inbox, "copy_to_place"), (inbox, "delete_copy"),
    (copies, "put_copy"), (destinations, "append"), (files.os, "link"), (files.os, "fsync"),
):
    telling(module, name)

shop = open_shop(Path(sys.argv[1]))
"""

TAKE = (
    STEPS
    + """
waiting = kept.Uploads(lambda: shop.results_dir, inbox.utc_now)
for upload in waiting.unfinished():
    sent.take(shop, upload, waiting.data(upload))
    waiting.drop(upload)
    print("dropped", flush=True)
"""
)

GIVE = (
    STEPS
    + """
there = destinations.Destination(instrument="lute-3", stage="voicing", step=2)
destinations.give_place(shop, sys.argv[2], there)
"""
)

BACK = STEPS + "destinations.take_back(shop)\n"

RECEIVE = """
import sys
from pathlib import Path
from tapbatch.results.uploads import Uploads
from tapbatch.run.inbox import utc_now

uploads = Uploads(lambda: Path(sys.argv[1]) / "results", utc_now)
(upload,) = uploads.unfinished()
data = Path(sys.argv[2]).read_bytes()
start = uploads.offset(upload)
with uploads.receiving(upload, start) as add:
    for at in range(start, len(data), 700):
        add(data[at : at + 700])
        print(at, flush=True)
"""


def killed_after(script: str, lines: int, *arguments: str | Path) -> bool:
    """Run a script in another process, and kill it at its n-th line; return whether it had ended before."""
    command = [sys.executable, "-c", script, *map(str, arguments)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        ended = any(process.stdout.readline() == "" for _ in range(lines))
        process.kill()
        assert process.stderr is not None
        assert "Error" not in process.stderr.read()
    return ended


def shop_with_uploads(root: Path) -> dict[str, bytes]:
    """Make a shop to which recordings were sent that nobody has taken yet; return them by hash."""
    make_shop(root, {"lyre-2/05-closed/a.wav": taps(1, count=1)})
    uploads, sounds = Uploads(lambda: root / "results", utc_now), {}
    for number in range(NUMBER):
        path = write_wav(root.parent / "phone" / f"{number}.wav", taps(number + 2, count=1)[:2000] + number * 1e-3)
        data = path.read_bytes()
        sounds[hash_file(path)] = data
        upload = uploads.begin(f"Rec {number % 2}.wav", len(data), VOICING)
        with uploads.receiving(upload, 0) as add:
            add(data)
    return sounds


def hashes_below(folder: Path) -> Counter[str]:
    return Counter(hash_file(p) for p in folder.rglob("*.wav"))


@pytest.mark.slow
def test_kills_while_what_was_sent_is_taken(tmp_path: Path) -> None:
    root = tmp_path / "shop"
    sounds = shop_with_uploads(root)
    lines = 1
    while not killed_after(TAKE, lines, root):
        # A pass of the watch may come in between, or the next start of the desk.
        if lines % 2:
            look_into(open_shop(root))
        lines += 1
    shop, uploads = open_shop(root), Uploads(lambda: root / "results", utc_now)
    for upload in uploads.unfinished():
        take(shop, upload, uploads.data(upload))
        uploads.drop(upload)
    look_into(shop)
    once = Counter(dict.fromkeys(sounds, 1))
    assert hashes_below(root / "inbox") == once
    assert hashes_below(root / "recordings/cittern-12") == once
    log, refused = read_log(root)
    assert (len(log.placed), refused) == (NUMBER, ())
    left = [p.name for p in root.rglob("*") if p.is_file() and ".part" in p.name]
    assert left == []


@pytest.mark.slow
def test_kills_while_a_recording_is_sent(tmp_path: Path) -> None:
    root = make_shop(tmp_path / "shop", {})
    source = write_wav(tmp_path / "phone/a.wav", taps(2, count=1))
    data = source.read_bytes()
    uploads = Uploads(lambda: root / "results", utc_now)
    upload = uploads.begin("a.wav", len(data), VOICING)
    lines = 3
    while not killed_after(RECEIVE, lines, root, source):
        assert uploads.data(upload).read_bytes() == data[: uploads.offset(upload)]
        lines += 2
    assert uploads.data(upload).read_bytes() == data
    assert not (root / "inbox").exists()


@pytest.mark.slow
def test_kills_while_recordings_are_given_and_taken_back(tmp_path: Path) -> None:
    root = tmp_path / "shop"
    sounds = shop_with_uploads(root)
    shop, uploads = open_shop(root), Uploads(lambda: root / "results", utc_now)
    for upload in uploads.unfinished():
        take(shop, upload, uploads.data(upload))
        uploads.drop(upload)
    lute = Destination(instrument="lute-3", stage="voicing", step=2)
    for lines, event in enumerate(list(read_log(root)[0].placed.values())[:3], start=2):
        killed_after(GIVE, 3 * lines, root, event.recording)
        look_into(open_shop(root))
        now = next(e for e in read_log(root)[0].placed.values() if e.sha256 == event.sha256)
        give_place(shop, now.recording, lute)
    given = Counter(e.bench.instrument for e in read_log(root)[0].placed.values() if e.bench is not None)
    assert given == {"lute-3": 3, "cittern-12": NUMBER - 3}
    assert hashes_below(root / "recordings/lute-3") + hashes_below(root / "recordings/cittern-12") == Counter(
        dict.fromkeys(sounds, 1)
    )
    for lines in range(1, 8):
        killed_after(BACK, lines, root)
    while read_log(root)[0].placed:
        take_back(shop)
    assert hashes_below(root / "inbox") == Counter(dict.fromkeys(sounds, 1))
    assert list(hashes_below(root / "recordings").values()) == [1]
