"""Simulated taps against closed forms, an equation of motion solved elsewhere, and the definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from tapbatch.simulate import taps as sim

LN_1000 = math.log(1000.0)
MODES = (
    sim.SimMode(96.0, 0.45, 0.10, 0.3),
    sim.SimMode(187.0, 0.35, 0.20, -1.1),
    sim.SimMode(613.0, 0.18, 0.05, 2.0),
)
any_mode = st.builds(
    sim.SimMode,
    freq_hz=st.floats(50, 1500),
    t60_s=st.floats(0.05, 2),
    amplitude=st.floats(1e-3, 1),
    phase_rad=st.floats(-3, 3),
)
pulses = st.sampled_from(["half-sine", "raised-cosine"])


def generator(seed: int = 7) -> np.random.Generator:
    return np.random.default_rng(seed)


# ------------------------------------------------------------ free decay


@given(mode=any_mode)
@settings(max_examples=30)
def test_energy_of_a_free_decay(mode: sim.SimMode) -> None:
    # the integral of (a exp(-dt) cos(wt+p))**2 over all t >= 0, by hand: a^2/2 (1/(2d) + Re(exp(2ip)/(2d - 2iw)))
    decay, omega = LN_1000 / mode.t60_s, 2 * math.pi * mode.freq_hz
    turned = complex(math.cos(2 * mode.phase_rad), math.sin(2 * mode.phase_rad)) / complex(2 * decay, -2 * omega)
    exact = mode.amplitude**2 / 2 * (1 / (2 * decay) + turned.real)
    rate = 48000
    sound = sim.free_decay([mode], 2 * mode.t60_s, rate)
    # trapezoid: the first sample counts half
    summed = (np.sum(sound**2) - sound[0] ** 2 / 2) / rate
    assert summed == pytest.approx(exact, rel=1e-3)
    # and the shared value for the energy leaves out only the part that turns with the phase
    assert exact == pytest.approx(10 ** (mode.energy_db / 10), rel=decay / omega + 1e-9)


def test_sixty_decibels_in_t60() -> None:
    # 200 Hz at 8 kHz: 0.25 s is a whole number of periods, so equal phases are compared; T60 by its definition
    sound = sim.free_decay([sim.SimMode(200.0, 0.25, 0.7, 0.4)], 0.6, 8000)
    assert 20 * math.log10(sound[2000] / sound[0]) == pytest.approx(-60.0, abs=1e-9)


def test_a_mode_above_half_the_rate_is_refused() -> None:
    with pytest.raises(ValueError, match=r"\b4500\b.*\b9000\b"):
        sim.free_decay([sim.SimMode(4500.0, 0.2)], 0.1, 8000)


@pytest.mark.parametrize(("freq_hz", "t60_s", "amplitude"), [(0, 1, 1), (100, 0, 1), (100, 1, -1), (math.nan, 1, 1)])
def test_a_mode_that_cannot_be_is_refused(freq_hz: float, t60_s: float, amplitude: float) -> None:
    with pytest.raises(ValueError, match=rf"freq_hz={freq_hz}, t60_s={t60_s}, amplitude={amplitude}\b"):
        sim.SimMode(freq_hz, t60_s, amplitude)


# --------------------------------------------------------------- contact


@pytest.mark.parametrize("pulse", ["half-sine", "raised-cosine"])
@pytest.mark.parametrize("contact_s", [0.0005, 0.0021, 0.005])
def test_the_force_has_unit_area(pulse: sim.Pulse, contact_s: float) -> None:
    def force(time_s: float) -> float:
        return float(sim.contact_force(contact_s, 1, pulse=pulse, lag_s=time_s)[0])

    area, _ = quad(force, 0, contact_s * (1 - 1e-9))
    assert area == pytest.approx(1.0, abs=1e-7)
    assert min(sim.contact_force(contact_s, 200_000, pulse=pulse)) > -1e-9


@pytest.mark.parametrize("contact_s", [0.0, -0.001, 0.021, math.nan])
def test_a_contact_that_cannot_be_is_refused(contact_s: float) -> None:
    with pytest.raises(ValueError, match=rf"\b0\.02 .*{contact_s:g}$"):
        sim.tap(MODES, duration_s=0.1, sample_rate_hz=8000, contact_s=contact_s)


@pytest.mark.parametrize("contact_s", [0.001, 0.0033])
def test_a_tap_solves_the_equation_of_motion(contact_s: float) -> None:
    # scipy.integrate.solve_ivp on x'' + 2 d x' + (d^2 + w^2) x = F(t), whose answer to a unit blow is
    # exp(-d t) sin(w t)/w; with F the half-sine that a mass on a spring gives
    freq_hz, t60_s = 187.0, 0.12
    decay, omega = LN_1000 / t60_s, 2 * math.pi * freq_hz
    rate, onset_s = 8000, 0.01003

    def force(t: float) -> float:
        return math.pi / (2 * contact_s) * math.sin(math.pi * t / contact_s) if 0 <= t < contact_s else 0.0

    def motion(t: float, x: np.ndarray) -> list[float]:
        return [x[1], force(t) - 2 * decay * x[1] - (decay**2 + omega**2) * x[0]]

    struck = sim.tap(
        [sim.SimMode(freq_hz, t60_s, 1 / omega, -math.pi / 2)],
        duration_s=0.15,
        sample_rate_hz=rate,
        onset_s=onset_s,
        contact_s=contact_s,
    )
    times = np.arange(len(struck.samples)) / rate - onset_s
    assert not np.any(struck.samples[times < 0])
    solved = solve_ivp(
        motion, (0, times[-1]), [0, 0], t_eval=times[times >= 0], rtol=1e-10, atol=1e-14, max_step=contact_s / 20
    )
    assert solved.y[0] == pytest.approx(struck.samples[times >= 0], abs=1e-7 * np.max(np.abs(struck.samples)))


@given(mode=any_mode, contact_s=st.floats(0.0005, 0.005), pulse=pulses, onset_s=st.floats(-0.05, 0.05))
@settings(max_examples=60)
def test_after_contact_only_damped_cosines(
    mode: sim.SimMode, contact_s: float, pulse: sim.Pulse, onset_s: float
) -> None:
    rate = 16000
    modes = (*MODES, mode)
    struck = sim.tap(modes, duration_s=0.2, sample_rate_hz=rate, onset_s=onset_s, contact_s=contact_s, pulse=pulse)
    assert struck.free_from_s == pytest.approx(onset_s + contact_s, abs=1e-15)
    expected = np.zeros(len(struck.samples))
    since = np.arange(len(expected)) / rate - struck.free_from_s
    for m in struck.modes:
        expected += (
            m.amplitude * np.exp(-LN_1000 / m.t60_s * since) * np.cos(2 * math.pi * m.freq_hz * since + m.phase_rad)
        )
    free = since > 1e-9
    assert struck.samples[free] == pytest.approx(expected[free], abs=1e-9)
    assert [(m.freq_hz, m.t60_s) for m in struck.modes] == [(m.freq_hz, m.t60_s) for m in modes]


@pytest.mark.parametrize("contact_s", [0.0005, 0.001, 0.002, 0.003])
def test_a_soft_mallet_wakes_high_modes_less(contact_s: float) -> None:
    # spectrum of a half-sine pulse of unit area, |cos(pi f T)/(1 - (2 f T)^2)| (Fourier pairs, e.g. Harris, Shock and
    # Vibration Handbook); a mode that hardly decays is woken by as much
    for freq_hz in (90.0, 240.0, 610.0, 1300.0):
        struck = sim.tap([sim.SimMode(freq_hz, 500.0)], duration_s=0.01, sample_rate_hz=8000, contact_s=contact_s)
        x = freq_hz * contact_s
        assert struck.modes[0].amplitude == pytest.approx(abs(math.cos(math.pi * x) / (1 - 4 * x**2)), abs=2e-4)


def test_a_short_contact_is_a_blow() -> None:
    struck = sim.tap(MODES, duration_s=0.3, sample_rate_hz=8000, contact_s=1e-6)
    assert struck.samples[1:] == pytest.approx(sim.free_decay(MODES, 0.3, 8000)[1:], abs=1e-3)


@given(factor=st.floats(0.01, 10), lag=st.integers(1, 500))
@settings(max_examples=25)
def test_louder_is_only_louder_and_later_only_later(factor: float, lag: int) -> None:
    louder = [sim.SimMode(m.freq_hz, m.t60_s, m.amplitude * factor, m.phase_rad) for m in MODES]
    plain = sim.tap(MODES, duration_s=0.2, sample_rate_hz=8000, onset_s=0.01).samples
    scaled = sim.tap(louder, duration_s=0.2, sample_rate_hz=8000, onset_s=0.01).samples
    later = sim.tap(MODES, duration_s=0.2, sample_rate_hz=8000, onset_s=0.01 + lag / 8000).samples
    assert scaled == pytest.approx(factor * plain, abs=1e-12 * factor)
    assert later[lag:] == pytest.approx(plain[:-lag], abs=1e-9)


def test_modes_add() -> None:
    parts = [sim.tap([m], duration_s=0.2, sample_rate_hz=8000).samples for m in MODES]
    assert sim.tap(MODES, duration_s=0.2, sample_rate_hz=8000).samples == pytest.approx(sum(parts), abs=1e-12)


def test_partials_of_a_stiff_string() -> None:
    # Fletcher, JASA 36 (1964): f_n = n f_0 sqrt(1 + B n^2); a string plucked at 1/5 lacks its fifth partial
    partials = sim.string_modes(220.0, 3.0, partials=6, inharmonicity=2e-4, pluck_point=0.2)
    f0 = 220.0 / math.sqrt(1 + 2e-4)
    assert [m.freq_hz for m in partials] == pytest.approx([n * f0 * math.sqrt(1 + 2e-4 * n * n) for n in range(1, 7)])
    assert partials[4].amplitude == pytest.approx(0.0, abs=1e-12)
    assert partials[0].t60_s == 3.0


def test_scatter_is_what_was_asked() -> None:
    rng = generator()
    base = (sim.SimMode(200.0, 0.4), sim.SimMode(300.0, 0.3))
    drawn = [sim.scattered(base, rng, cents=0.5, t60_pct=2.0, level_db=3.0, mode_level_db=0.0) for _ in range(4000)]
    cents = np.array([[1200 * math.log2(m.freq_hz / b.freq_hz) for m, b in zip(d, base, strict=True)] for d in drawn])
    level = np.array([[20 * math.log10(m.amplitude) for m in d] for d in drawn])
    # the standard error of a standard deviation from 4000 is 1.1 %
    assert np.std(cents, axis=0) == pytest.approx(0.5, rel=0.05)
    assert np.std([d[0].t60_s / 0.4 for d in drawn]) == pytest.approx(0.02, rel=0.05)
    assert np.std(level[:, 0]) == pytest.approx(3.0, rel=0.05)
    assert level[:, 0] == pytest.approx(level[:, 1])
    assert abs(np.corrcoef(cents.T)[0, 1]) < 0.06


# ------------------------------------------------------------- recording


def test_a_recording_is_the_sum_of_what_is_in_it() -> None:
    rate = 8000
    noise = sim.pink_noise(12000, generator(), sample_rate_hz=rate, rms=1e-3)
    thud = sim.Disturbance(onset_s=1.4, samples=sim.knock(generator(), sample_rate_hz=rate, t60_s=0.2), what="knock")
    strikes = [
        sim.Strike(onset_s=0.9, modes=MODES, contact_s=0.001),
        sim.Strike(onset_s=0.2, modes=MODES),
        sim.Strike(onset_s=0.98, modes=MODES[:1], what="bounce"),
    ]
    samples, truth = sim.recording(strikes, duration_s=1.5, sample_rate_hz=rate, disturbances=[thud], noise=noise)
    expected = noise + sum(
        sim.tap(s.modes, duration_s=1.5, sample_rate_hz=rate, onset_s=s.onset_s, contact_s=s.contact_s).samples
        for s in strikes
    )
    expected[11200:] += thud.samples[:800]
    assert samples == pytest.approx(expected, abs=1e-15)
    assert [(e.onset_s, e.what, e.is_tap) for e in truth] == [
        (0.2, "tap", True),
        (0.9, "tap", True),
        (0.98, "bounce", False),
        (1.4, "knock", False),
    ]
    assert truth[1].free_from_s == pytest.approx(0.901)
    assert truth[3].free_from_s is None


def test_a_recording_may_begin_within_a_sound() -> None:
    early = sim.Disturbance(onset_s=-0.1, samples=np.arange(1.0, 1601.0), what="speech")
    gone = sim.Disturbance(onset_s=-1.0, samples=np.ones(100), what="knock")
    beyond = sim.Disturbance(onset_s=5.0, samples=np.ones(100), what="knock")
    samples, _ = sim.recording([], duration_s=0.5, sample_rate_hz=8000, disturbances=[early, gone, beyond])
    assert samples[:800].tolist() == list(range(801, 1601))
    assert not samples[800:].any()


def test_noise_of_another_length_is_refused() -> None:
    with pytest.raises(ValueError, match=r"\b4000\b.*\b10\b"):
        sim.recording([], duration_s=0.5, sample_rate_hz=8000, noise=np.zeros(10))
