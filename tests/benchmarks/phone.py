"""How soon a phone shows what it sent: ``python -m tests.benchmarks.phone [--times N]``.

The program watches a shop that was empty, and a phone (headless Chromium of 360 by 780 pixels) sends recordings of
five simulated taps at 44.1 kHz, one after the other, each once the one before has been read. Measured in the page
itself are the time from the choice of a file until all of it has arrived, which is the sending, and from there until
its reading is on the page. Half of the recordings are sent while the program is idle, half while it draws the report
of the recording before.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from pathlib import Path

import numpy as np

from tapbatch.simulate import taps as sim
from tests.benchmarks.tables import machine
from tests.shops import BODY, tapbatch, write_wav
from tests.watch.phones import Phone, lacking
from tests.watch.program import Watch

RATE_HZ = 44_100
QUIET_S = 8.0
TAPS = 5

# Notes in the page when a file was chosen, when it had arrived, and when its reading was drawn.
_NOTE_TIMES = """
(() => {
  const times = window.times = { chosen: 0, sent: 0, read: 0 };
  const first = name => { if (!times[name]) times[name] = performance.now(); };
  document.getElementById('files').addEventListener('change', () => {
    Object.assign(times, { chosen: performance.now(), sent: 0, read: 0 });
  }, true);
  new MutationObserver(() => {
    if (times.chosen && document.getElementById('sendings').innerText.includes('arrived')) first('sent');
  }).observe(document.getElementById('sendings'), { childList: true, subtree: true, characterData: true });
  new MutationObserver(() => { if (times.sent) first('read'); })
    .observe(document.getElementById('reading'), { childList: true, subtree: true, characterData: true });
})()
"""


def recording(path: Path, number: int) -> Path:
    """Write five taps, 1.5 s apart, 55 dB over white noise."""
    rng = np.random.default_rng([44_100, number])
    strikes = [
        sim.Strike(onset_s=1.0 + 1.5 * n, modes=sim.scattered(list(BODY), rng), contact_s=0.0012) for n in range(TAPS)
    ]
    duration_s = 1.5 + 1.5 * TAPS
    noise = sim.white_noise(round(duration_s * RATE_HZ), rng, rms=3e-4)
    sound = sim.recording(strikes, duration_s=duration_s, sample_rate_hz=RATE_HZ, noise=noise)[0]
    return write_wav(path, sound, RATE_HZ)


def main() -> None:
    """Run the benchmark, and print the results."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.phone", description=__doc__)
    parser.add_argument("--times", type=int, default=12, help="recordings; 12")
    times = parser.parse_args().times
    if lacking():
        raise SystemExit(lacking())
    with tempfile.TemporaryDirectory() as folder:
        shop = Path(folder) / "shop"
        tapbatch("init", shop)
        watch, phone = Watch(shop), Phone()
        try:
            rows = _measured(watch, phone, Path(folder) / "phone", times)
        finally:
            phone.close()
            watch.close()
    print(f"{machine()}\n")
    print("| recordings sent while | sending, s (median) | from sent to read, s (median) | slowest |")
    print("| --- | --- | --- | --- |")
    for name, there in rows.items():
        sending, reading = zip(*there, strict=True)
        median = statistics.median
        print(f"| {name} ({len(there)}) | {median(sending):.2f} | {median(reading):.2f} | {max(reading):.2f} |")


def _measured(watch: Watch, phone: Phone, folder: Path, times: int) -> dict[str, list[tuple[float, float]]]:
    phone.open(watch.link)
    phone.press("Say what is on the bench")
    phone.press("Put it on the bench")
    phone.until("!document.querySelector('dialog[open]')")
    phone.run(_NOTE_TIMES)
    rows: dict[str, list[tuple[float, float]]] = {"the program is idle": [], "it draws a report": []}
    for n in range(times):
        idle = n % 2 == 0
        if idle:
            phone.run(f"new Promise(done => setTimeout(done, {QUIET_S * 1000}))")
        phone.choose(recording(folder / f"recording {n}.wav", n))
        phone.until("window.times.read > 0")
        told = phone.run("window.times")
        row = ((told["sent"] - told["chosen"]) / 1000, (told["read"] - told["sent"]) / 1000)
        rows["the program is idle" if idle else "it draws a report"].append(row)
    return {name: there for name, there in rows.items() if there}


if __name__ == "__main__":
    main()
