"""Modes that are no longer heard: gone only if they would have been heard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from tapbatch.compare.absence import LISTED_MARGIN_DB
from tapbatch.compare.drift import drift_between
from tapbatch.compare.history import build_history
from tapbatch.measure.background import heard_db
from tapbatch.model.history import Drift
from tapbatch.model.reading import Mode, Reading
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import background, item, mode, reading
from tests.measure.kept import OUT_HZ, STRONG_HZ, T60_S, WEAK_HZ, WHITENER, kept_tap

NOISE_DB = -90.0
OTHERS = ((140.0, -20.0), (232.0, -27.0), (318.0, -24.0), (455.0, -31.0), (690.0, -35.0))
MISSING_HZ = 540.0
TAPS = 5


def _limit_db() -> float:
    limit = heard_db(background(NOISE_DB), MISSING_HZ, TAPS)
    assert limit is not None
    return limit + LISTED_MARGIN_DB


def _drift(before: Reading, after: Reading, points: tuple[str, str] = ("", "")) -> Drift | None:
    items = [
        item(f"c_{n:02d}-s.wav", each, point=point)
        for n, (each, point) in enumerate(zip((before, after), points, strict=True), start=1)
    ]
    drifts = build_history("cittern-07", items, InstrumentSettings(), {})[0].drifts
    lost = [d for d in drifts if d.verdict in ("gone", "unheard")]
    assert len(lost) < 2
    return lost[0] if lost else None


def _stage(*more: Mode, blow_db: float = 0.0, noise_db: float | None = NOISE_DB) -> Reading:
    modes = [*(mode(hz, energy_db=level + blow_db) for hz, level in OTHERS), *more]
    return reading([modes] * TAPS, noise_db=noise_db)


def _verdict(over_db: float, blow_db: float = 0.0) -> str:
    row = _drift(_stage(mode(MISSING_HZ, energy_db=_limit_db() + over_db)), _stage(blow_db=blow_db))
    assert row is not None
    return row.verdict


def test_a_mode_far_over_the_limit_is_gone_and_one_near_it_is_unheard() -> None:
    # The other five modes did not change at all: 2 * 5 dB * sqrt(4/8) = 7.1 dB.
    assert [_verdict(over) for over in (-3.0, 5.0, 7.0, 7.2, 30.0)] == ["unheard"] * 3 + ["gone"] * 2


def test_several_missing_modes_are_one_family() -> None:
    # Of three, each is as safe as one is by twice the scatter if it stands 2.43 times the scatter over the limit:
    # 2.43 * 5 dB * sqrt(4/8) = 8.6 dB (normal distribution, Phi(-2.43) = Phi(-2) / 3).
    for over_db, alone, among_three in ((7.2, "gone", "unheard"), (8.4, "gone", "unheard"), (8.8, "gone", "gone")):
        judged = mode(MISSING_HZ, energy_db=_limit_db() + over_db)
        faint = [mode(hz, energy_db=_limit_db() - 3.0) for hz in (900.0, 1100.0)]
        for before, verdict in ((_stage(judged), alone), (_stage(judged, *faint), among_three)):
            items = [item("c_01-s.wav", before), item("c_02-s.wav", _stage())]
            drifts = build_history("cittern-07", items, InstrumentSettings(), {})[0].drifts
            lost = [d.verdict for d in drifts if d.freq_change_cents is None]
            assert lost == [verdict, *(["unheard"] * (len(lost) - 1))], over_db


def test_softer_taps_are_allowed_for() -> None:
    assert _verdict(25.0) == "gone"
    assert _verdict(25.0, blow_db=-20.0) == "unheard"
    assert _verdict(5.0, blow_db=20.0) == "gone"


def test_without_a_common_point_or_a_background_it_is_unheard() -> None:
    loud = _stage(mode(MISSING_HZ, energy_db=-20.0))
    assert [row.verdict for row in (_drift(loud, _stage(), ("edge", "bridge")),) if row] == ["unheard"]
    assert [row.verdict for row in (_drift(loud, _stage(noise_db=None)),) if row] == ["unheard"]
    assert [row.verdict for row in (_drift(loud, _stage()),) if row] == ["gone"]


@pytest.mark.parametrize(("apart_hz", "verdict"), [(4.0, "unheard"), (12.0, "gone")])
def test_a_stronger_mode_within_a_width_may_hide_it(apart_hz: float, verdict: str) -> None:
    """With a T60 of 0.4 s, a line is 5.5 Hz wide."""
    beside = mode(MISSING_HZ + apart_hz, energy_db=-22.0)
    row = _drift(_stage(mode(MISSING_HZ, energy_db=-30.0), beside), _stage(beside))
    assert row is not None
    assert row.verdict == verdict


def test_other_levels_that_vary_widely_call_for_more() -> None:
    uneven = [
        mode(hz, energy_db=level + 15.0 * sign) for (hz, level), sign in zip(OTHERS, (1, -1, 0, 1, -1), strict=True)
    ]
    after = reading([uneven] * TAPS, noise_db=NOISE_DB)
    row = _drift(_stage(mode(MISSING_HZ, energy_db=_limit_db() + 15.0)), after)
    assert row is not None
    assert row.verdict == "unheard"


@pytest.mark.slow
@pytest.mark.parametrize(("weaker_db", "scatter_db"), [(10.0, 3.0), (10.0, 6.0), (0.0, 8.0)])
def test_a_mode_that_is_there_is_seldom_called_gone(weaker_db: float, scatter_db: float) -> None:
    """The mode lost 10 dB, or nothing, and another point was struck; it is listed where it is over the limit."""
    rng, trials, wrong, lost = np.random.default_rng(6), 120, 0, 0
    for _ in range(trials):
        over_db = rng.uniform(-5.0, 30.0)
        spread = rng.normal(0.0, scatter_db, len(OTHERS) + 1)
        level = _limit_db() + over_db - weaker_db + spread[-1]
        there = [mode(MISSING_HZ, energy_db=level)] if level > _limit_db() else []
        others = [mode(hz, energy_db=db + move) for (hz, db), move in zip(OTHERS, spread, strict=False)]
        before = _stage(mode(MISSING_HZ, energy_db=_limit_db() + over_db))
        row = _drift(before, reading([[*others, *there]] * TAPS, noise_db=NOISE_DB))
        lost += row is not None
        wrong += row is not None and row.verdict == "gone"
    assert lost > 20
    assert wrong <= binom.ppf(0.999, lost, 0.05 if weaker_db == 0.0 else 0.25)


@pytest.mark.slow
def test_a_mode_that_is_gone_is_called_so() -> None:
    rng, trials, told = np.random.default_rng(7), 60, 0
    for _ in range(trials):
        spread = rng.normal(0.0, 4.0, len(OTHERS))
        others = [mode(hz, energy_db=db + move) for (hz, db), move in zip(OTHERS, spread, strict=True)]
        row = _drift(
            _stage(mode(MISSING_HZ, energy_db=_limit_db() + 20.0)), reading([others] * TAPS, noise_db=NOISE_DB)
        )
        assert row is not None
        told += row.verdict == "gone"
    assert told >= binom.ppf(0.001, trials, 0.95)


@pytest.mark.parametrize(("over_db", "ratio", "verdicts"), [
    (24.0, 0.0, ("gone", "unheard")),
    (24.0, 15.0, ("unheard", "unheard")),
    (18.0, 0.0, ("unheard", "unheard")),
    (45.0, 0.0, ("gone", "gone")),
])  # fmt: skip
def test_kept_taps_are_asked_together(over_db: float, ratio: float, verdicts: tuple[str, str]) -> None:
    """Six taps hear 10.5 dB over the noise, a list of modes needs 29 dB; 10 dB more are the scatter of levels."""
    rng = np.random.default_rng(8)
    density_db = -10.0 * np.log10(OUT_HZ * WHITENER[0] ** 2)
    strong = mode(STRONG_HZ, T60_S, density_db + 50.0)
    weak = mode(WEAK_HZ, T60_S, density_db + over_db)
    before, after = (reading([modes] * 6, noise_db=density_db) for modes in ([strong, weak], [strong]))
    items = [item(f"c_{n:02d}-s.wav", each) for n, each in enumerate((before, after), start=1)]
    stages = build_history("cittern-07", items, InstrumentSettings(), {})[0].stages
    each = [kept_tap(rng, ratio, number=n) for n in range(1, 7)]
    kept = replace(each[0], taps=tuple(tap for one in each for tap in one.taps))
    said = []
    for kept_of in (lambda _: kept, lambda _: None):
        rows = drift_between(*stages, 3.0, kept_of=kept_of)
        said += [row.verdict for row in rows if row.verdict in ("gone", "unheard")]
    assert tuple(said) == verdicts
