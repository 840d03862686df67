"""The judge, on stages whose verdict is plain."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tapbatch.model.history import Stage, StageMode
from tests.bench_simulator.judge import judge, matched
from tests.bench_simulator.scenes import Played
from tests.bench_simulator.world import Plate, PlateMode

PLATE = Plate(
    modes=(
        PlateMode(freq_hz=200.0, t60_s=0.4, gain=1.0),
        PlateMode(freq_hz=300.0, t60_s=0.2, gain=0.3),
        PlateMode(freq_hz=500.0, t60_s=0.3, gain=0.05),
    )
)
PLAYED = Played(plate=PLATE, levels_db=(0.0, -13.0, -27.0), takes=())


def _mode(freq_hz: float, t60_s: float, level_db: float, *flags: str, half: float = 0.001) -> StageMode:
    return StageMode(
        mode="", lead=level_db == 0.0, freq_hz=freq_hz, freq_low_hz=freq_hz * (1 - half),
        freq_high_hz=freq_hz * (1 + half), note="", cents=0.0, t60_s=t60_s, t60_low_s=0.9 * t60_s,
        t60_high_s=1.1 * t60_s, level_db=level_db, taps=5, within_cents=0.1, between_cents=0.1, flags=flags,
    )  # fmt: skip


def _stage(*modes: StageMode) -> Stage:
    return Stage(
        part="body", state="", stage="a", stage_shown="a", order=0, concert_pitch_hz=440.0, heard=(), modes=modes,
        decays=(),
    )  # fmt: skip


def test_found_within_twenty_and_thirty() -> None:
    verdict = judge(PLAYED, _stage(_mode(200.1, 0.41, 0.0), _mode(300.4, 0.3, -12.0)))
    assert (verdict.found_20, verdict.within_20, verdict.found_30, verdict.within_30) == (2, 2, 2, 3)
    assert (verdict.false, verdict.lead) == (0, "true")
    assert verdict.freq_held == (True, False)
    assert verdict.t60_held == (True, False)
    assert verdict.cents[0] == pytest.approx(1200 * math.log2(200.1 / 200.0))
    assert verdict.missed_hz == ()


def test_a_mode_of_the_room_is_false() -> None:
    verdict = judge(PLAYED, _stage(_mode(211.0, 0.4, 0.0), _mode(300.0, 0.9, -6.0), _mode(200.0, 0.4, -3.0)))
    assert (verdict.false, verdict.false_in_five, verdict.lead) == (2, 2, "false")
    assert verdict.missed_hz == (300.0,)


def test_hum_and_strings_are_neither_found_nor_false() -> None:
    verdict = judge(PLAYED, _stage(_mode(200.0, 0.4, 0.0), _mode(100.0, 9.0, -3.0, "hum")))
    assert (verdict.listed, verdict.false) == (1, 0)


def test_a_weak_lead_is_named() -> None:
    verdict = judge(PLAYED, _stage(_mode(300.0, 0.2, 0.0)))
    assert verdict.lead == "weak"


def test_no_stage_finds_nothing() -> None:
    verdict = judge(PLAYED, None)
    assert (verdict.found_20, verdict.within_20, verdict.lead) == (0, 2, "none")


def test_each_mode_is_given_once_to_the_nearest() -> None:
    assert matched(PLATE.modes, [_mode(203.0, 0.4, 0.0), _mode(200.2, 0.4, -1.0)]) == {0: 1}


@pytest.mark.parametrize(
    ("modes", "verdict"),
    [
        ((_mode(200.0, 0.4, 0.0), _mode(200.7, 0.4, -3.0)), "two"),
        ((_mode(200.3, 0.4, 0.0, "pair?"),), "flagged"),
        ((_mode(200.35, 0.4, 0.0, half=0.002),), "covered"),
        ((_mode(200.1, 0.4, 0.0, half=0.001),), "half"),
        ((_mode(200.35, 0.4, 0.0, half=0.0001),), "outside"),
        ((_mode(300.0, 0.4, 0.0),), "none"),
    ],
)
def test_how_a_pair_was_read(modes: tuple[StageMode, ...], verdict: str) -> None:
    second = replace(PLATE.modes[0], freq_hz=200.7)
    plate = Plate(modes=(PLATE.modes[0], second, *PLATE.modes[1:]))
    played = Played(plate=plate, levels_db=(0.0, -3.0, -13.0, -27.0), takes=(), pair=(0, 1))
    assert judge(played, _stage(*modes)).pair == verdict
