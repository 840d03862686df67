"""What remains of a reading whose recorder changed its gain while the taps rang.

Conventions: natural logarithms of T60. A gain control that raises the gain as the sound fades makes every decay
longer, by its ratio at most: one of 2 to 1 makes a T60 of 0.3 s look like 0.6 s. All modes bend alike, so no fit
can tell a part of the gain from a part of the damping. Frequencies stay, but a gain that follows the beats of a sound
adds lines beside its modes and pulls them a little.

So a mode keeps its T60 with an interval of a factor of three either way, which covers ratios up to 3 to 1, and the
flag ``gain``. The error counts twice: as an error common to all taps, which more taps do not reduce, and as an error
of each tap, so that taps of other recordings tell the T60 where there are any, and no change is called certain. What
has no interval, the decay of bands, is left empty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from tapbatch.model.reading import LN_1000, Decay, Mode, StringTone, TapReading

FLAG = "gain"
_COMMON_LOG_SE = math.log(3.0) / 1.96
_OWN_LOG_SE = 0.4
_OF_WIDTH = 0.02  # standard error of a frequency in widths of its line; from the second simulator


def spoilt(readings: Sequence[TapReading]) -> tuple[TapReading, ...]:
    """Return readings with the errors that an unsteady gain brings, and without the decays that it spoils.

    Examples
    --------
    >>> from tapbatch.model.reading import Tap
    >>> tap = Tap(number=1, onset_s=0.0, peak_dbfs=-6.0, snr_db=40.0, used=True, reason="", free_from_s=0.0,
    ...           free_until_s=1.0)
    >>> mode = Mode(freq_hz=200.0, freq_se_hz=0.1, t60_s=0.4, t60_log_se=0.01, freq_t60_corr=0.0, amplitude=0.1,
    ...             phase_rad=0.0, energy_db=-20.0)
    >>> [one] = spoilt([TapReading(tap=tap, modes=(mode,))])
    >>> one.modes[0].flags, round(one.modes[0].t60_log_misfit, 2), one.modes[0].t60_s
    (('gain',), 0.56, 0.4)
    """
    return tuple(
        replace(
            r,
            modes=tuple(map(_mode, r.modes)),
            decays=tuple(map(_decay, r.decays)),
            tone=None if r.tone is None else _tone(r.tone),
        )
        for r in readings
    )


def shows_gain(readings: Sequence[TapReading]) -> bool:
    """Tell whether the modes of any used tap show that the gain moved (:mod:`tapbatch.measure.common_gain`)."""
    return any(FLAG in m.flags for r in readings for m in r.modes)


def _mode(mode: Mode) -> Mode:
    moved_hz = _OF_WIDTH * LN_1000 / (math.pi * mode.t60_s)
    freq_se_hz = math.hypot(mode.freq_se_hz, moved_hz)
    t60_log_se = math.hypot(mode.t60_log_se, _COMMON_LOG_SE, _OWN_LOG_SE)
    return replace(
        mode,
        freq_se_hz=freq_se_hz,
        freq_misfit_hz=math.hypot(mode.freq_misfit_hz, moved_hz),
        t60_log_se=t60_log_se,
        t60_log_misfit=math.hypot(mode.t60_log_misfit, _COMMON_LOG_SE),
        # The covariance stays as it was.
        freq_t60_corr=mode.freq_t60_corr * mode.freq_se_hz * mode.t60_log_se / max(freq_se_hz * t60_log_se, 1e-300),
        flags=tuple(dict.fromkeys((*mode.flags, FLAG))),
    )


def _decay(decay: Decay) -> Decay:
    return replace(decay, edt_s=None, t20_s=None, t30_s=None, t60_s=None, t60_log_se=None, flags=(*decay.flags, FLAG))


def _tone(tone: StringTone) -> StringTone:
    return replace(tone, t60_s=None, t60_log_se=None)
