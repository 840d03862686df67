"""Strings that ring along in taps: recognised by sound that was made with them, and wood left alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tapbatch.compare.history import build_history
from tapbatch.compare.ringing import Known, ringing
from tapbatch.listen.taps import find_taps
from tapbatch.model.history import History
from tapbatch.model.reading import BandSettings, Reading, Sound
from tapbatch.model.settings import InstrumentSettings, ModeSetting, StringSetting
from tapbatch.simulate import taps as sim
from tests.compare.builds import item, mode, reading, spread_modes
from tests.compare.test_open_strings import plucked, tone
from tests.measured import measure_taps

RATE_HZ = 8000
STRUNG = InstrumentSettings(strings=tuple(StringSetting(note=n) for n in ("G3", "D4", "A4")))
BODY = (
    sim.SimMode(118.0, 0.42, 0.08),
    sim.SimMode(202.0, 0.36, 0.10, 1.0),
    sim.SimMode(355.0, 0.24, 0.05, -0.6),
    sim.SimMode(590.0, 0.15, 0.04, 2.0),
)


def tapped(
    along: tuple[sim.SimMode, ...], seed: int, count: int = 3, body: tuple[sim.SimMode, ...] = BODY
) -> Reading:
    """Return the reading of taps on a body with strings ringing along, found and measured as any recording is."""
    rng = np.random.default_rng([71, seed])
    strikes = [sim.Strike(onset_s=0.8 + 1.6 * n, modes=sim.scattered(body, rng) + along) for n in range(count)]
    duration_s = 0.8 + 1.6 * count
    hiss = sim.white_noise(round(duration_s * RATE_HZ), rng, rms=2e-4)
    samples, _ = sim.recording(strikes, duration_s=duration_s, sample_rate_hz=RATE_HZ, noise=hiss)
    sound = Sound(samples=samples, sample_rate_hz=RATE_HZ)
    taps, _ = measure_taps(sound, find_taps(sound), BandSettings())
    return dataclasses.replace(reading([]), taps=taps)


def history(*readings: Reading, state: str = "strung", settings: InstrumentSettings = STRUNG) -> History:
    items = [item(f"c_0{n}-a{n}_body.wav", r, state=state) for n, r in enumerate(readings, start=1)]
    return build_history("cittern-07", items, settings, {})[0]


def strings_at(found: History) -> list[float]:
    return [m.freq_hz for m in found.stages[0].modes if "string" in m.flags]


@pytest.mark.parametrize("cents", [0.0, -22.0])
def test_an_open_string_left_ringing_is_flagged_with_its_partials(cents: float) -> None:
    open_hz = 196.0 * 2 ** (cents / 1200)
    string = tuple(m for m in sim.string_modes(open_hz, 2.5, amplitude=0.2) if m.freq_hz < 1400)
    found = history(tapped(string, 1), tapped(string, 2))
    flagged = strings_at(found)
    assert flagged[:3] == pytest.approx([open_hz, 2 * open_hz, 3 * open_hz], rel=1e-3)
    for body in BODY:
        near = [m for m in found.stages[0].modes if abs(m.freq_hz / body.freq_hz - 1) < 2e-3]
        assert [m.flags for m in near if "string" in m.flags] == []
    # Louder than the wood it is, and yet it neither leads nor drifts.
    lead = found.stages[0].lead
    assert lead is not None
    assert lead.freq_hz == pytest.approx(202.0, rel=2e-3)
    names = {m.mode for m in found.stages[0].modes if "string" in m.flags}
    assert not names & {d.mode for d in found.drifts}
    assert found.drifts


@pytest.mark.parametrize("freq_hz", [487.0, 733.0, 1210.0])
def test_a_piece_of_string_beyond_the_bridge_is_flagged(freq_hz: float) -> None:
    piece = tuple(m for m in sim.string_modes(freq_hz, 1.2, amplitude=0.02, inharmonicity=2e-3) if m.freq_hz < 1500)
    assert strings_at(history(tapped(piece, 3)))[0] == pytest.approx(freq_hz, rel=1e-3)


def test_wood_alone_is_never_taken_for_a_string() -> None:
    rng = np.random.default_rng(9)
    wrong = 0
    for _ in range(300):
        # Q of 20 to 110: from bodies that radiate well to the best of free spruce.
        modes = [
            mode(float(f), float(rng.uniform(20, 110) * 2.2 / f), -20.0)
            for f in np.exp(rng.uniform(np.log(80), np.log(1400), 12))
        ]
        wrong += len(ringing(modes, [Known(196.0, 40.0), Known(293.7, 40.0), Known(440.0, 40.0)]))
    assert wrong == 0


def test_one_long_mode_on_a_string_needs_company_or_a_high_q() -> None:
    strings = [Known(196.0, 8.0)]
    assert ringing([mode(196.3, 1.8)], strings) == set()  # Q 160
    assert ringing([mode(196.3, 3.5)], strings) == {0}  # Q 313
    assert ringing([mode(196.3, 1.8), mode(588.5, 1.0)], strings) == {0, 1}
    assert ringing([mode(203.0, 3.5)], strings) == set()
    # A fundamental no sharper than wood (Q 134) goes with the partials that are.
    assert ringing([mode(196.3, 1.5), mode(392.8, 1.3), mode(589.4, 1.0)], strings) == {0, 1, 2}


def test_strings_plucked_at_the_stage_narrow_where_they_are_looked_for() -> None:
    taps = reading([[mode(200.0, 3.5), mode(310.0, 0.3)]] * 3)
    slack = history(taps)
    assert strings_at(slack) == pytest.approx([200.0])
    pluck = item("c_01-a1_pluck.wav", plucked(tone(196.0)), kind="pluck", state="strung")
    heard = item("c_01-a1_body.wav", taps, state="strung")
    settled = build_history("cittern-07", [heard, pluck], STRUNG, {})[0]
    assert strings_at(settled) == []


def test_nothing_is_flagged_without_strings() -> None:
    long = reading([[mode(196.0, 3.5), mode(392.0, 3.0)]] * 3)
    assert strings_at(history(long)) != []
    assert strings_at(history(long, state="free")) == []
    assert strings_at(history(long, settings=InstrumentSettings())) == []


def test_a_mode_labelled_as_a_string_is_one() -> None:
    labelled = InstrumentSettings(mode=(ModeSetting(label="drone", near_hz=200.0, kind="string"),))
    found = history(reading([[mode(203.0, 2.5), mode(310.0, 0.3)]] * 3), settings=labelled)
    assert strings_at(found) == pytest.approx([203.0])


@pytest.mark.slow
def test_strings_are_known_on_bodies_of_any_kind() -> None:
    rng = np.random.default_rng(41)
    read = flagged = wood = wrong = 0
    for trial in range(20):
        body = tuple(
            sim.SimMode(f, min(t, 110 * 2.2 / f), 0.1 * 10 ** (level / 20), float(rng.uniform(0, 6)))
            for f, t, level in spread_modes(rng, 8)
        )
        along: tuple[sim.SimMode, ...] = ()
        for open_hz in (196.0, 293.7, 440.0):
            if rng.random() < 0.5:
                sharp = open_hz * 2 ** (rng.normal(0, 10) / 1200)
                string = sim.string_modes(sharp, rng.uniform(1, 4), amplitude=10 ** rng.uniform(-2.5, -0.8))
                along += tuple(m for m in string if m.freq_hz < 1100)
        stage = history(tapped(along, trial, body=body)).stages[0]
        strings = {round(m.freq_hz, 3) for m in stage.modes if "string" in m.flags}
        for mode_ in stage.modes:
            is_string = any(abs(mode_.freq_hz / m.freq_hz - 1) < 3e-3 for m in along)
            is_wood = any(abs(mode_.freq_hz / m.freq_hz - 1) < 3e-3 for m in body) and not is_string
            read, flagged = read + is_string, flagged + (is_string and round(mode_.freq_hz, 3) in strings)
            wood, wrong = wood + is_wood, wrong + (is_wood and round(mode_.freq_hz, 3) in strings)
        assert stage.lead is None or round(stage.lead.freq_hz, 3) not in strings
    assert read > 60
    assert flagged >= 0.97 * read
    assert wood > 100
    assert wrong == 0
