"""What a fit has left beside a mode: when it says that the mode may be two, or does not die away evenly."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.listen.taps import find_taps
from tapbatch.measure.candidates import left_beside
from tapbatch.measure.fit import Fit, fit_modes
from tapbatch.measure.geometric import Samples, decays
from tapbatch.measure.misfit import local_excess
from tapbatch.measure.prune import TapFit
from tapbatch.measure.sound import beside_unknown
from tapbatch.model.reading import BandSettings, Mode, Sound
from tests.benchmarks import scenes
from tests.benchmarks.cases import CASES
from tests.benchmarks.montecarlo import measured
from tests.compare.builds import mode
from tests.measured import measure_taps

RATE_HZ = 2000.0
LENGTH = 1800
FREQ_HZ = 200.0
T60_S = 0.4
WIDTH_HZ = np.log(1000) / T60_S / np.pi


def _pole(freq_hz: float, t60_s: float) -> complex:
    return complex(np.exp((-np.log(1000) / t60_s + 2j * np.pi * freq_hz) / RATE_HZ))


def _sound(of_amplitude: float, widths: float, t60_s: float, phase_rad: float, energy_db: float = 60.0) -> np.ndarray:
    """Return a mode and a fainter one beside it whose energy is the square of ``of_amplitude`` times the first's."""
    poles = np.array([_pole(FREQ_HZ, T60_S), _pole(FREQ_HZ + widths * WIDTH_HZ, t60_s)])
    energies = 10 ** (energy_db / 10) * np.array([1.0, of_amplitude**2])
    weights = np.sqrt(energies * 4 * -np.log(np.abs(poles))) * np.exp(1j * np.array([0.0, phase_rad]))
    return decays(poles, weights, LENGTH)


def _fitted(samples: np.ndarray) -> tuple[Fit, TapFit]:
    """Fit one mode, whatever there is."""
    fit = fit_modes(Samples(samples), np.array([_pole(FREQ_HZ, T60_S)]))
    residual = samples - decays(fit.poles, fit.weights, LENGTH)
    return fit, TapFit(fit, samples, residual, local_excess(residual, fit.poles, RATE_HZ), 0, RATE_HZ)


beside = {
    "widths": st.floats(0.25, 2.0),
    "t60_s": st.floats(0.2, 0.8),
    "phase_rad": st.floats(-np.pi, np.pi),
}


@given(**beside, of_amplitude=st.floats(0.0, 1 / 12))
def test_a_line_of_a_twelfth_moves_t60_by_a_twelfth_and_frequency_by_a_25th_of_a_width(
    of_amplitude: float, widths: float, t60_s: float, phase_rad: float
) -> None:
    """The two figures from which the flag's limit comes; without noise, so that nothing else moves them."""
    fit, _ = _fitted(_sound(of_amplitude, widths, t60_s, phase_rad))
    assert abs(np.log(-np.log(np.abs(fit.poles[0])) / -np.log(abs(_pole(FREQ_HZ, T60_S))))) < 1.06 / 12
    assert abs(np.angle(fit.poles[0]) * RATE_HZ / (2 * np.pi) - FREQ_HZ) < 1.06 * WIDTH_HZ / 25


@given(**beside, of_amplitude=st.floats(0.0, 1 / 13))
def test_what_is_less_is_no_uneven_decay(of_amplitude: float, widths: float, t60_s: float, phase_rad: float) -> None:
    _, uneven = left_beside(_fitted(_sound(of_amplitude, widths, t60_s, phase_rad))[1])
    assert not uneven[0]


@given(widths=st.floats(1.3, 1.9), t60_s=st.floats(0.4, 0.8), phase_rad=beside["phase_rad"])
def test_a_line_of_a_quarter_is_seen_beside(widths: float, t60_s: float, phase_rad: float) -> None:
    """A nearer one the mode takes up into itself, and less is left of it."""
    _, uneven = left_beside(_fitted(_sound(0.25, widths, t60_s, phase_rad))[1])
    assert uneven[0]


@pytest.mark.slow
@pytest.mark.parametrize(("name", "most"), [("body-12", 0.0), ("phone", 0.0), ("room", 0.1)])
def test_what_dies_away_evenly_is_not_said_not_to(name: str, most: float) -> None:
    """In a room at -20 dB what is left beside a mode may be a line of the room, and then the flag is right."""
    case = next(c for c in CASES if c.name == name)
    found = []
    for trial in range(15):
        scene = scenes.scene(case, trial)
        true_hz = np.array([m.freq_hz for m in scene.true[0].modes])
        found += [m for m in measured(case, scene)[0].modes if np.abs(true_hz - m.freq_hz).min() < 1.0]
    assert len(found) >= 0.95 * 15 * len(true_hz)
    assert sum("not-exponential" in m.flags for m in found) <= most * len(found)


@pytest.mark.parametrize(("share", "flag"), [(0.005, "glides"), (0.01, "glides"), (0.04, "not-exponential")])
def test_a_loud_mode_that_glides_bears_a_flag(share: float, flag: str) -> None:
    """Its pitch falls by that share while it dies away: what is left beside it is louder than any noise."""
    rate_hz, rng = 16000, np.random.default_rng(23)
    time_s = np.arange(rate_hz) / rate_hz
    turns = 2 * np.pi * 300.0 * (time_s + share * 0.15 * (1 - np.exp(-time_s / 0.15)))
    decay = 0.2 * np.exp(-np.log(1000) * time_s / 0.5) * np.sin(turns)
    samples = np.concatenate([np.zeros(rate_hz // 2), decay, np.zeros(rate_hz // 4)])
    sound = Sound(samples=samples + 1e-5 * rng.standard_normal(len(samples)), sample_rate_hz=rate_hz)
    modes = measure_taps(sound, find_taps(sound), BandSettings())[0][0].modes
    assert flag in max(modes, key=lambda m: m.energy_db).flags


def _mode(freq_hz: float, energy_db: float) -> Mode:
    return mode(freq_hz, 0.4, energy_db, flags=("hum",))


def test_one_of_which_nothing_is_known_flags_its_neighbour_alone() -> None:
    width_hz = np.log(1000) / 0.4 / np.pi
    near, far = _mode(200.0, -20.0), _mode(200.0 + 5 * width_hz, -20.0)
    assert [m.flags for m in beside_unknown([near, far], [])] == [("hum",), ("hum",)]
    loud, soft = _mode(200.0 + 1.9 * width_hz, -41.0), _mode(200.0 + 1.9 * width_hz, -42.0)
    assert [m.flags for m in beside_unknown([near, far], [loud])] == [("hum", "not-exponential"), ("hum",)]
    assert [m.flags for m in beside_unknown([near, far], [soft])] == [("hum",), ("hum",)]


@pytest.mark.parametrize("energy_db", [20.0, 40.0, 80.0])
def test_noise_alone_makes_no_decay_uneven(energy_db: float) -> None:
    rng = np.random.default_rng(17)
    even = _sound(0.0, 1.0, 0.4, 0.0, energy_db)
    for _ in range(40):
        pair, uneven = left_beside(_fitted(even + rng.standard_normal(LENGTH))[1])
        assert not pair[0]
        assert not uneven[0]
