"""Read a recording of any length section by section, to hold no more in memory than is measured at once.

Conventions: samples count from the first of the file. A recording of up to 87 s (at 48 kHz, two channels) is
one section. A longer one is cut where it is calmest, so that no decay is cut: where the loudest 10 ms of the second
before and the 0.3 s after is lowest, in the later half of the samples held. Both sections contain the 0.25 s before
the cut, because filters need samples to start from. What begins in this *lead* belongs to the earlier section.

The first section in which something stands out by 20 dB decides the channel for the whole file: levels and phases of
two channels must not be mixed. Where the two channels of a stereo file turn out to be in line with the instrument
(:mod:`tapbatch.listen.in_line`), each section also has the sound of both together. Notices are for the whole file and
come with its last section.

When it is wrong: a recording without any calm second, such as hours of talk or music, is cut within a sound.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tapbatch.listen.channels import Channel, better_channel, channel_of, make_finite
from tapbatch.listen.header import clean_date
from tapbatch.listen.in_line import SOUND_M_S, InLine, in_line, without_room
from tapbatch.listen.streams import Block, Stream, open_stream
from tapbatch.model.errors import SoundError
from tapbatch.model.notice import Notice
from tapbatch.model.progress import tell
from tapbatch.model.reading import Sound

Float = NDArray[np.float64]

MOST_SAMPLES = 1 << 22
"""The most samples of one channel in a section: 32 MiB, of which measuring makes half a dozen copies."""

BUDGET_SAMPLES = 4_000_000_000
"""The most samples of a recording that are read, over all its channels: 23 hours of one channel at 48 kHz.

A file of a few megabytes can hold days of silence. The budget counts samples and not seconds of work, so that every
machine reads the same part. What comes after is left out, and a notice says so.
"""

LOW_RATE_HZ = 8000
SILENCE_DBFS = -90.0

_LEAST_S = 4.0
_PIECE_S = 0.01
_CALM_BEFORE, _CALM_AFTER = 100, 30
_LEAD_S = 0.25
_STANDS_OUT_DB = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """A stretch of a recording: its sound, the sample at which it begins, and how many samples are its lead.

    The sound of the last section carries the notices and the date of the whole file. ``both`` is the same stretch as
    two channels in line give it; ``None`` if there are none.
    """

    sound: Sound
    first: int
    lead: int
    last: bool
    both: Sound | None = None

    @property
    def whole(self) -> bool:
        """Whether this section is the whole recording."""
        return self.first == 0 and self.last


def sections(
    path: Path, most_samples: int = MOST_SAMPLES, budget_samples: int = BUDGET_SAMPLES
) -> Generator[Section]:
    """Yield a recording section by section, in order, and report progress (:mod:`tapbatch.model.progress`).

    Parameters
    ----------
    path
        A sound file of any kind and length.
    most_samples
        The most samples of a section, for up to two channels; proportionally fewer where there are more channels.
    budget_samples
        The most samples that are read, over all channels, give or take one block.

    Raises
    ------
    SoundError
        As :func:`tapbatch.listen.streams.open_stream`, and where rate and channels together need too much memory.
    """
    with open_stream(path) as stream:
        most = most_samples if stream.channels <= 2 else 2 * most_samples // stream.channels
        if most < min(_LEAST_S * stream.sample_rate_hz, most_samples):
            what = f"there are {stream.channels} channels at {stream.sample_rate_hz} Hz"
            raise SoundError(path.name, what, "export one or two of the channels")
        yield from _Cutter(stream, most, budget_samples // stream.channels).sections()


class _Cutter:
    """Holds the latest samples of a stream, and what was noticed in all of it so far."""

    def __init__(self, stream: Stream, most: int, budget: int) -> None:
        self.stream, self.most, self.budget = stream, most, budget
        self.held: list[NDArray[np.floating]] = []
        self.frames = 0
        self.left_out = False
        self.first = self.lead = 0
        self.used: int | None = None
        self.pair: InLine | None = None
        self.replaced = np.zeros(stream.channels, dtype=np.int64)
        self.peak_dbfs = -np.inf
        self.clipped = False
        self.latest: tuple[int, Float] | None = None

    def sections(self) -> Iterator[Section]:
        rate_hz, likely_s = self.stream.sample_rate_hz, self.stream.likely_s
        for block in self.stream.blocks:
            self._take(block)
            if likely_s:
                tell(min((self.first + self.frames) / rate_hz / likely_s, 1.0))
            while self.frames > self.most:
                cut = self._calmest()
                # Keep no reference to the section here, so that its memory is not held twice while it is measured.
                ready = [self._section(cut, last=False)]
                self._let_go(cut)
                yield ready.pop()
            if self.first + self.frames > self.budget:
                self.left_out = True
                break
        ready = [self._section(self.frames, last=True)]
        self.held.clear()
        yield ready.pop()

    def _take(self, block: Block) -> None:
        finite, replaced = make_finite(block)
        self.replaced += replaced
        # Use half the memory where single precision holds the samples exactly: up to 24 bits.
        single = finite.astype(np.float32)
        self.held.append(single if np.array_equal(single, finite) else finite)
        self.frames += len(block)
        self.latest = None

    def _column(self, channel: int, count: int) -> Float:
        """Return one channel of the samples held; the latest is kept, as a mono channel is asked for three times."""
        if self.latest is None or self.latest[0] != channel:
            self.latest = None
            column = np.empty(self.frames)
            np.concatenate([block[:, channel] for block in self.held], out=column)
            self.latest = (channel, column)
        return self.latest[1][:count]

    def _two(self, count: int) -> tuple[Float, Float]:
        return self._column(0, count), self._column(1, count)

    def _calmest(self) -> int:
        """Return where to cut, in samples from the first one held."""
        width = max(1, round(_PIECE_S * self.stream.sample_rate_hz))
        count = self.most // width
        power = np.zeros(count)
        for channel in range(self.stream.channels):
            pieces = self._column(channel, count * width).reshape(count, width)
            power += np.einsum("ij,ij->i", pieces, pieces) / width - pieces.mean(axis=1) ** 2
        around = np.lib.stride_tricks.sliding_window_view(power, _CALM_BEFORE + _CALM_AFTER).max(axis=1)
        earliest = max(count // 2 - _CALM_BEFORE, 0)
        return int(earliest + around[earliest:].argmin() + _CALM_BEFORE) * width

    def _section(self, count: int, *, last: bool) -> Section:
        rate_hz, lossy = self.stream.sample_rate_hz, self.stream.lossy
        known = [channel_of(self._column(c, count), rate_hz, lossy=lossy) for c in range(self.stream.channels)]
        used = better_channel(known) if self.used is None else self.used
        if known[used].clarity_db > _STANDS_OUT_DB:
            if self.used is None and len(known) == 2 and all(channel.clipped is None for channel in known):
                self.pair = in_line(self._two(count), rate_hz)
                used = used if self.pair is None else self.pair.near
            self.used = used
        both = None if self.pair is None else without_room(self._two(count), self.pair)
        clipped, samples = self._notice(known[used]), self._column(used, count)
        # Drop our reference, so that the caller can free the samples before the next section is read.
        self.latest = None
        sound = Sound(
            samples=samples,
            sample_rate_hz=rate_hz,
            recorded_at=self._recorded_at() if last else "",
            device=self.stream.device,
            lossy=lossy,
            clipped=clipped,
            notices=self._notices(used) if last else (),
        )
        return Section(
            sound=sound,
            first=self.first,
            lead=self.lead,
            last=last,
            both=None if both is None else self._as_one(sound, both, known),
        )

    def _as_one(self, sound: Sound, samples: Float, known: list[Channel]) -> Sound:
        """Return the sound of two channels in line, clipped where either is."""
        assert self.pair is not None
        masks = [channel.clipped for channel in known if channel.clipped is not None]
        clipped = np.logical_or.reduce(masks) if masks else None
        apart_cm = self.pair.lag / sound.sample_rate_hz * SOUND_M_S * 100
        said = Notice("in line", number=self.pair.near + 1, apart_cm=apart_cm)
        notices = tuple(said if notice.kind == "channel" else notice for notice in sound.notices)
        return replace(sound, samples=samples, clipped=clipped, notices=notices)

    def _notice(self, channel: Channel) -> NDArray[np.bool_] | None:
        self.peak_dbfs = max(self.peak_dbfs, channel.peak_dbfs)
        self.clipped |= channel.clipped is not None
        return channel.clipped

    def _let_go(self, cut: int) -> None:
        """Drop the samples before a cut, except for the lead."""
        lead = min(cut, int(_LEAD_S * self.stream.sample_rate_hz))
        gone = cut - lead
        self.first, self.lead, self.frames = self.first + gone, lead, self.frames - gone
        while gone >= len(self.held[0]):
            gone -= len(self.held.pop(0))
        self.held[0] = self.held[0][gone:].copy()

    def _recorded_at(self) -> str:
        dates = (self.stream.header.recorded_at, *map(clean_date, self.stream.dates))
        return next((date for date in dates if date), "")

    def _notices(self, used: int) -> tuple[Notice, ...]:
        stream, rate_hz = self.stream, self.stream.sample_rate_hz
        there_s = (self.first + self.frames) / rate_hz
        cut = None if self.left_out else _cut_notice(stream, there_s)
        notices = [
            cut,
            Notice("too long", there_s=there_s) if self.left_out else None,
            _damage_notice(len(stream.skipped)) if cut is None else None,
            _channel_notice(used, stream.channels),
            Notice("lossy codec", name=stream.codec) if stream.lossy else None,
            Notice("low sample rate", rate_hz=rate_hz) if rate_hz < LOW_RATE_HZ else None,
            Notice("non-finite samples", count=int(self.replaced[used])) if self.replaced[used] else None,
            Notice("silence") if self.peak_dbfs < SILENCE_DBFS else None,
            Notice("clipped") if self.clipped else None,
        ]
        return tuple(n for n in notices if n is not None)


def _cut_notice(stream: Stream, there_s: float) -> Notice | None:
    header, promised_s = stream.header, stream.promised_s
    if not header.whole and header.present_bytes and header.promised_bytes:
        promised_s = max(promised_s, there_s * header.promised_bytes / header.present_bytes)
    # A lossy stream's stated length includes encoder padding: two frames of MP3, else several thousand samples.
    added = 2400 if stream.codec == "mp3" else 8192
    missing_from_s = added / stream.sample_rate_hz if stream.lossy and header.whole else 0.01
    if promised_s - there_s > missing_from_s:
        return Notice("cut", there_s=there_s, promised_s=promised_s)
    return Notice("cut", there_s=there_s) if header.breaks_off else None


def _damage_notice(skipped: int) -> Notice | None:
    return Notice("damaged", count=skipped) if skipped else None


def _channel_notice(used: int, channels: int) -> Notice | None:
    return Notice("channel", number=used + 1, count=channels) if channels > 1 else None
