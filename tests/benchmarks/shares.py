"""What measuring a tap costs, step by step: ``python -m tests.benchmarks.shares [--recordings N] [--write]``.

Conventions: costs are processor milliseconds per tap, on one core and one linear-algebra thread, from samples at
48 kHz to modes with errors. They include decimation, noise and whitening of the whole recording. A recording is 0.8 s
of noise and five taps, 1.05 s apart, as in the cases of the benchmark. The median is over recordings; the least value
is what an idle machine would show more often. ``--write`` also writes ``SHARES.md`` beside this file. Shares are of
the time under the profiler, which makes small calls look more expensive than they are.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from tapbatch.listen.taps import quiet_stretches
from tapbatch.measure import candidates, decimate, noise, poles, prune, sound, tap
from tapbatch.measure import decay_shape as honesty
from tapbatch.model.reading import BandSettings
from tests.benchmarks import scenes, tables
from tests.benchmarks.cases import CASES, Case
from tests.benchmarks.montecarlo import measured, warm_up

RESULTS = Path(__file__).with_name("SHARES.md")
BODIES = (("body-6", 6.0), ("body-12", 8.0), ("body-24", 12.0))
STEPS: tuple[tuple[str, Callable[..., object]], ...] = (
    ("decimating", decimate.Decimator.apply),
    ("looking for quiet", quiet_stretches),
    ("learning the noise", noise.estimate_noise),
    ("whitening", noise.Noise.whiten),
    ("start values from the subspace", poles.subspace_poles),
    ("fitting and pruning", prune.pruned),
    ("searching the residual", candidates.missed_lines),
    ("finding the start of the decay", tap.decay_start),
    ("removing misfit modes", prune.settled),
    ("comparing early and late decay", honesty.early_late),
)


def several(name: str, taps: int = 5) -> Case:
    """Return a case of the benchmark with several taps per recording."""
    return replace(next(c for c in CASES if c.name == name), taps=taps, level_scatter_db=3.0)


def cost_ms(case: Case, recordings: int, band: BandSettings) -> list[float]:
    """Return the processor milliseconds per tap, for each recording."""
    warm_up(case)
    spent = []
    for trial in range(recordings):
        scene = scenes.scene(case, trial)
        started = time.process_time()
        fitted, _ = sound.fit_taps(scene.sound, scene.told, band)
        spent.append(1e3 * (time.process_time() - started) / len(fitted))
    return spent


def shares(case: Case, recordings: int) -> list[tuple[str, float]]:
    """Return the share of each step in the time of measuring."""
    heard = [scenes.scene(case, trial) for trial in range(recordings)]
    profile = cProfile.Profile()
    profile.enable()
    for scene in heard:
        measured(case, scene)
    profile.disable()
    spent = pstats.Stats(profile).stats  # type: ignore[attr-defined]

    def of(step: Callable[..., object]) -> float:
        code = step.__code__
        return float(spent.get((code.co_filename, code.co_firstlineno, code.co_name), (0, 0, 0, 0.0))[3])

    whole = of(sound.fit_taps)
    return [(name, of(step) / whole) for name, step in STEPS]


def page(recordings: int) -> str:
    """Return the page: cost by number of modes, of taps and by band, and shares."""
    lines = ["# What measuring a tap costs, step by step", "", tables.machine(), ""]
    lines += [f"Made by `python -m tests.benchmarks.shares` with {recordings} recordings per row.", ""]
    lines += [tables.head(("modes", "taps", "band, Hz", "median, ms", "least, ms", "limit, ms"))]
    narrow = BandSettings()
    rows = [(name, 5, narrow, f"{limit:g}") for name, limit in BODIES]
    rows += [("body-6", 1, narrow, ""), ("body-6", 12, narrow, "")]
    rows += [("body-6", 5, replace(narrow, band_high_hz=high), "") for high in (3000.0, 6000.0, 12000.0)]
    rows += [("phone", 5, narrow, ""), ("room", 5, narrow, "")]
    for name, taps, band, limit in rows:
        spent = cost_ms(several(name, taps), recordings, band)
        cells = (name.removeprefix("body-"), str(taps), f"{band.band_low_hz:g} to {band.band_high_hz:g}")
        median, least = statistics.median(spent), min(spent)
        lines.append("| " + " | ".join((*cells, f"{median:.1f}", f"{least:.1f}", limit)) + " |")
    lines += ["", "Six modes, five taps:", "", tables.head(("step", "share, %"))]
    lines += [f"| {name} | {100 * share:.0f} |" for name, share in shares(several("body-6"), recordings)]
    return "\n".join([*lines, ""])


def main() -> None:
    """Print the page, and write it if asked to."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.shares", description=__doc__)
    parser.add_argument("--recordings", type=int, default=20, metavar="N", help="recordings per row; 20")
    parser.add_argument("--write", action="store_true", help=f"write {RESULTS.name}")
    said = parser.parse_args()
    made = page(said.recordings)
    print(made)
    if said.write:
        RESULTS.write_text(made, encoding="utf-8")


if __name__ == "__main__":
    main()
