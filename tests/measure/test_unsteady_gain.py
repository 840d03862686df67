"""Readings of a recorder that changed its gain: what is kept, what is widened, what is left empty."""

import math
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.compare.random_effects import Sample, join, with_misfit
from tapbatch.measure.unsteady_gain import spoilt
from tapbatch.model.reading import Decay, Mode, StringTone, Tap, TapReading

TAP = Tap(number=1, onset_s=0.0, peak_dbfs=-6.0, snr_db=40.0, used=True, reason="", free_from_s=0.0, free_until_s=1.0)
MODE = Mode(
    freq_hz=300.0, freq_se_hz=0.02, t60_s=0.4, t60_log_se=0.01, freq_t60_corr=0.5, amplitude=0.1, phase_rad=0.0,
    energy_db=-20.0, flags=("pair?",),
)  # fmt: skip
DECAY = Decay(
    band_low_hz=None, band_high_hz=None, edt_s=0.3, t20_s=0.3, t30_s=0.3, t60_s=0.3, t60_log_se=0.02, flags=()
)
TONE = StringTone(freq_hz=200.0, freq_log_se=1e-4, inharmonicity=None, t60_s=2.0, t60_log_se=0.1, partials=3)


def test_what_has_no_interval_is_left_empty() -> None:
    [one] = spoilt([TapReading(tap=TAP, modes=(MODE,), decays=(DECAY,), tone=TONE)])
    assert one.tap == TAP
    decay, tone = one.decays[0], one.tone
    assert (decay.edt_s, decay.t20_s, decay.t30_s, decay.t60_s, decay.t60_log_se) == (None,) * 5
    assert decay.flags == ("gain",)
    assert tone == replace(TONE, t60_s=None, t60_log_se=None)


def test_the_mode_keeps_its_place_and_covariance() -> None:
    [one] = spoilt([TapReading(tap=TAP, modes=(MODE,))])
    mode = one.modes[0]
    assert (mode.freq_hz, mode.t60_s, mode.energy_db) == (MODE.freq_hz, MODE.t60_s, MODE.energy_db)
    assert mode.flags == ("pair?", "gain")
    assert mode.freq_se_hz > MODE.freq_se_hz
    covariance = [m.freq_t60_corr * m.freq_se_hz * m.t60_log_se for m in (MODE, mode)]
    assert math.isclose(*covariance)


@pytest.mark.parametrize("taps", [1, 3, 20])
def test_the_interval_reaches_a_factor_of_three_however_many_taps(taps: int) -> None:
    modes = [spoilt([TapReading(tap=TAP, modes=(MODE,))])[0].modes[0]] * taps
    se = [math.sqrt(m.t60_log_se**2 - m.t60_log_misfit**2) for m in modes]
    mean = join([Sample(math.log(m.t60_s), s) for m, s in zip(modes, se, strict=True)]).mean
    wide = with_misfit(mean, [m.t60_log_misfit for m in modes])
    assert np.exp(wide.half) >= 3.0
    # No tap tells the pole beside one of a steady recording (0.35), and a change between stages has its error too.
    assert min(se) > 0.35
