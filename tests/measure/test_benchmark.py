"""A small seeded part of the benchmark, held to its limits; and the benchmark's own tools held to outside truth.

Limits: root-mean-square errors of 1.05 (frequency) and 1.10 (T60) times the Cramer-Rao bound, 93 to 97 % of the 95 %
intervals of a tap holding the truth and at least 94 % of a stage's, no false mode in 99 % of taps, pairs 4 Hz apart
resolved in 99 % of recordings of five taps and 3 Hz in 95 %. With few trials an estimator at a limit lands beyond it
half of the time, so each is given what luck does once in ten thousand: ``ratio**2`` times its degrees of freedom is
chi-square, shares are binomial (:mod:`tests.benchmarks.score`). Forty trials of six modes allow 1.05 to grow to 1.24:
what is caught here is what breaks, what creeps is seen in ``tests/benchmarks/RESULTS.md``.
"""

from __future__ import annotations

import math
import warnings
from functools import cache

import numpy as np
import pytest

from tapbatch.measure.bound import lone_mode_bound
from tapbatch.simulate import taps as sim
from tests.benchmarks import peers, scenes, score
from tests.benchmarks.cases import CASES, SIGMA, STAGES, Case, lone, six
from tests.benchmarks.montecarlo import IDEAL, OURS, Plan, play, play_stage

TRIALS = 40
RECORDINGS = 20
KEPT = (
    "one-30", "one-60", "one-80", "body-6", "body-12", "body-24", "pair-2", "pair-3", "pair-4", "pair-6", "pair-10",
    "pink", "coloured", "hum-50", "hum-60", "hum-in-50", "hum-in-60", "phone", "contact-1-late", "contact-2-early",
    "contact-2-late", "contact-5-early", "rate-8000", "rate-16000", "rate-44100", "rate-96000",
)  # fmt: skip
KEPT_STAGES = ("stage-2", "stage-5", "wander-2", "pair-2-stage", "pair-3-stage", "pair-4-stage")


def _case(name: str) -> Case:
    return next(c for c in (*CASES, *STAGES) if c.name == name)


BESIDE_IDEAL = ("one-40", "body-6", "body-12", "pair-2", "pair-4", "pink", "hum-in-50", "contact-5-late", "rate-8000")
STAGES_BESIDE_IDEAL = ("stage-5", "pair-2-stage", "pair-4-stage")


@cache
def played(name: str) -> dict[str, score.Tally]:
    """Play a case of single taps once, for its limits and beside the ideal."""
    return play(_case(name), Plan(TRIALS, ideal=name in BESIDE_IDEAL))


@cache
def stages_played(name: str) -> dict[str, score.Tally]:
    """Play a case of recordings once, for its limits and beside the ideal."""
    return play_stage(_case(name), Plan(RECORDINGS, ideal=name in STAGES_BESIDE_IDEAL))


@pytest.mark.slow
@pytest.mark.parametrize("name", KEPT)
def test_taps_stay_within_their_limits(name: str) -> None:
    case = _case(name)
    tally = played(name)[OURS]
    assert tally.counting > 0
    assert tally.found >= 0.95 * tally.counting, tally.odd
    assert score.shortfalls(tally, bounded=case.bounded, near=case.near) == [], tally.odd


@pytest.mark.slow
@pytest.mark.parametrize("name", KEPT_STAGES)
def test_stages_stay_within_their_limits(name: str) -> None:
    case = _case(name)
    tally = stages_played(name)[OURS]
    assert tally.covered
    assert score.stage_shortfalls(tally, shared=case.shared, pair_limit=case.pair_limit, near=case.near) == [], (
        tally.odd
    )


MOST_OVER_IDEAL = 1.04
"""1.01 to 1.035 is what they lose: beside the ideal nearly all luck is gone, so what creeps is seen long before the
limits of 1.05 and 1.10 are left."""


@pytest.mark.slow
@pytest.mark.parametrize("name", BESIDE_IDEAL)
def test_taps_lose_little_beside_the_ideal_on_the_same_sounds(name: str) -> None:
    tallies = played(name)
    assert tallies[OURS].found == tallies[OURS].counting == tallies[IDEAL].found
    assert max(tallies[OURS].over(tallies[IDEAL])) <= MOST_OVER_IDEAL


@pytest.mark.slow
@pytest.mark.parametrize("name", STAGES_BESIDE_IDEAL)
def test_stages_lose_little_beside_the_ideal_on_the_same_sounds(name: str) -> None:
    tallies = stages_played(name)
    assert tallies[OURS].found == tallies[OURS].counting == tallies[IDEAL].found
    assert max(tallies[OURS].over(tallies[IDEAL])) <= MOST_OVER_IDEAL


def test_the_ideal_reaches_the_bound() -> None:
    """Maximum likelihood is efficient where errors are small: a bound that were off would show here."""
    ideal = played("body-6")[IDEAL]
    assert len(ideal.errors) == 6 * TRIALS
    for ratio in ideal.ratios:
        assert 1 / score.most_ratio(1.0, len(ideal.errors)) < ratio < score.most_ratio(1.0, len(ideal.errors))


# ---------------------------------------------------- the bound, by other ways


def test_bound_of_a_lone_mode_is_that_of_yao_and_pandit() -> None:
    # sd(T60)/T60 = 2/sqrt(rho), sd(f) = 2.2/(T60 sqrt(rho)) Hz (IEEE Trans. SP 43, 1995), rho = 1e6.
    case = Case(name="lone", about="", body=lone(60.0))
    scene = scenes.scene(case, 0)
    (mode,) = scene.centre
    sd_hz, sd_log = scenes.bounds([scenes.information(case, scene.true[0], ())], case.rate_hz)
    assert sd_log[0] == pytest.approx(2e-3, rel=0.01)
    assert sd_hz[0] == pytest.approx(2.2e-3 / mode.t60_s, rel=0.01)
    assert (sd_hz[0], sd_log[0]) == pytest.approx(lone_mode_bound(mode.t60_s, 1e6), rel=0.01)


def _jacobian(modes: tuple[sim.SimMode, ...], time_s: np.ndarray) -> np.ndarray:
    """Return derivatives by (Re c, Im c, ln delta, f) of each mode, by differences: columns in four groups."""

    def sound(re: float, im: float, log_delta: float, freq_hz: float) -> np.ndarray:
        turn = 2 * math.pi * freq_hz * time_s
        return np.exp(-math.exp(log_delta) * time_s) * (re * np.cos(turn) - im * np.sin(turn))

    groups: list[list[np.ndarray]] = [[], [], [], []]
    for m in modes:
        at = [m.phasor.real, m.phasor.imag, math.log(-m.pole_per_s.real), m.freq_hz]
        for k, step in enumerate((m.amplitude * 1e-4, m.amplitude * 1e-4, 1e-4, 1e-4)):
            up, down = list(at), list(at)
            up[k] += step
            down[k] -= step
            groups[k].append((sound(*up) - sound(*down)) / (2 * step))
    return np.stack([c for g in groups for c in g], axis=1)


def test_bound_of_many_modes_and_mains_is_that_of_a_numeric_jacobian() -> None:
    case = Case(name="numeric", about="", body=six(), rate_hz=8000, mains_hz=60.0)
    scene = scenes.scene(case, 0)
    tap = scene.true[0]
    first, last = math.ceil(tap.free_from_s * 8000), int(tap.free_until_s * 8000)
    time_s = np.arange(first, last) / 8000 - tap.free_from_s
    turns = 2 * math.pi * np.multiply.outer(time_s, np.array(scene.hum_hz))
    jacobian = np.hstack([_jacobian(tap.modes, time_s), np.cos(turns), np.sin(turns)]) / case.sigma
    scale = np.linalg.norm(jacobian, axis=0)
    sd = np.sqrt(np.diagonal(np.linalg.inv((jacobian / scale).T @ (jacobian / scale)))) / scale
    count = len(tap.modes)
    sd_hz, sd_log = scenes.bounds([scenes.information(case, tap, scene.hum_hz)], case.rate_hz)
    np.testing.assert_allclose(sd_log, sd[2 * count : 3 * count], rtol=1e-4)
    np.testing.assert_allclose(sd_hz, sd[3 * count : 4 * count], rtol=1e-4)


@pytest.mark.parametrize("colour", ["pink", "coloured"])
def test_bound_in_coloured_noise_is_that_of_its_covariance(colour: str) -> None:
    # F = J^T C^-1 J with the Toeplitz covariance of the noise as it is simulated, no whitening anywhere.
    from scipy.linalg import solve_toeplitz

    rate_hz, length = 8000, 4096
    case = Case(name="covariance", about="", body=six(), rate_hz=rate_hz, colour=colour)
    modes = (sim.SimMode(120.0, 0.15, 0.01, 0.4), sim.SimMode(300.0, 0.1, 0.01, -1.0))
    if colour == "pink":
        freq_hz = np.fft.rfftfreq(1 << 17, 1 / rate_hz)
        covariance = np.fft.irfft(1 / np.maximum(freq_hz, 20.0))[:length]
    else:
        covariance = 0.97 ** np.arange(length)
    covariance = covariance / covariance[0] * case.sigma**2
    jacobian = _jacobian(modes, np.arange(length) / rate_hz)
    information = jacobian.T @ solve_toeplitz(covariance, jacobian)
    sd = np.sqrt(np.diagonal(np.linalg.inv(information)))
    tap = scenes.TrueTap(free_from_s=0.0, free_until_s=length / rate_hz, modes=modes)
    sd_hz, sd_log = scenes.bounds([scenes.information(case, tap, ())], rate_hz)
    np.testing.assert_allclose(sd_log, sd[4:6], rtol=0.01)
    np.testing.assert_allclose(sd_hz, sd[6:8], rtol=0.01)


def test_taps_that_share_poles_halve_the_bound_at_four_times_the_information() -> None:
    case = _case("body-6")
    scene = scenes.scene(case, 0)
    one = scenes.information(case, scene.true[0], ())
    alone, four = scenes.bounds([one], case.rate_hz), scenes.bounds([one] * 4, case.rate_hz)
    np.testing.assert_allclose(four, np.array(alone) / 2)


# -------------------------------------------------------------- fair to peers


@pytest.mark.parametrize("name", list(peers.PEERS))
def test_peers_find_a_loud_clean_mode(name: str) -> None:
    reason = peers.missing().get(name)
    if reason:
        pytest.skip(reason)
    rng = np.random.default_rng(5)
    decay = sim.free_decay([sim.SimMode(233.0, 0.4, 0.1, 0.7)], 1.2, 48000)
    samples = np.concatenate([np.zeros(38400), decay]) + SIGMA * rng.standard_normal(96000)
    lowered = peers.lowered(samples, 48000, (0.802, 2.0), 0.8, np.array([233.0]))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = peers.PEERS[name](lowered)
    nearest = found[np.abs(found[:, 0] - 233.0).argmin()]
    assert nearest[0] == pytest.approx(233.0, abs=1.0 if name == "fft" else 0.05)
    if name == "fft":
        # A Hann window over a decay widens its line: known of this method, and why nobody should read T60 from it.
        assert 0.4 <= nearest[1] < 1.2
    else:
        assert nearest[1] == pytest.approx(0.4, rel=0.05)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["body-6", "body-12", "pink"])
def test_no_peer_comes_nearer_on_the_same_sounds(name: str) -> None:
    """All peers on all bounded cases are in RESULTS.md; these have modes enough for a few trials to tell."""
    tallies = play(_case(name), Plan(6, peer_trials=6))
    ours = tallies.pop(OURS)
    for peer, tally in tallies.items():
        assert not tally.errors or min(np.array(tally.ratios) / ours.ratios) > 1.0, peer


# ------------------------------------------------------------------- scoring


def test_scoring_counts_found_false_and_forgiven() -> None:
    true = score.Truth(
        freq_hz=np.array([200.0, 300.0, 400.0]),
        t60_s=np.full(3, 0.4),
        freq_sd_hz=np.full(3, 0.1),
        t60_sd_log=np.array([0.01, 0.01, 0.2]),
    )
    found = score.Estimates(
        freq_hz=np.array([200.1, 250.0, 301.0, 350.0, 1700.0]),
        t60_s=np.full(5, 0.4),
        freq_half_hz=np.full(5, 0.5),
        t60_half_log=np.full(5, 0.1),
        forgiven=np.array([False, True, False, False, False]),
    )
    tally = score.Tally()
    tally.add(0, found, true, 1.0)
    assert (tally.counting, tally.found, tally.false, tally.clean, tally.whole) == (2, 2, 1, 0, 1)
    assert tally.cover == (0.5, 1.0)
    assert tally.ratios == (pytest.approx(math.sqrt((1 + 100) / 2)), 0.0)


def test_margins_are_those_of_the_tables() -> None:
    # Upper 5 % point of chi-square with 10 degrees of freedom: 18.307 (NIST handbook, 1.3.6.7.4).
    assert score.most_ratio(1.0, 10, chance=0.05) == pytest.approx(math.sqrt(1.8307), rel=1e-4)
    # 0.01**10 is beyond chance; 38 of 40 is 95 %.
    assert score.share_is_off(0, 10, 0.99)
    assert not score.share_is_off(38, 40, 0.93, 0.97)


def test_an_estimator_that_errs_or_boasts_is_caught() -> None:
    rng = np.random.default_rng(7)

    def shortfalls(spread: float, said: float, false: int) -> list[str]:
        tally = score.Tally(taps=480, clean=480 - false)
        for e in spread * rng.standard_normal((480, 2)):
            tally.errors.append((e[0], e[1], 0.0, 0.0))
            tally.covered.append((abs(e[0]) < said * score.Z_95, abs(e[1]) < said * score.Z_95))
        return score.shortfalls(tally, bounded=True)

    assert shortfalls(1.0, 1.0, 0) == []
    assert len(shortfalls(1.5, 1.5, 0)) == 2
    assert len(shortfalls(1.0, 0.6, 0)) == 2
    assert len(shortfalls(1.0, 2.0, 0)) == 2
    assert len(shortfalls(1.0, 1.0, 20)) == 1
