"""Running the cases: every method on the same sounds, taps first, then stages.

Conventions: times are processor milliseconds per tap, child processes included, since the machine may be shared. For
this project they run from the samples at native rate to modes with errors, and include decimation, noise and
whitening of the whole recording; for a peer they begin with the decimated decay. The peers run only the first few
trials of each case, because most of them are slow.
"""

from __future__ import annotations

import math
import os
import time
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tapbatch.compare.group import group_taps
from tapbatch.compare.stage import TapAt, join_members, with_shared
from tapbatch.model.pitch import CENTS
from tapbatch.model.reading import LN_1000, BandSettings, Mode, TapReading
from tests.benchmarks import peers, scenes
from tests.benchmarks.cases import QUIET_S, Case
from tests.benchmarks.score import Z_95, Estimates, Float, Tally, Truth
from tests.measured import measure_taps

OURS = "tapbatch"
IDEAL = "ideal"
SAME = "tapbatch, peers' trials"
_OWNED = frozenset({"hum", "pair?"})


@dataclass(frozen=True)
class Plan:
    """The number of trials, the first one, and the peers; peers run at most ``peer_trials``.

    ``ideal`` also runs the maximum of the likelihood, given the truth, where there is a bound.
    """

    trials: int
    peer_trials: int = 0
    first: int = 0
    peers: tuple[str, ...] = tuple(peers.PEERS)
    ideal: bool = False


def play(case: Case, plan: Plan) -> dict[str, Tally]:
    """Run a case of single taps; the tallies are in the order of the table."""
    absent = peers.missing()
    told = [IDEAL] if plan.ideal and case.bounded else []
    present = [p for p in plan.peers if p not in absent and plan.peer_trials]
    same = [SAME] if present and plan.peer_trials < plan.trials else []
    names = [OURS, *told, *same, *present]
    tallies = {name: Tally() for name in names}
    warm_up(case)
    for trial in range(plan.first, plan.first + plan.trials):
        scene = scenes.scene(case, trial)
        truth = truth_of(case, scene)
        started_s = spent_s()
        readings = measured(case, scene)
        spent_ms = 1e3 * (spent_s() - started_s)
        tallies[OURS].add(trial, _of_modes(readings[0].modes), truth, spent_ms)
        if told:
            tallies[IDEAL].add(trial, _of_poles(scenes.ideal(case, scene), case), truth, math.nan)
        if trial - plan.first < plan.peer_trials:
            if same:
                tallies[SAME].add(trial, _of_modes(readings[0].modes), truth, spent_ms)
            _play_peers(case, scene, truth, trial, {n: tallies[n] for n in present})
    return tallies


def spent_s() -> float:
    """Return the processor seconds spent so far by this process and by the children it has waited for."""
    waited_for = os.times()
    return time.process_time() + waited_for.children_user + waited_for.children_system


def warm_up(case: Case) -> None:
    """Do what is done once in a process (imports, design of filters) before the time is taken."""
    measured(case, scenes.scene(case, 1_000_000))


def measured(case: Case, scene: scenes.Scene) -> tuple[TapReading, ...]:
    """Measure a scene as a recording is measured."""
    readings, _ = measure_taps(scene.sound, scene.told, BandSettings(mains_hz=case.mains_hz or 50.0))
    return readings


def truth_of(case: Case, scene: scenes.Scene) -> Truth:
    """Return the modes of a scene's first tap and their bounds."""
    modes = scene.true[0].modes
    sd_hz, sd_log = scenes.bounds([scenes.information(case, scene.true[0], scene.hum_hz)], case.rate_hz)
    return Truth(
        freq_hz=np.array([m.freq_hz for m in modes]),
        t60_s=np.array([m.t60_s for m in modes]),
        freq_sd_hz=sd_hz,
        t60_sd_log=sd_log,
    )


def _of_modes(modes: Sequence[Mode]) -> Estimates:
    return Estimates(
        freq_hz=np.array([m.freq_hz for m in modes]),
        t60_s=np.array([m.t60_s for m in modes]),
        freq_half_hz=Z_95 * np.array([m.freq_se_hz for m in modes]),
        t60_half_log=Z_95 * np.array([m.t60_log_se for m in modes]),
        forgiven=np.array([bool(_OWNED & set(m.flags)) for m in modes], dtype=bool),
    )


def _of_poles(poles: Float, case: Case) -> Estimates:
    """Return estimates of ``log delta`` and ``omega``, shape (2K,)."""
    log_delta, omega = np.split(poles, 2)
    return Estimates(freq_hz=omega * case.rate_hz / (2 * np.pi), t60_s=LN_1000 / (np.exp(log_delta) * case.rate_hz))


def _play_peers(case: Case, scene: scenes.Scene, truth: Truth, trial: int, tallies: dict[str, Tally]) -> None:
    told = scene.told[0]
    decay = peers.lowered(
        scene.sound.samples, case.rate_hz, (told.free_from_s, told.free_until_s), QUIET_S, truth.freq_hz
    )
    lines_hz = np.array(scene.hum_hz)
    for name, tally in tallies.items():
        started_s = spent_s()
        # Warnings of a peer do not matter here; what it finds is scored.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = peers.PEERS[name](decay)
        spent_ms = 1e3 * (spent_s() - started_s)
        near_line = (np.abs(found[:, :1] - lines_hz[None]) < 1.0).any(axis=1)
        tally.add(trial, Estimates(freq_hz=found[:, 0], t60_s=found[:, 1], forgiven=near_line), truth, spent_ms)


# ------------------------------------------------------------------ stages


def play_stage(case: Case, plan: Plan) -> dict[str, Tally]:
    """Run a case of recordings with several taps: the modes of the stage, grouped and joined."""
    tallies = {name: Tally() for name in ((OURS, IDEAL) if plan.ideal and case.shared else (OURS,))}
    warm_up(case)
    for trial in range(plan.first, plan.first + plan.trials):
        scene = scenes.scene(case, trial)
        started_s = spent_s()
        joined = _joined(measured(case, scene))
        spent_ms = 1e3 * (spent_s() - started_s) / case.taps
        truth = _stage_truth(case, scene)
        tallies[OURS].add(trial, joined, truth, spent_ms)
        if IDEAL in tallies:
            tallies[IDEAL].add(trial, _of_poles(scenes.ideal(case, scene), case), truth, math.nan)
    return tallies


def _joined(readings: Sequence[TapReading]) -> Estimates:
    rows = []
    groups = group_taps([r.modes for r in readings])
    taps = with_shared([TapAt(0, t, "", 0, r.modes, r.couplings) for t, r in enumerate(readings)], groups)
    for group in groups:
        members = [(taps[t], taps[t].modes[i]) for t, i in group]
        freq, t60 = (joined.mean for joined in join_members(members))
        owned = 2 * sum(bool(_OWNED & set(m.flags)) for _, m in members) >= len(members)
        rows.append((math.exp(freq.value), math.exp(t60.value), freq.half * math.exp(freq.value), t60.half, owned))
    table = np.array(rows, dtype=float).reshape(-1, 5)
    return Estimates(
        freq_hz=table[:, 0],
        t60_s=table[:, 1],
        freq_half_hz=table[:, 2],
        t60_half_log=table[:, 3],
        forgiven=table[:, 4] > 0,
    )


def _stage_truth(case: Case, scene: scenes.Scene) -> Truth:
    """Return what the taps scatter around, and the least errors of their mean.

    For shared poles this is the joint bound. For poles that wander it is the error of the best mean, with the
    variances of the noise and of the wandering known for every tap.
    """
    each = [scenes.information(case, tap, scene.hum_hz) for tap in scene.true]
    freq_hz = np.array([m.freq_hz for m in scene.centre])
    if case.wander_cents == 0:
        sd_hz, sd_log = scenes.bounds(each, case.rate_hz)
    else:
        alone = [scenes.bounds([one], case.rate_hz) for one in each]
        wander_hz, wander_log = freq_hz * case.wander_cents / CENTS, case.wander_cents / 100
        sd_hz = np.sum([1 / (f**2 + wander_hz**2) for f, _ in alone], axis=0) ** -0.5
        sd_log = np.sum([1 / (t**2 + wander_log**2) for _, t in alone], axis=0) ** -0.5
    return Truth(
        freq_hz=freq_hz,
        t60_s=np.array([m.t60_s for m in scene.centre]),
        freq_sd_hz=sd_hz,
        t60_sd_log=sd_log,
    )
