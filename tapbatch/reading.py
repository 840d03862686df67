"""From a file to its reading: the one path every recording takes.

``measure_recording`` is a pure function of bytes and settings; nothing of the shop, the clock or the order of work
enters it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from tapbatch.errors import SoundError
from tapbatch.listen.decode import decode
from tapbatch.listen.gain import gain_breathes
from tapbatch.listen.judging import as_plucks
from tapbatch.listen.taps import find_taps, quiet_stretches
from tapbatch.measure.decay import measure_decays
from tapbatch.measure.sound import measure_taps
from tapbatch.measure.string_tone import with_tones
from tapbatch.measure.traces import spectrum_of, trace_of
from tapbatch.readings import METHOD
from tapbatch.values import BandSettings, Reading, Sound, Tap, TapReading


def measure_recording(path: Path, sha256: str, settings: BandSettings) -> Reading:
    """Measure one recording.

    Parameters
    ----------
    path
        The file.
    sha256
        Hash of its bytes, to be kept in the reading.
    settings
        Band, mains and kind. Nothing is looked for in a recording of kind ``room``.

    Raises
    ------
    SoundError
        Where the file is not sound, or what is in it cannot be measured.
    """
    sound = decode(path)
    try:
        return _measured(sound, sha256, settings)
    except (ArithmeticError, ValueError, MemoryError) as error:
        what = f"it cannot be measured ({type(error).__name__}: {error})"
        raise SoundError(path.name, what, "keep the file and report it; the others are measured") from error


def _measured(sound: Sound, sha256: str, settings: BandSettings) -> Reading:
    taps = find_taps(sound) if settings.kind != "room" else ()
    if settings.kind == "pluck":
        taps = as_plucks(taps, sound.duration_s)
    readings, prepared = measure_taps(sound, taps, settings)
    quiet = quiet_stretches(sound, taps)
    with_decays = tuple(
        replace(r, decays=measure_decays(sound, r.tap, quiet, settings)) if r.tap.used else r for r in readings
    )
    if settings.kind == "pluck":
        with_decays = with_tones(sound, with_decays)
    return Reading(
        sha256=sha256,
        method=METHOD,
        duration_s=sound.duration_s,
        sample_rate_hz=sound.sample_rate_hz,
        recorded_at=sound.recorded_at,
        lossy=sound.lossy,
        notices=(*sound.notices, *_noticed(sound, taps, quiet, with_decays, settings)),
        taps=with_decays,
        spectrum=spectrum_of(with_decays, prepared),
        trace=trace_of(with_decays, prepared),
    )


def _noticed(
    sound: Sound,
    taps: tuple[Tap, ...],
    quiet: list[tuple[int, int]],
    readings: tuple[TapReading, ...],
    settings: BandSettings,
) -> tuple[str, ...]:
    notices = []
    if settings.kind != "room" and not any(r.tap.used for r in readings):
        notices.append("no tap: nothing in it could be measured")
    if gain_breathes(sound, taps, quiet):
        notices.append("automatic gain: the noise floor breathes")
    if settings.band_high_hz > 0.46 * sound.sample_rate_hz:
        notices.append(f"low sample rate: heard up to {0.46 * sound.sample_rate_hz:.0f} Hz only")
    return tuple(notices)
