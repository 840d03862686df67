"""``python -m tests.survival --minutes N [--seed S] [--round K] [--log FILE]``: play rounds until time is up.

Conventions: rounds are numbered from 0 and start while there is time; a round that has started is played to its end.
A line is printed for each round and for each failure, with the command that plays that round again. Time decides how
many rounds are played, never what is in them.
"""

from __future__ import annotations

import argparse
import secrets
import signal
import sys
import tempfile
import time
from collections.abc import Sequence
from itertools import count
from pathlib import Path

from tests.survival.fuzz.arena import arena
from tests.survival.fuzz.checks import MEMORY_MB
from tests.survival.fuzz.log import Log
from tests.survival.fuzz.plan import plan_round
from tests.survival.fuzz.playing import Played, Round
from tests.survival.fuzz.program import BUDGET_S

_TOLD_LETTERS = 4000


def main(arguments: Sequence[str]) -> int:
    """Play rounds; return 1 if a check failed, otherwise 0."""
    asked = _parsed(arguments)
    # A shell that starts this in the background makes it, and the programs it starts, ignore Ctrl-C.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    seed = secrets.randbelow(10**9) if asked.seed is None else asked.seed
    path = asked.log or Path(tempfile.gettempdir()) / f"tapbatch-fuzz-{seed}.jsonl"
    log = Log(path)
    print(f"seed {seed}, log {path}", flush=True)
    log.line("begins", seed=seed, budget_s=BUDGET_S, memory_mb=MEMORY_MB, python=sys.version.split()[0])
    end_s = time.monotonic() + 60 * asked.minutes
    found = 0
    for number in count() if asked.round is None else (asked.round,):
        if time.monotonic() > end_s and asked.round is None:
            break
        amiss = play_round(seed, number, log)
        found += len(amiss)
        for line in amiss:
            print(f"  {line}\n    again: python -m tests.survival --seed {seed} --round {number}", flush=True)
    log.line("ends", found=found)
    log.close()
    print(f"{found} found")
    return min(found, 1)


def _parsed(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.survival", description="Fuzz the program.")
    parser.add_argument("--minutes", type=float, default=0.0, help="start no round after this many minutes")
    parser.add_argument("--seed", type=int, help="draw the same rounds as a run with this seed")
    parser.add_argument("--round", type=int, help="play only this round of the seed")
    parser.add_argument("--log", type=Path, help="write the log to this file")
    asked = parser.parse_args(arguments)
    if asked.round is not None and asked.seed is None:
        parser.error("--round needs --seed")
    return asked


def play_round(seed: int, number: int, log: Log) -> list[str]:
    """Play a round and log it; return a line for each failure."""
    found: list[str] = []
    began_s = time.monotonic()
    peak_mb = together_mb = longest_s = 0.0
    with tempfile.TemporaryDirectory() as folder, arena(Path(folder) / "arena") as where:
        log.line("round", round=number, disk=where.disk)
        round_ = Round(where)
        steps = [(action.plain(), lambda action=action: round_.play(action)) for action in plan_round(seed, number)]
        for at, (plain, play) in enumerate([*steps, ({"kind": "end"}, round_.end)]):
            log.line("action", round=number, at=at, action=plain)
            played = play()
            _tell(log, number, at, played)
            found += [f"round {number}, action {at} ({plain['kind']}): {line}" for line in played.found]
            if played.ended is not None:
                peak_mb = max(peak_mb, played.ended.peak_mb)
                together_mb = max(together_mb, played.ended.together_mb)
                longest_s = max(longest_s, played.ended.took_s)
    took_s = time.monotonic() - began_s
    print(
        f"round {number}: {took_s:.0f} s, longest command {longest_s:.0f} s, "
        f"largest process {peak_mb:.0f} MB, together {together_mb:.0f} MB, {len(found)} found",
        flush=True,
    )
    return found


def _tell(log: Log, number: int, at: int, played: Played) -> None:
    ended = played.ended
    facts = {} if ended is None else {
        "status": ended.status, "took_s": round(ended.took_s, 2), "peak_mb": round(ended.peak_mb),
        "together_mb": round(ended.together_mb), "cut": ended.cut,
    }  # fmt: skip
    if ended is not None and played.found:
        facts["said"] = ended.said[-_TOLD_LETTERS:]
    log.line("result", round=number, at=at, note=played.note, found=played.found, **facts)
