"""What is said of moves in sounds: two stages played by the second simulator, measured and compared by the product.

Conventions: scenes are those of :mod:`tests.bench_simulator`, one recording of five taps a stage. Each stage is set
up anew: all modes shift by ``N(0, 1)`` cents in common and ``N(0, 0.5)`` each. A cut moves three modes in ten by 20
cents, up or down. The shop has no ``again``. Only modes that were found at both stages are judged; *found* says how
many these are.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tapbatch.model.history import Drift
from tests.bench_simulator import phones, scenes
from tests.bench_simulator.judge import matched
from tests.bench_simulator.world import Plate, draw_plate, stream
from tests.benchmarks.moves_limits import Ledger, per_cent
from tests.compare.moves_count import FIRM, TOLD

SCENES = ("dry", "still-10")
COMMON_CENTS, OWN_CENTS, SHARE = 1.0, 0.5, 0.3


@dataclass
class Heard:
    """What was said over all trials of a case: stages, modes that moved and that did not, intervals that hold."""

    stages: int = 0
    false: int = 0
    doubtful: int = 0
    modes: int = 0
    moved: list[str] = field(default_factory=list)
    still: list[str] = field(default_factory=list)
    wrong_sign: int = 0
    holds: list[bool] = field(default_factory=list)


def sounds(say: Callable[[str], None], limits: Ledger, trials: int) -> None:
    """Print what is said of simulated sounds."""
    say(f"## Sounds of the second simulator, set-ups of 1 + 0.5 cents, {trials} trials\n")
    say("| scene | cut, cents | found at both, % | told, % | false, % | with ?, % | `steady`, % | whole holds, % |")
    say("".join(["| --- " * 8, "|"]))
    limits.group = "sounds"
    for scene in SCENES:
        if why := scenes.why_not(scene):
            say(f"| {scene} | {why} |  |  |  |  |  |  |")
            continue
        for cents in (0.0, 20.0):
            limits.case = f"{scene}, cut by {cents:g} cents"
            heard = hear(scene, cents, trials)
            told = ""
            if cents:
                share = float(np.mean([v in TOLD for v in heard.moved]))
                told = limits.least("a cut of 20 cents told", share, 0.9, len(heard.moved))
                limits.most("sign wrong", heard.wrong_sign / len(heard.moved), 0.005, len(heard.moved))
            cells = (
                scene,
                f"{cents:g}",
                per_cent((len(heard.moved) + len(heard.still)) / heard.modes),
                told,
                limits.most("false", heard.false / heard.stages, 0.06, heard.stages),
                per_cent(heard.doubtful / heard.stages),
                per_cent(float(np.mean([v == "steady" for v in heard.still]))),
                limits.least("whole holds", float(np.mean(heard.holds)), 0.92, heard.stages),
            )
            say(f"| {' | '.join(cells)} |")
    say("")


def hear(scene: str, cents: float, trials: int) -> Heard:
    """Return what is said of ``trials`` pairs of stages."""
    heard = Heard()
    for trial in range(trials):
        heard.stages += 1
        found = list(_judged(scene, trial, cents))
        heard.modes += len(draw_plate(stream("plate", trial)).modes)
        still = [d.verdict for d, move in found if move == 0.0]
        heard.still += still
        heard.false += any(v in FIRM for v in still)
        heard.doubtful += any(v in TOLD for v in still)
        for drift, move in found:
            if move:
                heard.moved.append(drift.verdict)
                heard.wrong_sign += drift.verdict in (("down", "down?") if move > 0 else ("up", "up?"))
            if drift.cents_low is not None and drift.cents_high is not None:
                heard.holds.append(drift.cents_low <= move <= drift.cents_high)
    return heard


def _judged(scene: str, trial: int, cents: float) -> Iterator[tuple[Drift, float]]:
    """Yield the drift of each true mode that was found at both stages, and by how much it moved, in cents."""
    from tapbatch.run.histories import histories_of
    from tapbatch.shop.folder import open_shop

    rng = stream("moves", scene, trial, round(cents))
    plate = draw_plate(stream("plate", trial))
    count = len(plate.modes)
    moves = np.zeros(count)
    moves[rng.choice(count, max(1, round(SHARE * count)), replace=False)] = cents
    moves *= rng.choice([-1.0, 1.0], count)
    plates = [_shifted(plate, _set_up(rng, count)), _shifted(plate, moves + _set_up(rng, count))]
    with tempfile.TemporaryDirectory() as folder:
        for stage, played in enumerate(plates, start=1):
            take = scenes.play_stage(scene, trial, played, stage)
            path = Path(folder) / "recordings" / f"lyre_{stage:02d}-stage_1.wav"
            phones.write_wav(path, take.samples, take.sample_rate_hz, stream("dither", scene, trial, stage))
        found = histories_of(open_shop(Path(folder)), measuring=True)
    (history,) = found.of.values()
    before, after = history.stages
    drifts = {d.mode: d for d in history.drifts}
    named = [
        {i: s.modes[j].mode for i, j in matched(p.modes, s.modes).items()}
        for p, s in zip(plates, (before, after), strict=True)
    ]
    for i in range(count):
        mode = named[1].get(i)
        if mode is not None and named[0].get(i) == mode and mode in drifts:
            yield drifts[mode], float(moves[i])


def _set_up(rng: np.random.Generator, count: int) -> np.ndarray:
    return rng.normal(0.0, COMMON_CENTS) + rng.normal(0.0, OWN_CENTS, count)


def _shifted(plate: Plate, cents: np.ndarray) -> Plate:
    pairs = zip(plate.modes, cents.tolist(), strict=True)
    return Plate(modes=tuple(replace(mode, freq_hz=mode.freq_hz * 2.0 ** (c / 1200.0)) for mode, c in pairs))
