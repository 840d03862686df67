"""What a report costs, in processor seconds, bytes and pages: ``python -m tests.benchmarks.reports``.

The report of each instrument is drawn in a process of its own, which has its history but has loaded nothing for
drawing. *First* is the first report of a run, loading of libraries and fonts included; *next* is the least of five
more, the cost of each further instrument of a run. The limits are one second and 500 KB for ten stages.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tapbatch.run.histories import histories_of
from tapbatch.shop.folder import open_shop
from tapbatch.simulate import taps as sim
from tests.shops import write_wav

ROOT = Path(__file__).parents[2]
STAGES = 10
RATE_HZ = 16000
# Hz, T60 in s, amplitude, phase, and cents a stage.
MODES = (
    (104.0, 0.45, 0.06, 0.3, -1), (171.0, 0.38, 0.08, 1.0, -8), (240.0, 0.33, 0.05, 2.0, -13),
    (268.0, 0.28, 0.10, 1.1, -20), (388.0, 0.20, 0.04, 0.5, 9), (431.0, 0.22, 0.05, -0.7, -4),
    (560.0, 0.20, 0.03, 0.1, -17), (655.0, 0.18, 0.04, 2.0, 0), (812.0, 0.15, 0.02, 1.5, -25),
)  # fmt: skip


def make_ten(folder: Path) -> Path:
    """Make a shop of one instrument: nine modes at ten stages, five taps each, with a target."""
    for stage in range(STAGES):
        rng = np.random.default_rng([77, stage])
        body = [sim.moved(sim.SimMode(f, t60, a, phase), cents=c * stage) for f, t60, a, phase, c in MODES]
        strikes = [
            sim.Strike(onset_s=0.6 + 1.2 * n, modes=sim.scattered(body, rng), contact_s=0.0012) for n in range(5)
        ]
        noise = sim.white_noise(7 * RATE_HZ, rng, rms=3e-4)
        sound = sim.recording(strikes, duration_s=7.0, sample_rate_hz=RATE_HZ, noise=noise)[0]
        name = f"lyre-1_{stage + 1:02}-voicing step {stage + 1}_body_closed_1.wav"
        write_wav(folder / "recordings" / name, sound, RATE_HZ)
    (folder / "shop.toml").touch()
    (folder / "instruments").mkdir()
    (folder / "instruments" / "lyre-1.toml").write_text(
        '[[mode]]\nlabel = "main"\nnear_hz = 268\npart = "body"\n[[target]]\nmode = "main"\nnote = "B3"\n'
    )
    return folder


def draw(root: Path, results: Path, instrument: str) -> dict[str, float]:
    """Draw one instrument's report six times, and return what it took."""
    shop = open_shop(root, results)
    settings = shop.settings_of(instrument)
    history = histories_of(shop, {instrument}, measuring=True, lines=True).of[instrument]
    assert "reportlab" not in sys.modules
    times = []
    for _ in range(6):
        began_s = time.process_time()
        from tapbatch.show.pdf.report import report_bytes

        data = report_bytes(history, settings)
        times.append(time.process_time() - began_s)
    import pypdf

    pages = len(pypdf.PdfReader(io.BytesIO(data)).pages)
    parts, stages = len(history.parts), len(history.stages)
    return {
        "parts": parts, "stages": stages, "first": times[0], "next": min(times[1:]), "kb": len(data) / 1e3,
        "pages": pages,
    }  # fmt: skip


def main() -> None:
    """Draw the instruments of the sample shop and one of ten stages, and print what each took."""
    if len(sys.argv) > 1:
        print(json.dumps(draw(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3])))
        return
    from tests.benchmarks.tables import machine

    print(f"# What a report costs\n\n{machine()}\n")
    print("| instrument | parts | stages | pages | first, s | next, s | KB |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        ten = make_ten(Path(folder) / "ten")
        sample = ROOT / "sample_data"
        for shop, instrument in ((ten, "lyre-1"), (sample, "kantele-03"), (sample, "psaltery-11")):
            command = [sys.executable, "-m", "tests.benchmarks.reports", str(shop), f"{folder}/results", instrument]
            done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
            assert done.returncode == 0, done.stderr
            r = json.loads(done.stdout)
            print(
                f"| {instrument} | {r['parts']} | {r['stages']} | {r['pages']} | {r['first']:.2f} | {r['next']:.2f} |"
                f" {r['kb']:.0f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
