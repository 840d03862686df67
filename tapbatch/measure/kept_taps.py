"""What is kept of a recording's taps for a second pass: whitened samples and poles, some kilobytes a tap.

Conventions: those of :mod:`tapbatch.measure.fit`. A reading holds no samples, so that nothing more could be asked of
it. But the recordings of a stage are often takes with a single tap each, and which modes there are is decided by all
taps of the stage (:mod:`tapbatch.measure.all_recordings`). So the window of each tap is kept as the fit saw it:
decimated, whitened, noise variance 1, in 16 bits.

Bounds: of each recording, the first :data:`MOST_TAPS` taps that are used, and of each the first
:data:`MOST_SAMPLES` samples of its window, two seconds at 4 kHz. So a recording takes at most 400 kB of memory for
each zone (there is one up to 2250 Hz), however long it is; a typical tap takes 4 kB. Taps beyond that are not asked:
so many taps of one recording have decided among themselves. The loudest sample has 15 bits; the rounding adds less
than a tenth to the variance of the noise even in the loudest taps that are fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.decimate import Decimator, zones
from tapbatch.measure.fit import fit_modes
from tapbatch.measure.geometric import Complex, Float, Samples
from tapbatch.measure.noise import Noise
from tapbatch.measure.prepare import Prepared
from tapbatch.measure.prune import TapFit, model_of
from tapbatch.model.reading import TapReading

MOST_TAPS = 24
"""Most taps that are kept of one recording."""

MOST_SAMPLES = 8192
"""Most samples that are kept of one tap in one zone."""


@dataclass(frozen=True, slots=True, eq=False)
class KeptTap:
    """The fit of one tap in one zone.

    ``number`` is that of the tap in its reading, ``zone`` and ``noise`` are indices. ``samples`` times ``step`` are
    the whitened samples; ``poles`` and ``excess``, shape (K,), are those of the modes fitted. ``first`` is the first
    sample of the window and ``at_s`` the time to which amplitudes refer, both in the time of the section. ``scale``
    is that of :class:`tapbatch.measure.prune.TapFit`.
    """

    number: int
    zone: int
    noise: int
    samples: NDArray[np.int16]
    step: float
    poles: Complex
    excess: Float
    first: int
    at_s: float
    scale: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class KeptNoise:
    """The noise of a zone of one section: what :class:`tapbatch.measure.noise.Noise` has, without its spectrum."""

    whitener: Float
    hum_hz: tuple[float, ...]
    quiet_s: float


@dataclass(frozen=True, slots=True, eq=False)
class KeptTaps:
    """What is kept of one recording: its rate, its band (as it was measured), its taps and their noises."""

    sample_rate_hz: int
    band_low_hz: float
    band_high_hz: float
    taps: tuple[KeptTap, ...] = ()
    noises: tuple[KeptNoise, ...] = ()

    @property
    def grid(self) -> tuple[int, float, float]:
        """On this the zones depend; taps of recordings with the same grid can be asked together."""
        return self.sample_rate_hz, self.band_low_hz, self.band_high_hz

    def only(self, numbers: set[int]) -> KeptTaps:
        """Return the same with some taps only, by their numbers."""
        taps = tuple(tap for tap in self.taps if tap.number in numbers)
        return KeptTaps(*self.grid, taps, self.noises)


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """A tap of a section: its reading, and its fit in each zone (``None`` where there is none)."""

    reading: TapReading
    fits: Sequence[TapFit | None]


def keep(taps: Sequence[Fitted], prepared: Sequence[Prepared], offset: int, later: int = 0) -> KeptTaps | None:
    """Return what is kept of the taps of a section.

    Parameters
    ----------
    taps
        The used taps to keep, in the time of the section.
    prepared
        The zones of the section.
    offset
        By how much the numbers of its taps are higher in the recording.
    later
        How many noises were kept of the sections before.

    Returns
    -------
    KeptTaps or None
        ``None`` if there is nothing to keep.
    """
    if not prepared or not taps:
        return None
    kept = [
        _kept(each.reading, found, offset, zone, later + zone)
        for each in taps
        for zone, found in enumerate(each.fits)
        if found is not None
    ]
    noises = tuple(KeptNoise(z.noise.whitener, z.noise.hum_hz, z.noise.quiet_s) for z in prepared)
    low_hz, high_hz = prepared[0].decimator.low_hz, prepared[-1].decimator.high_hz
    return KeptTaps(prepared[0].decimator.rate_hz, low_hz, high_hz, tuple(kept), noises)


def _kept(reading: TapReading, found: TapFit, offset: int, zone: int, noise: int) -> KeptTap:
    window = found.samples[:MOST_SAMPLES]
    step = float(np.abs(window).max()) / 32767 or 1.0
    return KeptTap(
        number=reading.tap.number + offset,
        zone=zone,
        noise=noise,
        samples=np.round(window / step).astype(np.int16),
        step=step,
        poles=found.fit.poles,
        excess=found.excess,
        first=found.first,
        at_s=reading.tap.free_from_s,
        scale=found.scale,
    )


def joined(parts: Sequence[KeptTaps]) -> KeptTaps | None:
    """Return what was kept of the sections of a recording as one; ``None`` if nothing was."""
    if not parts:
        return None
    taps = tuple(tap for part in parts for tap in part.taps)
    return KeptTaps(*parts[0].grid, taps, tuple(noise for part in parts for noise in part.noises))


def restored(kept: KeptTaps, tap: KeptTap) -> tuple[TapFit, Prepared]:
    """Return the fit of a kept tap, and the zone it belongs to without its samples.

    Parameters
    ----------
    kept
        The recording.
    tap
        One of its taps.
    """
    zone = zone_of(kept, tap)
    samples = tap.samples.astype(np.float64) * tap.step
    fit = fit_modes(Samples(samples), tap.poles, zone.noise.hum_poles, most_steps=0)
    found = TapFit(
        fit=fit,
        samples=samples,
        residual=samples - model_of(fit),
        excess=tap.excess,
        first=tap.first,
        rate_hz=zone.rate_hz,
        scale=tap.scale,
        pair=np.zeros(fit.count, dtype=bool),
        uneven=np.zeros(fit.count, dtype=bool),
    )
    return found, zone


def zone_of(kept: KeptTaps, tap: KeptTap) -> Prepared:
    """Return the zone of a kept tap, without its samples."""
    of_zone, nothing = kept.noises[tap.noise], np.zeros(0)
    decimator = _zones(kept.grid)[tap.zone]
    noise = Noise(of_zone.whitener, decimator.out_rate_hz, of_zone.hum_hz, of_zone.quiet_s, nothing, nothing)
    return Prepared(nothing, nothing, decimator, noise)


@lru_cache(maxsize=8)
def _zones(grid: tuple[int, float, float]) -> tuple[Decimator, ...]:
    return zones(*grid)
