"""A mode whose frequency is known and whose decay is not: named and followed by frequency, without a T60."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tapbatch.compare.before_after import side_by_side
from tapbatch.compare.history import build_history
from tapbatch.model.history import History
from tapbatch.model.reading import Mode
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading

ROWS = ((180.0, 0.5, -26.0), (240.0, 0.4, -20.0), (410.0, 0.3, -30.0), (620.0, 0.2, -32.0))
UNKNOWN = {"freq_se_hz": 0.3, "t60_log_se": 3.0, "flags": ("unresolved",)}


def struck(up_cents: float = 0.0, vague: int = 0, taps: int = 5) -> list[list[Mode]]:
    """Return taps whose strongest mode, 240 Hz, is unresolved in the first ``vague`` of them."""
    made = []
    for n in range(taps):
        cents = up_cents + (0.3, -0.2, 0.1, -0.4, 0.2)[n % 5]
        every = [mode(f * 2.0 ** (cents / 1200.0), t, level) for f, t, level in ROWS]
        if n < vague:
            every[1] = replace(every[1], t60_s=every[1].t60_s * (0.4, 2.0, 0.7)[n % 3], **UNKNOWN)
        made.append(every)
    return made


def history_of(*stages: list[list[Mode]]) -> History:
    items = [item(f"c_{n:02d}-s_1.wav", reading(taps)) for n, taps in enumerate(stages)]
    return build_history("cittern-07", items, InstrumentSettings(), {})[0]


def test_a_mode_of_unknown_decay_has_no_t60_and_does_not_lead() -> None:
    (stage,) = history_of(struck(vague=5)).stages
    vague = stage.modes[1]
    assert (vague.t60_s, vague.t60_low_s, vague.t60_high_s, vague.q) == (None, None, None, None)
    assert "unresolved" in vague.flags
    assert vague.level_db > 0.0
    assert stage.lead is not None
    assert stage.lead.freq_hz == pytest.approx(180.0, rel=1e-3)
    assert vague.freq_low_hz < 240.0 < vague.freq_high_hz


def test_taps_that_tell_the_decay_give_it() -> None:
    (stage,) = history_of(struck(vague=2)).stages
    known = stage.modes[1]
    assert known.t60_s == pytest.approx(0.4, rel=0.02)
    assert "unresolved" not in known.flags
    assert known.taps == 5
    assert known.lead


@pytest.mark.parametrize("sides", [(0, 5), (5, 0), (5, 5)])
def test_it_is_followed_by_frequency_alone(sides: tuple[int, int]) -> None:
    history = history_of(struck(vague=sides[0]), struck(up_cents=30.0, vague=sides[1]))
    before, after = history.stages
    assert [m.mode for m in before.modes] == [m.mode for m in after.modes]
    drift = history.drifts[1]
    assert drift.freq_change_cents == pytest.approx(30.0, abs=2.0)
    assert (drift.t60_change_pct, drift.t60_low_pct, drift.t60_high_pct) == (None, None, None)
    assert drift.verdict == "up"
    assert all(d.t60_change_pct is not None for d in history.drifts if d.mode != drift.mode)


def test_why_its_ringing_is_not_compared_is_said() -> None:
    history = history_of(struck(), struck(vague=5))
    compared = side_by_side(*history.stages, InstrumentSettings())
    (change,) = [c for c in compared.sustain if c.name == "r2"]
    assert change.why is not None
    assert change.why.kind == "unresolved"
    assert (change.before_s, change.after_s, change.change_pct) == (pytest.approx(0.4, rel=0.02), None, None)


def test_set_up_again_its_interval_of_frequency_grows_and_it_stays_without_t60() -> None:
    items = [
        item("c_01-s_1.wav", reading(struck(vague=5))),
        item("c_01-s_2.wav", reading(struck(up_cents=4.0, vague=5)), again=True),
    ]
    (stage,) = build_history("cittern-07", items, InstrumentSettings(), {})[0].stages
    assert stage.modes[1].t60_s is None
    assert stage.modes[1].freq_high_hz / stage.modes[1].freq_low_hz > 1.001
    assert all(m.t60_s is not None for m in stage.modes if m is not stage.modes[1])
