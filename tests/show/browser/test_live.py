"""A page that is open while a shop is under watch: it renews what a reading changes, and nothing else."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tapbatch.show.browser.article import card_id, row_id
from tapbatch.watch.serving import Live, Serving
from tests.shops import make_shop, tapbatch, taps, write_wav
from tests.show.browser.chromium import Chromium

LYRE, NA = "lyre-2_01-joined_top_1.wav", "NA/01 closed/voice note.wav"
STAGES = "[...document.querySelectorAll('#all tbody tr')].map(row => row.cells[5].textContent)"


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    root = make_shop(tmp_path / "shop", {LYRE: taps(91, count=2), NA: taps(92, count=2)})
    tapbatch("run", root)
    return root


@pytest.fixture
def live(shop: Path) -> Iterator[tuple[Live, str]]:
    told = Live(lambda: shop / "results")
    serving = Serving(told, port=0)
    yield told, serving.url
    serving.close()


def test_a_reading_that_arrives_renews_its_row(chromium: Chromium, shop: Path, live: tuple[Live, str]) -> None:
    told, url = live
    chromium.open(url)
    chromium.until("document.getElementById('live').textContent === 'watching'")
    chromium.run("document.querySelector('#all thead th:nth-child(2) button').click()")
    arrives(shop)
    told.latest = row_id("lyre-2")
    chromium.until(f"{STAGES}.includes('top, 02-thinned')")
    # What was sorted is so still, and the reading is said to those who hear the page.
    assert chromium.run("document.querySelectorAll('#all thead th')[1].getAttribute('aria-sort')") == "ascending"
    chromium.until("/^lyre-2, .*02-thinned: /.test(document.getElementById('live').textContent)")
    assert chromium.complaints == []


def test_a_reading_that_arrives_renews_the_page_of_its_instrument_alone(
    chromium: Chromium, shop: Path, live: tuple[Live, str]
) -> None:
    for name in ("na", "lyre-2"):
        chromium.open(f"{live[1]}{name}/page.html")
        chromium.until("document.getElementById('live').textContent === 'watching'")
        chromium.run("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        chromium.run("window.kept = document.querySelector('article'); document.querySelector('summary').focus()")
        arrives(shop, cents=-40.0 if name == "na" else -80.0)
        if name == "na":
            chromium.run("new Promise(done => setTimeout(done, 2500))")
            assert chromium.run("document.querySelector('article') === window.kept")
            continue
        chromium.until("document.querySelector('article') !== window.kept")
        assert chromium.run("document.querySelector('.stage b').textContent") == "02-thinned"
        assert "down" in chromium.run("document.querySelector('.moved').textContent.toLowerCase()")
        assert chromium.run("document.querySelectorAll('details[open]').length") == 2
        assert chromium.run("document.activeElement.closest('article').id") == card_id("lyre-2")
    assert chromium.complaints == []


def arrives(shop: Path, cents: float = -40.0) -> None:
    write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", taps(93, count=2, cents=cents))
    tapbatch("run", shop)


def test_the_bench_card_follows_what_arrives(chromium: Chromium, live: tuple[Live, str]) -> None:
    told, url = live
    for name in ("na", "lyre-2", "na"):
        told.latest = row_id(name)
        if name == "na":
            chromium.open(f"{url}#bench")
        chromium.until(f"document.querySelector('.on-bench')?.id === '{card_id(name)}'")
    chromium.press("Escape")
    chromium.until("!document.querySelector('article')")
    assert chromium.complaints == []


def test_an_instrument_that_is_new_or_gone_comes_and_goes(
    chromium: Chromium, shop: Path, live: tuple[Live, str]
) -> None:
    chromium.open(live[1])
    chromium.until("document.getElementById('live').textContent === 'watching'")
    new = write_wav(shop / "recordings" / "cittern_01-first_1.wav", taps(94, count=2))
    tapbatch("run", shop)
    chromium.until(f"document.querySelector('#all tbody tr').id === '{row_id('cittern')}'")
    new.unlink()
    tapbatch("forget", new.name, shop)
    tapbatch("run", shop)
    chromium.until(f"!document.getElementById('{row_id('cittern')}')")
    assert chromium.run("document.querySelectorAll('#all tbody tr').length") == 2


def test_a_watch_that_ended_is_told(chromium: Chromium, shop: Path) -> None:
    serving = Serving(Live(lambda: shop / "results"), port=0)
    chromium.open(serving.url)
    chromium.until("document.getElementById('live').textContent === 'watching'")
    serving.close()
    chromium.until("document.getElementById('live').textContent.startsWith('the watch has ended')")
    assert chromium.run("document.querySelectorAll('#all tbody tr').length") == 2


@pytest.mark.slow
def test_watch_serve_shows_what_is_dropped_in(chromium: Chromium, shop: Path) -> None:
    command = [sys.executable, "-m", "tapbatch", "watch", str(shop), "--serve", "--port", "0"]
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as watch:
        assert watch.stdout is not None
        url = re.search(r"http://127\.0\.0\.1:\d+/", watch.stdout.readline())
        assert url is not None
        while "watching;" not in watch.stdout.readline():
            assert watch.poll() is None
        chromium.open(f"{url[0]}#bench")
        chromium.until("document.getElementById('live').textContent === 'watching'")
        write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", taps(95, count=2))
        chromium.until("document.querySelector('.on-bench .stage b')?.textContent === '02-thinned'")
        assert chromium.run("document.querySelector('.on-bench').id") == card_id("lyre-2")
        watch.send_signal(signal.SIGINT)
        assert watch.wait(20) == 0
