"""Simulated builds: recordings, readings and stages made by hand, with a known truth, for the tests of this room.

Random numbers come from the generator that is passed in, never from a global seed.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence

import numpy as np

from tapbatch.compare.order import Item
from tapbatch.model.history import StageMode
from tapbatch.model.reading import Background, Decay, Mode, Reading, Recording, Tap, TapReading

Rows = Sequence[tuple[float, float, float]]


def mode(
    freq_hz: float,
    t60_s: float = 0.4,
    energy_db: float = -20.0,
    freq_se_hz: float = 0.01,
    t60_log_se: float = 0.01,
    flags: tuple[str, ...] = (),
) -> Mode:
    return Mode(
        freq_hz=freq_hz, freq_se_hz=freq_se_hz, t60_s=t60_s, t60_log_se=t60_log_se, freq_t60_corr=0.0,
        amplitude=1.0, phase_rad=0.0, energy_db=energy_db, flags=flags,
    )  # fmt: skip


def tap_reading(number: int, modes: Sequence[Mode], decays: Sequence[Decay] = (), used: bool = True) -> TapReading:
    tap = Tap(
        number=number, onset_s=float(number), peak_dbfs=-12.0, snr_db=50.0, used=used,
        reason="" if used else "bounce", free_from_s=number + 0.004, free_until_s=number + 0.9,
    )  # fmt: skip
    return TapReading(tap=tap, modes=tuple(modes), decays=tuple(decays))


def reading(
    taps: Sequence[Sequence[Mode]],
    decays: Sequence[Sequence[Decay]] = (),
    recorded_at: str = "",
    sample_rate_hz: int = 48000,
    lossy: bool = False,
    device: str = "",
    method: str = "test",
    noise_db: float | None = None,
) -> Reading:
    each = list(decays) or [()] * len(taps)
    return Reading(
        sha256="", method=method, duration_s=len(taps) + 1.0, sample_rate_hz=sample_rate_hz, recorded_at=recorded_at,
        lossy=lossy, notices=(), device=device, background=None if noise_db is None else background(noise_db),
        taps=tuple(tap_reading(n, m, d) for n, (m, d) in enumerate(zip(taps, each, strict=True), start=1)),
    )  # fmt: skip


def background(noise_db: float, left_db: float | None = None) -> Background:
    """Return the same noise from 50 to 1500 Hz, and what is left there; by default nothing but the noise."""
    bands = range(8, 38)
    return Background(
        first_band=8, noise_db=(noise_db,) * len(bands),
        left_db=(noise_db if left_db is None else left_db,) * len(bands),
    )  # fmt: skip


def item(path: str, of: Reading | None = None, missing: bool = False, sha256: str = "", **said: object) -> Item:
    """Return a recording of ``cittern-07`` whose stage is the second field of its path, with what the name said."""
    shown = path.rsplit("/", 1)[-1].removesuffix(".wav").split("_")[1]
    values: dict[str, object] = {
        "path": path,
        "sha256": sha256 or hashlib.sha256(path.encode()).hexdigest(),
        "instrument": "cittern-07",
        "instrument_shown": "Cittern-07",
        "stage": shown.lower().replace(" ", "-"),
        "stage_shown": shown,
    }
    return Recording(**(values | said)), of or reading([]), missing  # type: ignore[arg-type]


def taps(
    rng: np.random.Generator,
    rows: Rows,
    count: int,
    scatter_cents: float = 0.5,
    noise_cents: float = 0.1,
    level_scatter_db: float = 8.0,
) -> list[list[Mode]]:
    """Return ``count`` taps of modes (Hz, s, dB) whose poles wander from tap to tap, louder taps being surer.

    The decay wanders by 1 % for each cent of the frequency.
    """
    made = []
    for _ in range(count):
        gain_db = rng.normal(0.0, level_scatter_db)
        of_tap = []
        for freq_hz, t60_s, level_db in rows:
            cents_se = noise_cents * 10.0 ** (-gain_db / 20.0)
            cents = rng.normal(0.0, scatter_cents) + rng.normal(0.0, cents_se)
            log_t60 = rng.normal(0.0, scatter_cents / 100.0) + rng.normal(0.0, cents_se / 30.0)
            freq = freq_hz * 2.0 ** (cents / 1200.0)
            of_tap.append(
                mode(
                    freq,
                    t60_s * math.exp(log_t60),
                    level_db + gain_db + rng.normal(0.0, 3.0),
                    cents_se * freq * math.log(2.0) / 1200.0,
                    cents_se / 30.0,
                )
            )
        made.append(of_tap)
    return made


def stage_mode(
    freq_hz: float, t60_s: float = 0.4, level_db: float = 0.0, name: str = "", flags: tuple[str, ...] = ()
) -> StageMode:
    wide = 2.0 ** (0.6 / 1200.0)
    return StageMode(
        mode=name, lead=False, freq_hz=freq_hz, freq_low_hz=freq_hz / wide, freq_high_hz=freq_hz * wide, note="A3",
        cents=0.0, t60_s=t60_s, t60_low_s=t60_s * 0.94, t60_high_s=t60_s * 1.06, level_db=level_db, taps=5,
        within_cents=0.2, between_cents=0.6, flags=flags,
    )  # fmt: skip


def spread_modes(rng: np.random.Generator, count: int, least_cents: float = 60.0) -> list[tuple[float, float, float]]:
    """Return modes (Hz, s, dB) of an invented body between 80 and 1000 Hz, none nearer than ``least_cents``."""
    freqs: list[float] = []
    while len(freqs) < count:
        freq = math.exp(rng.uniform(math.log(80.0), math.log(1000.0)))
        if all(abs(1200.0 * math.log2(freq / other)) > least_cents for other in freqs):
            freqs.append(freq)
    return [(f, float(rng.uniform(0.08, 0.6)), float(rng.uniform(-30.0, 0.0))) for f in sorted(freqs)]
