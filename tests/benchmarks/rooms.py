"""The product over the second simulator: rooms, hands, phones, voices.

    python -m tests.benchmarks.rooms --list
    python -m tests.benchmarks.rooms --scene still-30 --short         six trials, a line for each with --each
    python -m tests.benchmarks.rooms --scene still-30 --scene spots3-5 --jobs 2
    python -m tests.benchmarks.rooms --write                          all scenes; each goes to ROOMS.md when done

Conventions: every trial is a shop folder of its own with one instrument and one stage, measured and joined on the
road that ``compare`` and ``import tapbatch`` take (:func:`tapbatch.run.histories.histories_of`), so whatever is
decided beyond one recording is in it. Scenes and truth come from :mod:`tests.bench_simulator`, which shares nothing
with the product's own simulator. Spots are written ``spot-1``, ``spot-2``, ... where the product knows that word, and
else (or with ``--spots again`` or ``--spots takes``) as set-ups or takes of one stage.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tapbatch.model.errors import NamingError
from tapbatch.model.history import Stage
from tapbatch.model.names import parse_name
from tests.bench_simulator import phones, scenes
from tests.bench_simulator.judge import Verdict, judge
from tests.bench_simulator.recipes import RECIPES
from tests.bench_simulator.scenes import Played, Take
from tests.bench_simulator.world import stream
from tests.benchmarks import rooms_limits, rooms_page, rooms_tables, tables

RESULTS = Path(__file__).with_name("ROOMS.md")
_SHORT = 6
_INSTRUMENT = "lyre"


@dataclass(frozen=True)
class Trial:
    """One trial of a scene; ``spots`` is the word for a spot: ``spot``, ``again`` or ``takes``."""

    scene: str
    number: int
    spots: str


@dataclass(frozen=True)
class Outcome:
    """The verdict on a trial, and the processor's seconds that reading and joining it took."""

    verdict: Verdict
    spent_s: float


def name_of(take: Take, number: int, word: str) -> str:
    """Return the file name of a recording; ``word`` is ``spot``, ``again`` or ``takes``."""
    said = {"spot": f"_spot-{take.spot + 1}", "again": "_again" if take.spot else "", "takes": ""}[word]
    return f"{_INSTRUMENT}_01-voicing{said}_{number}.wav"


def knows_spots() -> bool:
    """Tell whether the product knows the word ``spot-NAME``."""
    try:
        parse_name(f"{_INSTRUMENT}_01-voicing_spot-1_1.wav")
    except NamingError:
        return False
    return True


def stage_of(played: Played, folder: Path, trial: Trial) -> Stage | None:
    """Write the recordings of a scene into a shop folder and read it; ``None`` where no stage came of it."""
    from tapbatch.run.histories import histories_of
    from tapbatch.shop.folder import open_shop

    word = trial.spots if len(played.takes) > 1 else "takes"
    for number, take in enumerate(played.takes, start=1):
        path = folder / "recordings" / name_of(take, number, word)
        phones.write_wav(path, take.samples, take.sample_rate_hz, stream("dither", trial.scene, trial.number, number))
    found = histories_of(open_shop(folder), measuring=True)
    stages = [s for history in found.of.values() for s in history.stages]
    return stages[0] if stages else None


def play(trial: Trial) -> Outcome:
    """Play one trial and judge it."""
    played = scenes.play(trial.scene, trial.number)
    with tempfile.TemporaryDirectory() as folder:
        began_s = time.process_time()
        stage = stage_of(played, Path(folder), trial)
        spent_s = time.process_time() - began_s
    return Outcome(judge(played, stage, trial.number), spent_s)


def outcomes(name: str, numbers: range, jobs: int, spots: str) -> Iterator[Outcome]:
    """Yield the outcome of each trial of a scene, in order."""
    wanted = [Trial(name, n, spots) for n in numbers]
    if jobs == 1:
        yield from map(play, wanted)
        return
    with ProcessPoolExecutor(jobs) as crew:
        yield from crew.map(play, wanted)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.rooms", description=__doc__.split("\n")[0])
    parser.add_argument("--scene", action="append", metavar="NAME", help="only this scene; may be given again")
    parser.add_argument("--trials", type=int, metavar="N", help="trials a scene; else as many as the scene says")
    parser.add_argument("--first", type=int, default=0, metavar="N", help="number of the first trial; 0")
    parser.add_argument("--short", action="store_true", help=f"{_SHORT} trials a scene")
    parser.add_argument("--each", action="store_true", help="a line for each trial: missed and false modes")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes; 1")
    parser.add_argument("--spots", choices=("spot", "again", "takes"), help="the word for a spot")
    parser.add_argument("--list", action="store_true", help="name the scenes")
    parser.add_argument("--write", action="store_true", help=f"write the rows to {RESULTS.name}")
    return parser.parse_args()


def main() -> None:
    """Play the scenes asked for, and say what came out."""
    said = _arguments()
    if said.list:
        print("\n".join(f"{name:12}{recipe.says}" for name, recipe in RECIPES.items()))
        return
    names = said.scene or list(RECIPES)
    if unknown := set(names) - set(RECIPES):
        raise SystemExit(f"no such scene: {', '.join(sorted(unknown))}; there are {', '.join(RECIPES)}")
    word = said.spots or ("spot" if knows_spots() else "again")
    print(f"{tables.machine()}\n\n{rooms_tables.legend(word)}\n{rooms_tables.head()}", flush=True)
    for name in names:
        if why := scenes.why_not(name):
            print(rooms_tables.left_out(name, why), flush=True)
            continue
        count = said.trials or (_SHORT if said.short else RECIPES[name].trials)
        found = []
        for outcome in outcomes(name, range(said.first, said.first + count), said.jobs, word):
            found.append(outcome)
            if said.each:
                print(rooms_tables.each(outcome), flush=True)
        row, remarks = rooms_tables.row(name, found), rooms_tables.beside(name, found)
        limits = rooms_limits.lines(name, [o.verdict for o in found])
        print("\n".join([row, *remarks, *limits]), flush=True)
        if said.write:
            page = rooms_page.read(RESULTS)
            page.put(name, row, remarks, limits)
            RESULTS.write_text(page.text(word), encoding="utf-8")


if __name__ == "__main__":
    main()
