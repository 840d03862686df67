"""Taps of a sound that is in memory, measured as the product measures those of a file."""

from tapbatch.measure.prepare import Prepared
from tapbatch.measure.sound import fit_taps
from tapbatch.model.reading import BandSettings, Sound, Tap, TapReading


def measure_taps(
    sound: Sound, taps: tuple[Tap, ...], settings: BandSettings
) -> tuple[tuple[TapReading, ...], tuple[Prepared, ...]]:
    """Return a reading for every transient, and the zones in which they were measured."""
    fitted, prepared = fit_taps(sound, taps, settings)
    return tuple(each.reading for each in fitted), prepared
