"""What a shop learns of its set-ups: from which recordings, how much, and never from the pair that is judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.across import sets_up_anew
from tapbatch.compare.bench import SetupEvidence, bench_of, setup_evidence
from tapbatch.compare.history import gather_history
from tapbatch.compare.moves.contrast import contrast
from tapbatch.compare.moves.priors import FREQ, common_grid
from tapbatch.compare.order import Item
from tapbatch.model.settings import InstrumentSettings
from tests.compare.drift_sim import again_recording
from tests.compare.moves_count import tap_sets
from tests.compare.moves_sim import Bench, a_stage, an_instrument

DAYS = ("2026-03-01T10:00:00", "2026-03-02T10:00:00")


def evidence(items: list[Item]) -> SetupEvidence:
    return setup_evidence(gather_history("cittern-07", items, InstrumentSettings(), {})[0].stages)


def on(made: Item, day: str, direct_db: float | None = None) -> Item:
    recording, reading, missing = made
    return recording, replace(reading, recorded_at=day, direct_db=direct_db), missing


def typical_common(found: SetupEvidence) -> float:
    return float(common_grid(FREQ)[0] @ bench_of([found]).freq.common)


@pytest.mark.parametrize(
    ("said", "days", "pieces"),
    [
        ({}, (DAYS[0], DAYS[0]), 0),
        ({}, (DAYS[0], ""), 0),
        ({}, DAYS, 1),
        ({"again": True}, (DAYS[0], DAYS[0]), 1),
        ({"again": True}, DAYS, 1),
        ({"spot": "window"}, (DAYS[0], DAYS[0]), 1),
    ],
    ids=["one day", "a day unknown", "two days", "again", "again on another day", "another spot"],
)
def test_what_counts_as_another_set_up(said: dict[str, object], days: tuple[str, str], pieces: int) -> None:
    rng = np.random.default_rng(1)
    items = [again_recording(rng, "c_00-s_1.wav", 1.0), again_recording(rng, "c_00-s_2.wav", 1.0, **said)]
    found = evidence([on(one, day) for one, day in zip(items, days, strict=True)])
    assert (len(found.freq), len(found.t60)) == (pieces, pieces)


def test_two_days_teach_as_much_as_again() -> None:
    for setup in (0.2, 6.0):
        rows = [again_recording(np.random.default_rng([2, n]), f"c_00-s_{n}.wav", setup) for n in range(4)]
        again = [(replace(made, again=n > 0, take=n), read, lost) for n, (made, read, lost) in enumerate(rows)]
        dated = [on(one, f"2026-03-0{n + 1}") for n, one in enumerate(rows)]
        assert typical_common(evidence(dated)) == pytest.approx(typical_common(evidence(again)), rel=0.05)


def test_a_room_that_differs_between_spots_is_not_taken_for_the_set_up() -> None:
    rng = np.random.default_rng(3)
    items = [again_recording(rng, f"c_00-s_{n}.wav", 6.0, spot=f"s{n}") for n in range(4)]
    clean, roomy = (evidence([on(one, DAYS[0], direct_db) for one in items]) for direct_db in (30.0, 8.0))
    assert len(clean.freq) == len(roomy.freq) == 3
    assert typical_common(clean) > typical_common(SetupEvidence())
    # The room explains how far the modes parted, one by one.
    own = [float(np.arange(11) @ bench_of([found]).freq.own) for found in (clean, roomy)]
    assert own[1] < own[0]


def test_what_is_learned_within_a_stage_is_independent_of_its_mean() -> None:
    bench, within, means = Bench(common=1.0, own=0.5), [], []
    for n in range(400):
        rng = np.random.default_rng([4, n])
        sets = tap_sets(a_stage(rng, bench, an_instrument(rng, bench, 4), np.zeros(4), setups=2))
        within.append(contrast(sets[:1], sets[1:], FREQ).change)
        means.append(np.mean([s.values.mean(axis=0) for s in sets], axis=0))
    # Uncorrelated, 1600 pairs give a coefficient within 0.1 (three standard errors, of a quarter of them).
    assert abs(np.corrcoef(np.ravel(within), np.ravel(means))[0, 1]) < 0.15


def test_instruments_that_teach_are_found_by_the_names_of_their_recordings() -> None:
    rng = np.random.default_rng(5)

    def named(path: str, **said: object) -> Item:
        return again_recording(rng, path, 1.0, **said)

    first, later = named("x/c_00-s_2026-03-01.wav")[0], named("x/c_00-s_2026-03-02.wav")[0]
    other_stage = named("x/c_01-t_2026-03-02.wav")[0]
    assert sets_up_anew([first, later])
    assert not sets_up_anew([first, other_stage])
    assert not sets_up_anew([first, first])
    assert sets_up_anew([named("c_00-s_spot-door.wav", spot="door")[0]])
