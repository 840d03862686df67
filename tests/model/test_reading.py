"""Readings of taps: which modes are strong, and how modes that are added take their place."""

from dataclasses import replace

from tapbatch.model.reading import Coupling
from tests.compare.builds import mode, tap_reading


def test_modes_are_counted_from_the_strongest_down() -> None:
    soft, loud, weak = mode(200.0, energy_db=-39.0), mode(300.0, energy_db=-20.0), mode(400.0, energy_db=-40.0)
    assert tap_reading(1, [soft, loud, weak]).modes_within(20.0) == [soft, loud]
    assert tap_reading(1, []).modes_within(20.0) == []


def test_modes_take_their_place_and_couplings_stay_between_theirs() -> None:
    low, middle, high, top = (mode(freq_hz) for freq_hz in (196.0, 330.0, 523.0, 1180.0))
    coupling = Coupling(first=0, second=2, freq_freq=0.1, freq_t60=0.2, t60_freq=0.3, t60_t60=0.4)
    coupled = replace(tap_reading(1, [low, high, top]), couplings=(coupling,))
    joined = coupled.with_modes([middle])
    assert joined.modes == (low, middle, high, top)
    assert joined.couplings == (replace(coupling, second=3),)
    assert coupled.with_modes([]) is coupled
