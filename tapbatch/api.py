"""The public Python interface: what ``import tapbatch`` gives to a notebook or a script of one's own.

Conventions: a shop is named by its folder, as on the command line. Nothing here changes a recording or a table:
readings and tables are those of the last ``run``. Tables come as :class:`pandas.DataFrame` with the columns of the
CSV files, each with its type; ``frame.attrs["units"]`` gives the unit of each column that has one. Errors that a
person can mend are children of :class:`~tapbatch.model.errors.TapbatchError`. pandas and the measuring modules are
imported by the functions that need them, and the names of this module by ``tapbatch`` when they are first used.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from tapbatch.model.errors import ShopError, TapbatchError
from tapbatch.show.tables.columns import OF_BLANKS, OF_SHOP, SCHEMA

if TYPE_CHECKING:
    import pandas as pd

    from tapbatch.model.history import History

_QUIET_S = 1.0


def load_readings(shop: str | Path, results: str | Path | None = None) -> dict[str, History]:
    """Return the histories of a shop's instruments, from the readings that are kept.

    Parameters
    ----------
    shop
        The shop folder.
    results
        Where its results lie, if not where the settings say.

    Returns
    -------
    dict
        By the instrument's identity, a :class:`~tapbatch.model.history.History`: its ``stages`` with modes, decays
        and strings, and its ``drifts``. Recordings that no run has measured yet are left out; nothing is written.

    Raises
    ------
    ShopError, SettingsError
        As ``tapbatch run`` does with status 2: no such folder, settings that are not understood.

    Examples
    --------
    >>> import tempfile
    >>> shop = Path(tempfile.mkdtemp())
    >>> (shop / "recordings").mkdir()
    >>> load_readings(shop)
    {}
    """
    from tapbatch.run.histories import histories_of
    from tapbatch.shop.folder import open_shop

    opened = open_shop(Path(shop), Path(results) if results is not None else None)
    return {name: history for name, history in histories_of(opened, lines=True).of.items() if history.stages}


def load_table(
    shop: str | Path, name: str, instrument: str | None = None, results: str | Path | None = None
) -> pd.DataFrame:
    """Return a table of a shop, of one instrument or of all, as the last run wrote it.

    Parameters
    ----------
    shop
        The shop folder.
    name
        ``recordings``, ``taps``, ``tap_modes``, ``modes``, ``drift``, ``targets``, ``strings``, ``sustain``,
        ``wood`` (of instruments with a blank) or ``attention``.
    instrument
        Name or identity; all instruments where it is left out.
    results
        Where the results lie, if not where the settings say.

    Returns
    -------
    pandas.DataFrame
        A column ``instrument`` (an identity) in front of those of the CSV file, except for ``attention``; text,
        ``boolean``, ``Int64`` and ``float64``; ``attrs["units"]`` by column.

    Raises
    ------
    ShopError
        Where the shop, the table or the instrument is not there.
    ValueError
        Where ``name`` is no table.

    Examples
    --------
    >>> load_table("nowhere", "modes")
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.ShopError: nowhere: there is no such folder; ...
    """
    from tapbatch.shop.folder import open_shop
    from tapbatch.show.tables.frames import units_of

    if name not in SCHEMA:
        msg = f"no table is called {name!r}; expected one of {', '.join(SCHEMA)}"
        raise ValueError(msg)
    folder = open_shop(Path(shop), Path(results) if results is not None else None).results_dir
    frame = _of_shop(folder, name, instrument) if name in OF_SHOP else _of_all(folder, name, instrument)
    frame.attrs["units"] = units_of(name)
    return frame


def _of_shop(results: Path, name: str, instrument: str | None) -> pd.DataFrame:
    from tapbatch.model.names import identity
    from tapbatch.show.tables.frames import read_table

    frame = read_table(results / f"{name}.csv")
    if instrument is None or "instrument" not in frame:
        return frame
    return frame[frame["instrument"] == identity(instrument)].reset_index(drop=True)


def _columns(name: str) -> list[str]:
    return [column.name for column in SCHEMA[name]]


def _of_all(results: Path, name: str, instrument: str | None) -> pd.DataFrame:
    import pandas as pd

    from tapbatch.model.names import identity
    from tapbatch.show.tables.frames import read_table, rows_to_frame

    known = {path.parent.name: path for path in sorted(results.glob(f"*/{name}.csv"))}
    if name in OF_BLANKS and not known and instrument is None:
        # A shop without a blank has no such table.
        return rows_to_frame(name, []).assign(instrument=pd.Series(dtype="str"))[["instrument", *_columns(name)]]
    wanted = list(known) if instrument is None else [identity(instrument)]
    if not known or not known.keys() >= set(wanted):
        what = "there are no tables yet" if not known else f"there is no instrument {instrument!r}"
        remedy = "run tapbatch run first" if not known else f"expected one of {', '.join(known)}"
        raise ShopError(str(results), what, remedy)
    frames = []
    for each in wanted:
        frame = read_table(known[each])
        frame.insert(0, "instrument", pd.Series([each] * len(frame), index=frame.index, dtype="str"))
        frames.append(frame)
    return frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)


def measure_file(
    path: str | Path, *, concert_pitch_hz: float = 440.0, band_hz: tuple[float, float] = (50.0, 1500.0)
) -> pd.DataFrame:
    """Measure one recording, whatever its name, and return its modes; nothing is written.

    Parameters
    ----------
    path
        A recording of taps, of any kind that ``tapbatch read`` understands.
    concert_pitch_hz
        A4, from 380 to 470 Hz.
    band_hz
        Where modes are looked for, from 20 to 12000 Hz.

    Returns
    -------
    pandas.DataFrame
        The columns of ``modes.csv``, a row a mode, from low to high; no row where nothing could be read. Numbers
        are not rounded; ``attrs["units"]`` by column.

    Raises
    ------
    SoundError
        Where the file is not there or cannot be decoded.
    ValueError
        Where a setting lies out of its range.

    Examples
    --------
    >>> import tempfile
    >>> path = Path(tempfile.mkdtemp()) / "tap.wav"
    >>> truth = simulate_recording(path, [(220.0, 0.4, 0.1)])
    >>> modes = measure_file(path)
    >>> [str(note) for note in modes["note"]], modes.attrs["units"]["freq_hz"]
    (['A3'], 'Hz')
    >>> bool(abs(modes["freq_hz"][0] - 220) < 0.02)
    True
    """
    from tapbatch.model.settings import InstrumentSettings
    from tapbatch.run.files import read_files
    from tapbatch.show.tables.frames import rows_to_frame, units_of
    from tapbatch.show.tables.rows import mode_rows

    settings = InstrumentSettings(concert_pitch_hz=concert_pitch_hz, band_hz=band_hz)
    ((_, result),) = read_files([Path(path)], settings)
    if isinstance(result, TapbatchError):
        raise result
    frame = rows_to_frame("modes", mode_rows(result.stages[0]) if result.stages else [])
    frame = frame.sort_values("freq_hz", ignore_index=True)
    frame.attrs["units"] = units_of("modes")
    return frame


def simulate_recording(
    path: str | Path,
    modes: Sequence[tuple[float, float, float]],
    *,
    taps: int = 5,
    noise_rms: float = 3e-4,
    sample_rate_hz: int = 48000,
    seed: int = 0,
) -> pd.DataFrame:
    """Write a recording of simulated taps as WAV, and return what is true of it and how well it can be known.

    Each mode is ``amplitude exp(-t ln(1000)/t60_s) cos(2 pi freq_hz t)`` after a blow, struck by a mallet that stays
    for 2 ms, in white noise. No tap differs from the others but by noise.

    Parameters
    ----------
    path
        Where to write; 24 bit, one channel.
    modes
        ``(freq_hz, t60_s, amplitude)`` each: above 0, frequencies below half the sample rate, amplitude in full scale
        (1.0).
    taps
        How many, at least 1.
    noise_rms
        Root mean square of the noise in full scale, above 0.
    sample_rate_hz
        In hertz.
    seed
        The same number gives the same file.

    Returns
    -------
    pandas.DataFrame
        A row a mode, in the order given: ``freq_hz``, ``t60_s``, and ``freq_bound_hz``, ``t60_bound_s``: the
        smallest standard deviation that any unbiased estimate from all taps can have (the Cramer-Rao bound of a lone
        mode, :func:`tapbatch.measure.bound.lone_mode_bound`; it holds where modes are many of their widths apart).

    Raises
    ------
    ValueError
        Where a number lies out of its range, or the sound would clip.

    Examples
    --------
    >>> import tempfile
    >>> truth = simulate_recording(Path(tempfile.mkdtemp()) / "tap.wav", [(220.0, 0.4, 0.1)], taps=3)
    >>> truth[["freq_hz", "t60_s"]].to_numpy().tolist(), truth.attrs["units"]["freq_bound_hz"]
    ([[220.0, 0.4]], 'Hz')
    """
    import numpy as np
    import soundfile

    from tapbatch.measure.bound import lone_mode_bound
    from tapbatch.show.tables.frames import numbers_to_frame
    from tapbatch.simulate import taps as simulate

    if not (taps >= 1 and noise_rms > 0 and modes):
        msg = f"expected a mode, at least one tap and noise_rms > 0, found {modes}, {taps}, {noise_rms}"
        raise ValueError(msg)
    body = tuple(simulate.SimMode(*mode) for mode in modes)
    gap_s = max(1.0, 2.0 * max(mode.t60_s for mode in body))
    duration_s = _QUIET_S + taps * gap_s
    rng = np.random.default_rng(seed)
    # Onsets fall between samples, as they do at a bench.
    onsets_s = _QUIET_S + gap_s * np.arange(taps) + rng.uniform(0, 1e-3, taps)
    samples, events = simulate.recording(
        [simulate.Strike(onset_s=float(onset_s), modes=body) for onset_s in onsets_s],
        duration_s=duration_s,
        sample_rate_hz=sample_rate_hz,
        noise=simulate.white_noise(round(duration_s * sample_rate_hz), rng, rms=noise_rms),
    )
    if np.abs(samples).max() >= 1:
        msg = f"the sound would clip: its peak is {np.abs(samples).max():.2f} of full scale; lower the amplitudes"
        raise ValueError(msg)
    soundfile.write(Path(path), samples, sample_rate_hz, subtype="PCM_24", format="WAV")
    rows = []
    for mode in events[0].modes:
        # Energies of independent taps add; the two-sided density of white noise is its variance over the rate.
        energy_over_noise = taps * 10 ** (mode.energy_db / 10) * sample_rate_hz / noise_rms**2
        sd_hz, sd_log = lone_mode_bound(mode.t60_s, energy_over_noise)
        rows.append((mode.freq_hz, mode.t60_s, sd_hz, sd_log * mode.t60_s))
    return numbers_to_frame(rows, {"freq_hz": "Hz", "t60_s": "s", "freq_bound_hz": "Hz", "t60_bound_s": "s"})
