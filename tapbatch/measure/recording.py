"""From a file to its reading: the one path that every recording takes.

Conventions: times in seconds from the start of the recording, taps counted from 0 within this module.
``measure_recording`` is a pure function of the file's bytes and the settings; the shop, the clock and the order of
work do not affect it. It works section by section (:mod:`tapbatch.listen.sections`). Each section is measured like a
recording of its own, with its own noise, and the results are joined. A recording of up to 87 s at 48 kHz is one
section.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
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
from tapbatch.listen.taps import SAME_S, heard_in, quiet_stretches
from tapbatch.measure import kept_taps
from tapbatch.measure.background import Behind, Densities, background_of
from tapbatch.measure.decay import decays_of_taps
from tapbatch.measure.doubtful import doubtful
from tapbatch.measure.kept_taps import KeptTaps
from tapbatch.measure.method import METHOD
from tapbatch.measure.prepare import Prepared
from tapbatch.measure.room_share import (
    Left,
    direct_db_of,
    left_by_modes,
    residuals_of,
    room_notices,
    typical_t60_s,
)
from tapbatch.measure.sound import fit_taps
from tapbatch.measure.string_tone import with_tones
from tapbatch.measure.traces import TapSpectrum, mean_spectrum, seen_fall_db, spectrum_of_tap, trace_of
from tapbatch.measure.two_ways import second_is_better
from tapbatch.measure.unresolved import unresolved
from tapbatch.measure.unsteady_gain import shows_gain, spoilt
from tapbatch.model.errors import not_measured
from tapbatch.model.notice import Notice
from tapbatch.model.reading import BandSettings, DecayTrace, Mode, Reading, Tap, TapReading

MOST_TRANSIENTS = 6000
"""Most transients listed for one recording: a tap every 1.8 s for three hours. More would be talk and fill memory."""

_MOST_SPECTRA = 500
_ENOUGH_TO_VOTE = 3  # taps of a section, of which each has two others
_LOUD_DB = 10.0
_LEAST_RINGING_S = 0.15
# Standard errors of ln f (3 cents, 0.3 cents) and of ln T60. Voices of 0.15 s and more reach 0.9 cents, and 0.42.
_SURE = ((1.8e-3, 0.35), (1.7e-4, 0.9))


def measure_recording(
    path: Path, sha256: str, settings: BandSettings, keep: Callable[[KeptTaps], None] | None = None
) -> Reading:
    """Measure one recording of any length, and report progress (:mod:`tapbatch.model.progress`).

    Parameters
    ----------
    path
        The file.
    sha256
        Hash of its bytes, stored in the reading.
    settings
        Band, mains frequency and kind. A recording of kind ``room`` is not searched for taps.
    keep
        Called once, if taps were measured in a recording of kind ``tap``, with what a second pass over the stage
        needs of them (:mod:`tapbatch.measure.all_recordings`); default not.

    Returns
    -------
    Reading
        Taps, modes, decays, strings, notices, and the curves for the figures.

    Raises
    ------
    SoundError
        If the file is damaged, or its contents cannot be measured.
    """
    ways = [_Joined(settings)]
    try:
        for section in sections(path):
            if section.first == 0 and section.both is not None and settings.kind == "tap":
                ways.append(_Joined(settings, both=True))
            for way in ways:
                way.add(section)
            del section  # or it would stay in memory while the next one is read
            if len(ways) > 1 and any(r.tap.used for way in ways for r in way.readings):
                ways = ways[1:] if second_is_better(ways[0].readings, ways[1].readings) else ways[:1]
        joined = ways[0]
        reading = joined.reading(sha256)
    except (ArithmeticError, ValueError, MemoryError) as error:
        raise not_measured(path.name, error) from error
    if keep is not None and settings.kind == "tap" and reading.used_taps:
        # Nothing is kept of a tap that was measured after its bounces. That is not to be taken for a loss.
        nothing = KeptTaps(reading.sample_rate_hz, settings.band_low_hz, settings.band_high_hz)
        kept = kept_taps.joined(joined.kept) or nothing
        keep(kept.only({t.tap.number for t in reading.used_taps}))
    return reading


@dataclass(frozen=True, slots=True, eq=False)
class _LeftBehind:
    """What the modes of a tap leave: how much of it is room, what a weaker mode would be lost in, strong lines."""

    left: Left | None
    densities: Densities
    lines: tuple[Mode, ...]


class _Joined:
    """The results of the sections so far, in the time of the recording; taps are counted from 0 over all sections.

    They are those of one channel, or of two in line if ``both``.
    """

    def __init__(self, settings: BandSettings, *, both: bool = False) -> None:
        self.settings, self.both = settings, both
        self.readings: list[TapReading] = []
        self.voices: list[Voice] = []
        self.floors: list[Floor] = []
        self.spectra: list[tuple[int, TapSpectrum]] = []
        self.traces: list[tuple[int, float, DecayTrace]] = []
        self.left_behind: dict[int, _LeftBehind] = {}
        self.kept: list[KeptTaps] = []
        self.unvoted: set[int] = set()
        self.left_out_s: float | None = None
        self.begins_ringing = False
        self.last: Section | None = None
        self.duration_s = 0.0

    def add(self, section: Section) -> None:
        """Find and measure the taps of a section, and keep what is needed later."""
        if self.both and section.both is not None:
            section = replace(section, sound=section.both)
        sound = section.sound
        if self.settings.kind != "room" and self.left_out_s is None:
            self._measure(section)
        self.duration_s = section.first / sound.sample_rate_hz + sound.duration_s
        if section.last:
            # The samples themselves are no longer needed.
            self.last = replace(section, sound=replace(sound, samples=np.zeros(0), clipped=None), both=None)

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
        steady = floor_rise_db([floor]) < SPOILS_DB
        fitted, prepared = fit_taps(sound, taps, self.settings, steady=steady)
        measured = tuple(each.reading for each in fitted)
        if self.begins_ringing and not surely_rings(measured[0]):
            self.begins_ringing = False
            measured = (TapReading(tap=refused(measured[0].tap, RINGING)), *measured[1:])
        ringing = [at for at, r in enumerate(measured) if r.tap.used]
        decays = decays_of_taps(sound, [measured[at].tap for at in ringing], quiet, self.settings)
        of_tap = dict(zip(ringing, decays, strict=True))
        readings = tuple(replace(r, decays=of_tap.get(at, r.decays)) for at, r in enumerate(measured))
        if self.settings.kind == "pluck":
            readings = with_tones(sound, readings)
        offset = len(self.readings) - before
        self.floors.append(
            replace(floor, behind=tuple((at + offset, peak_dbfs, rises) for at, peak_dbfs, rises in floor.behind))
        )
        self.voices += [_kept(v, offset) for v in voices if v.tap >= before]
        used = [at for at, r in enumerate(readings) if r.tap.used]
        if len(used) < _ENOUGH_TO_VOTE:
            self.unvoted |= {at + offset for at in used}
        self._draw(readings, prepared, offset)
        self._keep([f for f in fitted[before:] if f.reading.tap.used], prepared, offset)
        if self.settings.kind == "tap":
            behind = Behind(prepared)
            used_here = ((at, r) for at, r in enumerate(readings) if at >= before and r.tap.used)
            self.left_behind |= {at + offset: _left_behind(r, prepared, behind) for at, r in used_here}
        self.readings += [_later(r, section, offset) for r in readings[before:]]

    def _keep(self, fitted: list[kept_taps.Fitted], prepared: tuple[Prepared, ...], offset: int) -> None:
        """Keep what a second pass over the stage needs, of the first taps."""
        if self.settings.kind == "tap":
            room = kept_taps.MOST_TAPS - len({tap.number for part in self.kept for tap in part.taps})
            noises = sum(len(part.noises) for part in self.kept)
            kept = kept_taps.keep(fitted[:room], prepared, offset, noises)
            self.kept += [kept] if kept is not None else []

    def _before(self, section: Section, taps: tuple[Tap, ...]) -> int:
        """Return how many of a section's transients already belong to the section before."""
        rate_hz = section.sound.sample_rate_hz
        from_s = section.lead / rate_hz
        if self.readings:
            from_s = max(from_s, self.readings[-1].tap.onset_s + SAME_S - section.first / rate_hz)
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
            # The sounds of other sections are gone: taps that had no others in their own are judged by their modes.
            readings = _without(readings, [at for at in doubtful(readings) if at in self.unvoted], NO_TAP)
        used = {at for at, r in enumerate(readings) if r.tap.used}
        rise_db = self._floor_rise_db(used)
        readings = spoilt(readings) if rise_db > SPOILS_DB or shows_gain(readings) else readings
        # Last of all: a line of unknown decay says nothing of whether what sounded was a tap, nor of the room.
        left_behind = {at: of_tap for at, of_tap in self.left_behind.items() if at in used}
        readings = tuple(
            r.with_modes(left_behind[at].lines) if at in left_behind else r for at, r in enumerate(readings)
        )
        traces = [t for t in self.traces if t[0] in used]
        direct_db = direct_db_of([b.left for b in left_behind.values() if b.left is not None])
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
            background=background_of([b.densities for b in left_behind.values()]),
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
    loud = reading.modes_within(_LOUD_DB)
    return any(m.freq_se_hz < freq * m.freq_hz and m.t60_log_se < decay for m in loud for freq, decay in _SURE)


def _left_behind(reading: TapReading, prepared: tuple[Prepared, ...], behind: Behind) -> _LeftBehind:
    residuals = residuals_of(reading, prepared)
    left = left_by_modes(reading, prepared, residuals)
    densities = behind.of_tap(residuals, typical_t60_s(reading.modes))
    return _LeftBehind(left, densities, unresolved(reading, left, prepared))


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
