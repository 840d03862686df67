"""Which stretch of a tap is measured where the mallet falls back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tapbatch.listen.judging import BOUNCE, UNLIKE
from tapbatch.listen.taps import find_taps
from tapbatch.measure.prepare import prepare
from tapbatch.measure.stretches import fits_of
from tapbatch.model.reading import BandSettings, Sound, Tap
from tapbatch.simulate.taps import SimMode, Strike, recording

MODES = (SimMode(96.0, 0.5, 0.05), SimMode(187.0, 0.35, 0.1, 1.0), SimMode(262.0, 0.4, 0.06, 2.0))
RATE_HZ = 16000


def tapped(bounce_s: float | None) -> tuple[Sound, tuple[Tap, ...]]:
    """Return a tap, and one from which the mallet falls back after so long, at half the force."""
    rng = np.random.default_rng(7)
    strikes = [Strike(onset_s=0.5, modes=MODES), Strike(onset_s=2.0, modes=MODES)]
    if bounce_s is not None:
        half = tuple(replace(m, amplitude=0.5 * m.amplitude) for m in MODES)
        strikes.append(Strike(onset_s=2.0 + bounce_s, modes=half, what="bounce"))
    count = round(3.5 * RATE_HZ)
    samples, _ = recording(strikes, duration_s=3.5, sample_rate_hz=RATE_HZ, noise=1e-5 * rng.standard_normal(count))
    sound = Sound(samples=samples, sample_rate_hz=RATE_HZ)
    return sound, find_taps(sound)


def test_after_an_early_bounce_the_second_decay_is_measured() -> None:
    sound, taps = tapped(0.06)
    assert [t.reason for t in taps] == ["", "", BOUNCE]
    chosen, fits = fits_of(taps, prepare(sound, taps, BandSettings()), sound, asked="")
    assert chosen[0] == taps[0]
    assert chosen[1].onset_s == pytest.approx(2.0, abs=0.002)
    assert chosen[1].free_from_s == taps[2].free_from_s
    assert chosen[1].free_until_s == taps[2].free_until_s
    found = [zone[1] for zone in fits if zone[1] is not None]
    assert sum(f.fit.count for f in found) == len(MODES)


def test_without_a_bounce_nothing_is_moved_and_refused_transients_are_not_fitted() -> None:
    sound, taps = tapped(None)
    prepared = prepare(sound, taps, BandSettings())
    assert fits_of(taps, prepared, sound, asked="")[0] == taps
    unlike = (taps[0], replace(taps[1], used=False, reason=UNLIKE))
    # Only one tap is left, which cannot vouch for the other.
    _, fits = fits_of(unlike, prepared, sound, asked=UNLIKE)
    assert all(zone[1] is None for zone in fits)


def test_taps_refused_for_their_spectrum_are_fitted_where_two_others_can_vouch_for_them() -> None:
    sound, taps = tapped(None)
    three = (*taps, replace(taps[1], used=False, reason=UNLIKE))
    _, fits = fits_of(three, prepare(sound, taps, BandSettings()), sound, asked=UNLIKE)
    assert any(zone[2] is not None for zone in fits)
