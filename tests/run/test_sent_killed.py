"""Real processes are killed while phones send and recordings are placed: nothing is lost, nothing is there twice."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from tapbatch.listen.files import hash_file
from tapbatch.model.bench_log import Event, OnBench
from tapbatch.results.uploads import Uploads
from tapbatch.run.destinations import Destination, give_place, take_back
from tapbatch.run.inbox import look_into, utc_now
from tapbatch.run.sent import take
from tapbatch.shop.folder import open_shop
from tapbatch.shop.now_file import append, read_log
from tests.shops import make_shop, taps, write_wav

pytestmark = pytest.mark.skipif(os.name == "nt", reason="a process cannot kill itself so here")

NUMBER = 6
VOICING = OnBench(instrument="cittern-12", stage="06-voicing", words=("closed",), step=1)

# The process kills itself where the n-th step of the work begins or is done.
STEPS = """
import os, signal, sys
from pathlib import Path
from tapbatch.results import files, uploads as kept
from tapbatch.run import copies, destinations, inbox, sent
from tapbatch.shop.folder import open_shop

left = int(sys.argv[1])

def step():
    global left
    left -= 1
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)

def telling(module, name):
    real = getattr(module, name)
    def told(*arguments, **named):
        step()
        done = real(*arguments, **named)
        step()
        return done
    setattr(module, name, told)

for module, name in (
    (sent, "append"), (sent, "put_linked"), (inbox, "append"), (inbox, "copy_to_place"), (inbox, "delete_copy"),
    (copies, "put_copy"), (destinations, "append"), (files.os, "link"), (files.os, "fsync"),
):
    telling(module, name)

def take_all(root):
    shop = open_shop(root)
    waiting = kept.Uploads(lambda: shop.results_dir, inbox.utc_now)
    for upload in waiting.unfinished():
        sent.take(shop, upload, waiting.data(upload))
        waiting.drop(upload)
        step()
"""

TAKE = STEPS + "take_all(Path(sys.argv[2]))\n"

# A child for each step, because a new process would import everything anew.
TAKE_EACH = (
    STEPS
    + """
for left, root in enumerate(sys.argv[2:], start=1):
    child = os.fork()
    if child == 0:
        take_all(Path(root))
        os._exit(0)
    print(os.WIFSIGNALED(os.waitpid(child, 0)[1]))
"""
)

GIVE = (
    STEPS
    + """
there = destinations.Destination(instrument="lute-3", stage="voicing", step=2)
destinations.give_place(open_shop(Path(sys.argv[2])), sys.argv[3], there)
"""
)

BACK = STEPS + "destinations.take_back(open_shop(Path(sys.argv[2])), sys.argv[3])\n"

RECEIVE = """
import os, signal, sys
from pathlib import Path
from tapbatch.results.uploads import Uploads
from tapbatch.run.inbox import utc_now

uploads = Uploads(lambda: Path(sys.argv[2]) / "results", utc_now)
(upload,) = uploads.unfinished()
data = Path(sys.argv[3]).read_bytes()
start = uploads.offset(upload)
with uploads.receiving(upload, start) as add:
    for at in range(start, len(data), 700):
        add(data[at : at + 700])
        if at == start + 700 * int(sys.argv[1]):
            os.kill(os.getpid(), signal.SIGKILL)
"""


def killed_after(script: str, steps: int, *arguments: str | Path) -> bool:
    """Run a script in another process, which kills itself at its n-th step; return whether it had ended before."""
    command = [sys.executable, "-c", script, str(steps), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode in (0, -signal.SIGKILL), done.stderr
    return done.returncode == 0


def shop_with_uploads(root: Path, count: int = NUMBER) -> dict[str, bytes]:
    """Make a shop to which recordings were sent that nobody has taken yet; return them by hash."""
    make_shop(root, {"lyre-2/05-closed/a.wav": taps(1, count=1)})
    uploads, sounds = Uploads(lambda: root / "results", utc_now), {}
    for number in range(count):
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
    # Whatever has no word of a phone would go there.
    append(root, Event(at=utc_now(), what="now", bench=OnBench(instrument="rote-1", stage="01-joined")))
    lines, kills = 1, 0
    while not killed_after(TAKE, lines, root):
        # A pass of the watch may come in between, or the next start of the desk.
        if kills % 2:
            look_into(open_shop(root))
        lines, kills = lines + 4, kills + 1
    assert kills > 3
    shop, uploads = open_shop(root), Uploads(lambda: root / "results", utc_now)
    for upload in uploads.unfinished():
        take(shop, upload, uploads.data(upload))
        uploads.drop(upload)
    look_into(shop)
    once = Counter(dict.fromkeys(sounds, 1))
    assert hashes_below(root / "inbox") == once
    assert hashes_below(root / "recordings/cittern-12") == once
    assert not (root / "recordings/rote-1").exists()
    log, refused = read_log(root)
    assert (len(log.placed), refused) == (NUMBER, ())
    left = [p.name for p in root.rglob("*") if p.is_file() and ".part" in p.name]
    assert left == []


@pytest.mark.slow
def test_a_kill_at_every_single_step_of_taking_one(tmp_path: Path) -> None:
    roots = [tmp_path / f"{step}" / "shop" for step in range(1, 40)]
    sounds = [next(iter(shop_with_uploads(root, 1))) for root in roots]
    for root in roots:
        append(root, Event(at=utc_now(), what="now", bench=OnBench(instrument="rote-1", stage="01-joined")))
    command = [sys.executable, "-c", TAKE_EACH, "1", *map(str, roots)]
    killed = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split()
    # There are fewer steps than shops, so the last ones came to their end.
    assert (killed[:20], killed[-1]) == (["True"] * 20, "False")
    for root, sha256 in zip(roots, sounds, strict=True):
        shop, uploads = open_shop(root), Uploads(lambda root=root: root / "results", utc_now)
        # First the pass of the watch, then the next start of the desk.
        look_into(shop)
        for upload in uploads.unfinished():
            take(shop, upload, uploads.data(upload))
            uploads.drop(upload)
        assert hashes_below(root / "inbox") == hashes_below(root / "recordings/cittern-12") == {sha256: 1}
        assert not (root / "recordings/rote-1").exists()
        places = [event.recording for event in read_log(root)[0].placed.values()]
        assert places == ["cittern-12/06-voicing/closed/step 1/Rec 0.wav"]


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
        lines += 6
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
    for lines in range(1, 8, 3):
        killed_after(BACK, lines, root, list(read_log(root)[0].placed)[-1])
    while placed := read_log(root)[0].placed:
        take_back(shop, list(placed)[-1])
    assert hashes_below(root / "inbox") == Counter(dict.fromkeys(sounds, 1))
    assert list(hashes_below(root / "recordings").values()) == [1]
