"""Taps of recordings as a comparison of moves takes them, and moves told from whole histories."""

from __future__ import annotations

import numpy as np
import pytest

from tapbatch.compare.history import build_history
from tapbatch.compare.moves.belief import believe, evidence_anew
from tapbatch.compare.moves.between import moves_between
from tapbatch.compare.moves.priors import FREQ, T60
from tapbatch.compare.stage import members_by_mode
from tapbatch.compare.tap_sets import FREQ_OF, T60_OF, tap_sets
from tapbatch.model.history import Stage
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, reading, taps

FREQS = (110.0, 205.0, 390.0, 610.0, 980.0)


def a_build(moves: float, again: int = 0) -> tuple[Stage, ...]:
    """Return two stages of five modes, the third of which moved by ``moves`` cents, the first set up anew as well."""
    rng = np.random.default_rng([20, int(abs(moves)), again])
    rows = [(f, 0.3, -20.0) for f in FREQS]
    later = [(f * 2.0 ** ((moves if n == 2 else 0.0) / 1200.0), 0.3, -20.0) for n, f in enumerate(FREQS)]
    items = [item("c_01-a.wav", reading(taps(rng, rows, 5))), item("c_02-b.wav", reading(taps(rng, later, 5)))]
    items += [
        item(f"c_01-a_again_{k}.wav", reading(taps(rng, rows, 5)), again=True, take=k) for k in range(1, again + 1)
    ]
    return build_history("cittern-07", items, InstrumentSettings(), {})[0].stages


def names_of(stage: Stage) -> list[str]:
    return [m.mode for m in stage.modes]


def test_a_set_holds_the_taps_of_a_recording_in_cents() -> None:
    stage = a_build(0.0)[0]
    (one,) = tap_sets(stage, members_by_mode(stage), names_of(stage), FREQ_OF)
    assert one.values.shape == (5, 5)
    cents = 1200.0 * np.log2([[m.freq_hz for m in t.modes] for t in stage.heard[0].reading.used_taps])
    # Each mode may be moved as a whole, onto what its taps agree on, but not one tap against another.
    assert one.values - one.values.mean(axis=0) == pytest.approx(cents - cents.mean(axis=0), abs=1e-9)
    assert one.values.mean(axis=0) == pytest.approx(cents.mean(axis=0), abs=0.5)
    assert one.levels_db.tolist() == [-12.0] * 5
    assert one.room is None
    (decays,) = tap_sets(stage, members_by_mode(stage), names_of(stage), T60_OF)
    assert decays.values.mean() == pytest.approx(100.0 * np.log(0.3), abs=2.0)


def test_set_ups_are_kept_apart() -> None:
    stage = a_build(0.0, again=2)[0]
    sets = tap_sets(stage, members_by_mode(stage), names_of(stage), FREQ_OF)
    assert sorted(s.setup for s in sets) == [0, 1, 2]
    assert len(evidence_anew(sets, FREQ)) == 2


def test_a_mode_that_a_tap_misses_is_left_empty() -> None:
    rng = np.random.default_rng(21)
    made = taps(rng, [(f, 0.3, -20.0) for f in FREQS], 5)
    made[1] = [made[1][0], *made[1][2:]]
    stage = build_history("cittern-07", [item("c_01-a.wav", reading(made))], InstrumentSettings(), {})[0].stages[0]
    (one,) = tap_sets(stage, members_by_mode(stage), names_of(stage), FREQ_OF)
    assert np.argwhere(np.isnan(one.values)).tolist() == [[1, 1]]
    assert np.isnan(one.variances[1, 1])


@pytest.mark.parametrize(("cents", "verdict"), [(-20.0, "down"), (0.0, "steady")])
def test_a_move_is_told_from_recordings(cents: float, verdict: str) -> None:
    before, after = a_build(cents)
    sets = [tap_sets(s, members_by_mode(s), names_of(before), FREQ_OF) for s in (before, after)]
    moves = moves_between(sets[0], sets[1], FREQ, believe([], FREQ), 3.0)
    assert moves.modes[2].verdict == verdict
    assert moves.modes[2].own.value == pytest.approx(cents, abs=1.5)
    still = [tap_sets(s, members_by_mode(s), names_of(before), T60_OF) for s in (before, after)]
    decays = moves_between(still[0], still[1], T60, believe([], T60), 10.0).modes
    assert {m.verdict for m in decays} <= {"steady", "unclear"}
    assert all(m.own.low <= 0.0 <= m.own.high for m in decays)
