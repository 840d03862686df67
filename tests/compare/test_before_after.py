"""Sustain before and after: verdicts against truth, and what forbids one."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from tapbatch.compare.before_after import Comparison, SustainChange, log_change, rings_verdict, side_by_side
from tapbatch.compare.bench import Bench
from tapbatch.compare.frozen import Grounds
from tapbatch.compare.history import build_history
from tapbatch.compare.moves.belief import believe, evidence_anew
from tapbatch.compare.moves.contrast import TapSet
from tapbatch.compare.moves.priors import T60
from tapbatch.compare.random_effects import Sample
from tapbatch.model.caution import Caution, NoVerdict
from tapbatch.model.history import Note
from tapbatch.model.reading import Decay
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import Item, item, mode, reading, tap_reading
from tests.compare.test_open_strings import CITTERN, D4, G3, plucked, tone


def band(t60_s: float, low: float | None = None, high: float | None = None, flags: tuple[str, ...] = ()) -> Decay:
    return Decay(
        band_low_hz=low, band_high_hz=high, edt_s=None, t20_s=None, t30_s=None, t60_s=t60_s, t60_log_se=0.005,
        flags=flags,
    )  # fmt: skip


def side(
    path: str, t60_s: float, rng: np.random.Generator, count: int = 5, scatter: float = 0.01, **said: object
) -> Item:
    taps = []
    for n in range(count):
        s = t60_s * math.exp(rng.normal(0, scatter))
        narrow = band(0.15 * s / 0.4, 88.0, 177.0, ())
        decays = [band(s), band(s, 354.0, 707.0), narrow]
        modes = [mode(200.0, s, -20.0), mode(610.0, s, -30.0)]
        taps.append(tap_reading(n + 1, modes, decays))
    return item(path, dataclasses.replace(reading([]), taps=tuple(taps)), **said)


def compared(*items: Item, settings: InstrumentSettings = CITTERN, notes: dict | None = None) -> Comparison:
    stages = build_history("cittern-07", items, settings, notes or {})[0].stages
    return side_by_side(stages[0], stages[-1], settings)


def of(comparison: Comparison, subject: str, name: str = "") -> SustainChange:
    return next(c for c in comparison.sustain if c.subject == subject and name in c.name)


def test_the_verdict_is_what_the_interval_says() -> None:
    assert [rings_verdict(*i) for i in ((-5.0, 5.0), (0.1, 5.1), (-5.1, -0.1), (-1.0, 5.1))] == [
        "same within 5 %", "longer", "shorter", "unclear",
    ]  # fmt: skip


@pytest.mark.parametrize(("factor", "verdict"), [(1.4, "longer"), (0.7, "shorter"), (1.0, "unclear")])
def test_whole_band_and_mode_say_the_same_truth(factor: float, verdict: str) -> None:
    """A new set-up may change a decay by a tenth and more, so only larger changes are told without ``again``.

    The p-value of each change is 4 %. Of two modes, by Holm's rule, that is 8 %: probably.
    """
    rng = np.random.default_rng(3)
    found = compared(side("c_01-a_1.wav", 0.4, rng), side("c_02-b_1.wav", 0.4 * factor, rng))
    among_modes = verdict if verdict == "unclear" else f"{verdict}?"
    for change in (of(found, "whole"), of(found, "band", "500 Hz"), of(found, "mode")):
        assert change.verdict == (among_modes if change.subject == "mode" else verdict)
        assert change.low_pct <= 100 * (factor - 1) + 2  # type: ignore[operator]
        assert change.high_pct >= 100 * (factor - 1) - 2  # type: ignore[operator]


@pytest.fixture(scope="module")
def quiet_bench() -> Bench:
    """What a shop believes after six set-ups anew that moved no decay."""
    rng = np.random.default_rng(21)
    sets = [TapSet(rng.normal(0.0, 1.0, (5, 8)), np.full((5, 8), 0.01), np.zeros(5), setup=k) for k in range(7)]
    return Bench(t60=believe(evidence_anew(sets, T60), T60))


@pytest.mark.parametrize(("factor", "verdict"), [(1.2, "longer"), (0.8, "shorter"), (1.0, "same within 5 %")])
def test_on_a_quiet_bench_a_fifth_is_told_and_so_is_no_change(
    factor: float, verdict: str, quiet_bench: Bench
) -> None:
    rng = np.random.default_rng(3)
    items = [side("c_01-a_1.wav", 0.4, rng, count=20), side("c_02-b_1.wav", 0.4 * factor, rng, count=20)]
    before, after = build_history("cittern-07", items, CITTERN, {})[0].stages
    found = side_by_side(before, after, CITTERN, grounds=Grounds(quiet_bench))
    for change in (of(found, "whole"), of(found, "band", "500 Hz"), of(found, "mode")):
        assert change.verdict == verdict
        assert change.low_pct <= 100 * (factor - 1) <= change.high_pct  # type: ignore[operator]


def test_intervals_hold_the_true_change() -> None:
    """Five taps a side at 4 % scatter: 95 % intervals hold the truth in 93 to 99 of a hundred."""
    rng, held, runs = np.random.default_rng(11), 0, 1000
    for _ in range(runs):
        before, after = ([Sample(v, 0.002) for v in rng.normal(m, 0.04, 5)] for m in (0.0, 0.1))
        change = log_change(before, after)
        assert change is not None
        held += change.low <= 0.1 <= change.high
    assert 0.93 * runs <= held <= 0.99 * runs


def test_at_most_one_in_twenty_unmoved_decays_is_called_longer_or_shorter() -> None:
    rng, moved, runs = np.random.default_rng(12), 0, 1000
    for _ in range(runs):
        before, after = ([Sample(v, 0.002) for v in rng.normal(0.0, 0.06, 5)] for _ in range(2))
        change = log_change(before, after)
        assert change is not None
        moved += rings_verdict(100 * math.expm1(change.low), 100 * math.expm1(change.high)) in ("longer", "shorter")
    # Binomial: under 5 %, more than 72 of 1000 would come once in a thousand.
    assert moved <= 72


def test_another_state_another_point_and_a_single_tap_forbid_a_verdict() -> None:
    rng = np.random.default_rng(4)
    before = side("c_01-a_1.wav", 0.4, rng, state="free", point="bridge")
    held = Caution("state", before=("free",), after=("clamped",))
    for after, why in (
        (side("c_02-b_1.wav", 0.5, rng, state="clamped", point="bridge"), NoVerdict("state", held)),
        (side("c_02-b_1.wav", 0.5, rng, state="free", point="edge"), NoVerdict("points")),
        (side("c_02-b_1.wav", 0.5, rng, count=1, state="free", point="bridge"), NoVerdict("one")),
    ):
        found = compared(before, after)
        assert {c.verdict for c in found.sustain} == {""}
        assert {c.why for c in found.sustain} - {NoVerdict("too narrow")} == {why}


def test_a_decay_shorter_than_the_bands_own_has_a_flag_and_no_verdict() -> None:
    rng = np.random.default_rng(5)
    found = compared(side("c_01-a_1.wav", 0.4, rng), side("c_02-b_1.wav", 0.5, rng))
    narrow = of(found, "band", "125 Hz")  # 89 Hz times 0.15 s is 13, under 16
    assert (narrow.verdict, narrow.why) == ("", NoVerdict("too narrow"))
    assert "band-too-narrow" in narrow.flags


def test_strings_are_compared_one_by_one_and_need_two_plucks() -> None:
    twice = plucked(tone(G3, t60_s=2.0), tone(G3, t60_s=2.02), tone(D4, t60_s=2.0))
    longer = plucked(tone(G3, t60_s=3.0), tone(G3, t60_s=3.03), tone(D4, t60_s=3.0))
    found = compared(item("c_01-a_pluck.wav", twice, kind="pluck"), item("c_02-b_pluck.wav", longer, kind="pluck"))
    low, high = of(found, "string", "G3"), of(found, "string", "D4")
    assert (low.verdict, low.change_pct) == ("longer", pytest.approx(50.0, abs=1.0))
    assert (high.verdict, high.why) == ("", NoVerdict("one", sound="pluck"))


def test_new_strings_are_a_caution() -> None:
    rng = np.random.default_rng(6)
    items = side("c_01-a_1.wav", 0.4, rng), side("c_02-b_1.wav", 0.4, rng)
    for work, said in (
        ("new strings", True),
        ("restrung", True),
        ("bridge thinned", False),
        ("strings damped", False),
    ):
        notes = {("cittern-07", "02-b"): Note(instrument="cittern-07", stage="02-b", work=work)}
        assert (Caution("new strings") in compared(*items, notes=notes).cautions) is said, work


def test_balance_is_free_of_gain_and_shows_a_shift() -> None:
    rng = np.random.default_rng(7)

    def stage(path: str, high_db: float, gain_db: float) -> Item:
        level = [(rng.normal(gain_db, 8.0), rng.normal(0, 0.3)) for _ in range(5)]
        return item(path, reading([[mode(200.0, 0.4, g), mode(610.0, 0.4, g + high_db + s)] for g, s in level]))

    quiet = {
        b.name: b for b in compared(stage("c_01-a_1.wav", -6.0, 0.0), stage("c_02-b_1.wav", -6.0, -40.0)).balance
    }
    assert quiet["high"].low_db < 0 < quiet["high"].high_db
    raised = {
        b.name: b for b in compared(stage("c_01-a_1.wav", -20.0, 0.0), stage("c_02-b_1.wav", -10.0, 0.0)).balance
    }
    # -20 dB beside 0 is a share of 1/101, -10 dB of 1/11.
    assert raised["high"].change_db == pytest.approx(10 * math.log10(101 / 11), abs=0.6)
    assert raised["high"].low_db > 0


def test_of_two_instruments_modes_are_paired_by_nearness_of_note_where_no_label_says_so() -> None:
    rng = np.random.default_rng(8)
    stages = build_history("cittern-07", [side("c_01-a_1.wav", 0.4, rng)], CITTERN, {})[0].stages
    others = build_history("cittern-04", [side("c_01-a_1.wav", 0.6, rng)], CITTERN, {})[0].stages
    found = side_by_side(stages[0], others[0], CITTERN, CITTERN)
    modes = [c for c in found.sustain if c.subject == "mode"]
    # 200 Hz is 35 cents over G3 at A4 = 440 Hz (ISO 16)
    assert tuple(c.name for c in modes) == found.by_note
    assert (modes[0].name, modes[0].verdict) == ("G3", "longer")


def test_no_verdict_on_the_whole_sound_where_strings_rang_along() -> None:
    rng = np.random.default_rng(3)
    items = side("c_01-a_1.wav", 0.8, rng), side("c_02-b_1.wav", 0.4, rng)
    before, after = build_history("cittern-07", items, CITTERN, {})[0].stages
    rang = tuple(dataclasses.replace(m, flags=("string",)) for m in before.modes[:1])
    rang_before = dataclasses.replace(before, modes=(*rang, *before.modes[1:]))
    for stages in ((rang_before, after), (after, rang_before)):
        rows = [row for row in side_by_side(*stages, CITTERN).sustain if row.subject in ("whole", "band")]
        assert {row.why.kind for row in rows if row.why} == {"strings rang"}
        assert {row.verdict for row in rows} == {""}
    assert of(side_by_side(before, after, CITTERN), "whole").verdict == "shorter"
