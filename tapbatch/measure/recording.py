"""From a file to its reading: the one path that every recording takes.

Conventions: times in seconds from the start of the recording, taps counted from 0 within this module.
``measure_recording`` is a pure function of the file's bytes and the settings; the shop, the clock and the order of
work do not affect it. It works section by section (:mod:`tapbatch.listen.sections`). Each section is measured like a
recording of its own, with its own noise, and the results are joined. A recording of up to 87 s at 48 kHz is one
section.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from tapbatch.listen.gain import SPOILS_DB, Floor, floor_behind, floor_rise_db
from tapbatch.listen.judging import (
    NO_TAP,
    RINGING,
    UNLIKE,
    Voice,
    as_plucks,
    from_ringing,
    refused,
    unlike,
    without_unlike,
)
from tapbatch.listen.sections import Section, sections
from tapbatch.listen.taps import heard_in, quiet_stretches
from tapbatch.measure.decay import measure_decays
from tapbatch.measure.doubtful import doubtful
from tapbatch.measure.method import METHOD
from tapbatch.measure.prepare import Prepared
from tapbatch.measure.room_share import Left, direct_db_of, left_by_modes, room_notices
from tapbatch.measure.sound import measure_taps
from tapbatch.measure.string_tone import with_tones
from tapbatch.measure.traces import TapSpectrum, mean_spectrum, seen_fall_db, spectrum_of_tap, trace_of
from tapbatch.measure.unsteady_gain import shows_gain, spoilt
from tapbatch.model.errors import not_measured
from tapbatch.model.notice import Notice
from tapbatch.model.reading import BandSettings, DecayTrace, Reading, Tap, TapReading

MOST_TRANSIENTS = 6000
"""Most transients listed for one recording: a tap every 1.8 s for three hours. More would be talk and fill memory."""

_MOST_SPECTRA = 500
_SAME_S = 0.012
_LOUD_DB = 10.0
_LEAST_RINGING_S = 0.15
# Standard errors of ln f (3 cents, 0.3 cents) and of ln T60. Voices of 0.15 s and more reach 0.9 cents, and 0.42.
_SURE = ((1.8e-3, 0.35), (1.7e-4, 0.9))


def measure_recording(path: Path, sha256: str, settings: BandSettings) -> Reading:
    """Measure one recording of any length, and report progress (:mod:`tapbatch.model.progress`).

    Parameters
    ----------
    path
        The file.
    sha256
        Hash of its bytes, stored in the reading.
    settings
        Band, mains frequency and kind. A recording of kind ``room`` is not searched for taps.

    Returns
    -------
    Reading
        Taps, modes, decays, strings, notices, and the curves for the figures.

    Raises
    ------
    SoundError
        If the file is damaged, or its contents cannot be measured.
    """
    joined = _Joined(settings)
    try:
        for section in sections(path):
            joined.add(section)
            del section  # or it would stay in memory while the next one is read
        return joined.reading(sha256)
    except (ArithmeticError, ValueError, MemoryError) as error:
        raise not_measured(path.name, error) from error


class _Joined:
    """The results of the sections so far, in the time of the recording; taps are counted from 0 over all sections."""

    def __init__(self, settings: BandSettings) -> None:
        self.settings = settings
        self.readings: list[TapReading] = []
        self.voices: list[Voice] = []
        self.floors: list[Floor] = []
        self.spectra: list[tuple[int, TapSpectrum]] = []
        self.traces: list[tuple[int, float, DecayTrace]] = []
        self.left: list[tuple[int, Left]] = []
        self.left_out_s: float | None = None
        self.begins_ringing = False
        self.last: Section | None = None
        self.duration_s = 0.0

    def add(self, section: Section) -> None:
        """Find and measure the taps of a section, and keep what is needed later."""
        sound = section.sound
        if self.settings.kind != "room" and self.left_out_s is None:
            self._measure(section)
        self.duration_s = section.first / sound.sample_rate_hz + sound.duration_s
        if section.last:
            # The samples themselves are no longer needed.
            self.last = replace(section, sound=replace(sound, samples=np.zeros(0), clipped=None))

    def _measure(self, section: Section) -> None:
        sound = section.sound
        heard, voices = heard_in(sound)
        # What else a longer recording holds is not known yet.
        taps = from_ringing(heard) if section.whole else heard
        self.begins_ringing = taps is not heard
        if self.settings.kind == "pluck":
            taps, voices = as_plucks(taps, sound.duration_s), ()
        elif section.whole:
            taps, voices = without_unlike(taps, voices), ()
        before = self._before(section, taps)
        taps = tuple(replace(t, used=t.used and at >= before) for at, t in enumerate(taps))
        if len(self.readings) + len(taps) - before > MOST_TRANSIENTS and not section.whole:
            self.left_out_s = section.first / sound.sample_rate_hz
            return
        quiet = quiet_stretches(sound, taps) if any(t.used for t in taps) else []
        floor = floor_behind(sound, taps, quiet)
        measured, prepared = measure_taps(sound, taps, self.settings, steady=floor_rise_db([floor]) < SPOILS_DB)
        if self.begins_ringing and not surely_rings(measured[0]):
            self.begins_ringing = False
            measured = (TapReading(tap=refused(measured[0].tap, RINGING)), *measured[1:])
        readings = tuple(
            replace(r, decays=measure_decays(sound, r.tap, quiet, self.settings)) if r.tap.used else r
            for r in measured
        )
        if self.settings.kind == "pluck":
            readings = with_tones(sound, readings)
        offset = len(self.readings) - before
        self.floors.append(
            replace(floor, behind=tuple((at + offset, peak_dbfs, rises) for at, peak_dbfs, rises in floor.behind))
        )
        self.voices += [_kept(v, offset) for v in voices if v.tap >= before]
        self._draw(readings, prepared, offset)
        if self.settings.kind == "tap":
            left = ((at, left_by_modes(r, prepared)) for at, r in enumerate(readings) if at >= before and r.tap.used)
            self.left += [(at + offset, one) for at, one in left if one is not None]
        self.readings += [_later(r, section, offset) for r in readings[before:]]

    def _before(self, section: Section, taps: tuple[Tap, ...]) -> int:
        """Return how many of a section's transients already belong to the section before."""
        rate_hz = section.sound.sample_rate_hz
        from_s = section.lead / rate_hz
        if self.readings:
            from_s = max(from_s, self.readings[-1].tap.onset_s + _SAME_S - section.first / rate_hz)
        return sum(tap.onset_s < from_s for tap in taps)

    def _draw(self, readings: tuple[TapReading, ...], prepared: tuple[Prepared, ...], offset: int) -> None:
        """Keep the spectra and the decay that the figures need."""
        for at, reading in enumerate(readings):
            if reading.tap.used and prepared and len(self.spectra) < _MOST_SPECTRA:
                self.spectra.append((at + offset, spectrum_of_tap(reading, prepared)))
        trace = trace_of(readings, prepared)
        if trace is not None:
            at = trace.tap - 1
            self.traces.append((at + offset, seen_fall_db(readings[at]), replace(trace, tap=trace.tap + offset)))

    def reading(self, sha256: str) -> Reading:
        """Return the results of all sections, once it is known which taps sound like the others."""
        assert self.last is not None
        sound = self.last.sound
        readings = _without(tuple(self.readings), unlike(self.voices), UNLIKE)
        if self.settings.kind == "tap":
            readings = _without(readings, doubtful(readings), NO_TAP)
        used = {at for at, r in enumerate(readings) if r.tap.used}
        rise_db = self._floor_rise_db(used)
        readings = spoilt(readings) if rise_db > SPOILS_DB or shows_gain(readings) else readings
        traces = [t for t in self.traces if t[0] in used]
        direct_db = direct_db_of([left for at, left in self.left if at in used])
        return Reading(
            sha256=sha256,
            method=METHOD,
            duration_s=self.duration_s,
            sample_rate_hz=sound.sample_rate_hz,
            recorded_at=sound.recorded_at,
            device=sound.device,
            lossy=sound.lossy,
            notices=(
                *sound.notices,
                *self._noticed(used, sound.sample_rate_hz, breathes=rise_db > 0.0),
                *room_notices(direct_db),
            ),
            taps=readings,
            spectrum=mean_spectrum([spectrum for at, spectrum in self.spectra if at in used]),
            trace=max(traces, key=lambda t: (t[1], -t[0]))[2] if traces else None,
            direct_db=direct_db,
        )

    def _floor_rise_db(self, used: set[int]) -> float:
        others = {v.tap for v in self.voices} - used
        return floor_rise_db(
            [replace(f, behind=tuple(b for b in f.behind if b[0] not in others)) for f in self.floors]
        )

    def _noticed(self, used: set[int], sample_rate_hz: int, *, breathes: bool) -> tuple[Notice, ...]:
        notices = []
        if self.settings.kind != "room" and not used:
            notices.append(Notice("no tap"))
        if self.begins_ringing:
            notices.append(Notice("begins ringing"))
        if self.left_out_s is not None:
            notices.append(Notice("crowded", there_s=self.left_out_s))
        if breathes:
            notices.append(Notice("automatic gain"))
        if self.settings.band_high_hz > 0.46 * sample_rate_hz:
            notices.append(Notice("low sample rate", highest_hz=0.46 * sample_rate_hz))
        return tuple(notices)


def surely_rings(reading: TapReading) -> bool:
    """Tell whether a loud mode is known so well that the sound is a free decay, not a voice or a clap in a room.

    Counted once, when the limits were chosen: of 37 pieces of synthesised speech that begin at once, dry and in a
    room, none passes. Of 12 claps one passes, in a room that rings at 200 Hz. Of 21 struck things 17 pass: not a bass
    drum, a temple block and two soon cut short.
    """
    tap = reading.tap
    if tap.free_until_s - tap.free_from_s < _LEAST_RINGING_S:
        return False
    loudest_db = max((m.energy_db for m in reading.modes), default=0.0)
    loud = [m for m in reading.modes if m.energy_db > loudest_db - _LOUD_DB]
    return any(m.freq_se_hz < freq * m.freq_hz and m.t60_log_se < decay for m in loud for freq, decay in _SURE)


def _without(readings: tuple[TapReading, ...], others: list[int], reason: str) -> tuple[TapReading, ...]:
    """Return readings with those of some taps, if they are still used, replaced by a refusal."""
    none = set(others)
    return tuple(
        TapReading(tap=refused(r.tap, reason)) if at in none and r.tap.used else r for at, r in enumerate(readings)
    )


def _kept(voice: Voice, offset: int) -> Voice:
    """Return a voice to be stored among thousands; three digits are enough to compare it with others."""
    return replace(voice, tap=voice.tap + offset, shapes=voice.shapes.astype(np.float16))


def _later(reading: TapReading, section: Section, offset: int) -> TapReading:
    """Return a section's reading in the time of the recording, with its tap renumbered."""
    tap, from_s = reading.tap, section.first / section.sound.sample_rate_hz
    moved = replace(
        tap,
        number=tap.number + offset,
        onset_s=tap.onset_s + from_s,
        free_from_s=tap.free_from_s + from_s,
        free_until_s=tap.free_until_s + from_s,
    )
    return replace(reading, tap=moved)
