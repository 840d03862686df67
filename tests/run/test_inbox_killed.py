"""Real processes are killed while a full inbox is placed: nothing is lost, nothing is there twice."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from tapbatch.listen.files import hash_file
from tapbatch.model.bench_log import Event, OnBench
from tapbatch.run.inbox import look_into
from tapbatch.shop.folder import open_shop
from tapbatch.shop.now_file import append, read_log
from tests.shops import make_shop, taps, write_wav

NUMBER = 30

LOOK = """
import sys
from pathlib import Path
from tapbatch.run import inbox
from tapbatch.shop.folder import open_shop

real = inbox.append

def told(root, *events):
    print(len(events), flush=True)
    real(root, *events)

inbox.append = told
inbox.look_into(open_shop(Path(sys.argv[1])))
"""


def killed_after(root: Path, rows: int) -> None:
    """Look into the inbox in another process, and kill it while it writes its n-th row or goes on after it."""
    with subprocess.Popen([sys.executable, "-c", LOOK, str(root)], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        for _ in range(rows):
            process.stdout.readline()
        process.kill()


@pytest.mark.slow
def test_kills_while_a_full_inbox_is_placed(tmp_path: Path) -> None:
    root = make_shop(tmp_path / "shop", {"lyre-2/05-closed/a.wav": taps(1, count=1)})
    for number in range(NUMBER):
        write_wav(root / f"inbox/{number}/Rec {number % 3}.wav", taps(number + 2, count=1)[:2000] + number * 1e-3)
    originals = {p: hash_file(p) for p in (root / "inbox").rglob("*.wav")}
    at = datetime.now(UTC) - timedelta(minutes=10)
    append(root, Event(at=at, what="now", bench=OnBench(instrument="lyre-2", stage="06-closed")))
    for rows in range(1, 8):
        killed_after(root, rows)
    look_into(open_shop(root))
    folder = root / "recordings/lyre-2/06-closed"
    there = [p for p in folder.iterdir() if not p.name.startswith(".")]
    assert sorted(map(hash_file, there)) == sorted(originals.values())
    log, refused = read_log(root)
    assert ({f"lyre-2/06-closed/{p.name}" for p in there}, refused) == (set(log.placed), ())
    assert {p: hash_file(p) for p in (root / "inbox").rglob("*.wav")} == originals
