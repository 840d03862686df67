"""The cases of the benchmark.

Conventions: amplitude 1e-4 is one standard deviation of white noise at 48 kHz; at other rates the density of the
noise is the same. "Level" is a mode's amplitude over that deviation, in decibels. A recording begins with 0.8 s of
noise; taps follow 1.05 s apart.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tapbatch.model.reading import LN_1000
from tapbatch.simulate import taps as sim

Body = Callable[[np.random.Generator], tuple[sim.SimMode, ...]]

SIGMA = 1e-4
QUIET_S = 0.8
APART_S = 1.05
LINES = (3.0, 2.0, 4.0, 1.0, 2.0, 0.5, 1.0)  # of the mains, in standard deviations of the noise
COLOURED = (-0.97,)  # y[n] = 0.97 y[n-1] + e[n]: falls from 230 Hz on at 48 kHz


@dataclass(frozen=True, kw_only=True)
class Case:
    """One row of the benchmark; ``bounded`` is false where no bound exists.

    ``told_s`` is the error of the end of contact that the estimator is given, to test its search for the true end.
    ``near`` is the number of modes of a tap whose errors are correlated.
    """

    name: str
    about: str
    body: Body
    rate_hz: int = 48000
    colour: str = "white"
    mains_hz: float | None = None
    contact_s: float | None = None
    told_s: float = 0.0
    room_db: float | None = None
    codec_kbps: int | None = None
    taps: int = 1
    level_scatter_db: float = 0.0
    wander_cents: float = 0.0
    near: int = 1
    pair_limit: float | None = None

    @property
    def bounded(self) -> bool:
        return self.room_db is None and self.codec_kbps is None

    @property
    def shared(self) -> bool:
        """Whether the taps share their poles and the law of the noise is known: then they have a joint bound."""
        return self.bounded and self.wander_cents == 0

    @property
    def sigma(self) -> float:
        return SIGMA * float(np.sqrt(self.rate_hz / 48000))


# ------------------------------------------------------------------ bodies


def _at(level_db: float) -> float:
    return SIGMA * 10 ** (level_db / 20)


def lone(energy_db: float) -> Body:
    """One mode anywhere, its energy ``energy_db`` over the two-sided density of the noise."""

    def draw(rng: np.random.Generator) -> tuple[sim.SimMode, ...]:
        freq_hz, t60_s = float(np.exp(rng.uniform(*np.log([80, 1200])))), float(rng.uniform(0.15, 0.6))
        level_db = energy_db - 10 * np.log10(48000 * t60_s / (4 * LN_1000))
        return (sim.SimMode(freq_hz, t60_s, _at(level_db), float(rng.uniform(-np.pi, np.pi))),)

    return draw


def pair(apart_hz: float, t60_s: tuple[float, float] = (0.3, 0.6), level_db: float = 25.0) -> Body:
    """Two equal modes around 200 to 400 Hz, phases random."""

    def draw(rng: np.random.Generator) -> tuple[sim.SimMode, ...]:
        middle = float(rng.uniform(200, 400))
        return tuple(
            sim.SimMode(f, float(rng.uniform(*t60_s)), _at(level_db), float(rng.uniform(-np.pi, np.pi)))
            for f in (middle - apart_hz / 2, middle + apart_hz / 2)
        )

    return draw


def fixed(freqs_hz: tuple[float, ...], t60s_s: tuple[float, ...], level_db: float) -> Body:
    """A given body, phases random."""

    def draw(rng: np.random.Generator) -> tuple[sim.SimMode, ...]:
        phases = rng.uniform(-np.pi, np.pi, len(freqs_hz))
        return tuple(
            sim.SimMode(f, t, _at(level_db), float(p)) for f, t, p in zip(freqs_hz, t60s_s, phases, strict=True)
        )

    return draw


_SIX = ((93.0, 187.0, 260.0, 402.0, 612.0, 1210.0), (0.5, 0.35, 0.4, 0.3, 0.25, 0.2))
_TWELVE = (
    (93.0, 140.0, 187.0, 230.0, 260.0, 310.0, 402.0, 450.0, 612.0, 780.0, 950.0, 1210.0),
    (0.5, 0.45, 0.35, 0.4, 0.4, 0.3, 0.3, 0.3, 0.25, 0.25, 0.2, 0.2),
)
_MANY = (
    tuple((np.linspace(80, 1480, 24) + np.resize([0, 12, -9], 24)).tolist()),
    tuple(np.linspace(0.5, 0.2, 24).tolist()),
)


def six(level_db: float = 40.0) -> Body:
    """Six modes, 93 to 1210 Hz."""
    return fixed(*_SIX, level_db)


def with_mode_on(line_hz: float) -> Body:
    """Six modes, the third 1 Hz from a line of the mains: well inside its own width of 7 Hz."""
    freqs, t60s = list(_SIX[0]), list(_SIX[1])
    freqs[2], t60s[2] = line_hz + 1.0, 0.3
    return fixed(tuple(freqs), tuple(t60s), 40.0)


# ------------------------------------------------------------------- cases


def _all() -> tuple[Case, ...]:
    found = [
        Case(name=f"one-{e}", about=f"one mode, energy {e} dB over the noise density", body=lone(e))
        for e in (30, 40, 50, 60, 70, 80)
    ]
    found += [
        Case(name="body-6", about="six modes at 40 dB", body=six()),
        Case(name="body-12", about="twelve modes at 35 dB", body=fixed(*_TWELVE, 35.0)),
        Case(name="body-24", about="twenty-four modes at 35 dB", body=fixed(*_MANY, 35.0)),
    ]
    found += [
        Case(name=f"pair-{d}", about=f"two modes {d} Hz apart at 25 dB, T60 0.3 to 0.6 s", body=pair(d), near=2)
        for d in (2, 3, 4, 6, 10)
    ]
    found += [
        Case(name="pink", about="six modes in pink noise", body=six(), colour="pink"),
        Case(name="coloured", about="six modes in first-order coloured noise", body=six(), colour="coloured"),
        Case(name="hum-50", about="six modes and mains of 50 Hz between them", body=six(), mains_hz=50.0),
        Case(name="hum-60", about="six modes and mains of 60 Hz between them", body=six(), mains_hz=60.0),
        Case(name="hum-in-50", about="a mode at 251 Hz on mains of 50 Hz", body=with_mode_on(250), mains_hz=50.0),
        Case(name="hum-in-60", about="a mode at 241 Hz on mains of 60 Hz", body=with_mode_on(240), mains_hz=60.0),
        Case(
            name="phone",
            about="twelve modes, contact of 2 ms, pink noise and mains",
            body=fixed(*_TWELVE, 45.0),
            colour="pink",
            mains_hz=50.0,
            contact_s=0.002,
        ),
    ]
    for ms in (1, 2, 5):
        for told_ms, word in ((-1, "early"), (1, "late")):
            found.append(
                Case(
                    name=f"contact-{ms}-{word}",
                    about=f"six modes, contact of {ms} ms, its end told 1 ms {word}",
                    body=six(),
                    contact_s=ms / 1000,
                    told_s=told_ms / 1000,
                )
            )
    found += [
        Case(name="room", about="six modes and a room's tail at -20 dB", body=six(), room_db=-20.0),
        Case(name="aac-64", about="six modes at 50 dB through AAC at 64 kb/s", body=six(50.0), codec_kbps=64),
        Case(name="aac-96", about="six modes at 50 dB through AAC at 96 kb/s", body=six(50.0), codec_kbps=96),
    ]
    found += [
        Case(name=f"rate-{r}", about=f"six modes at {r} Hz", body=six(), rate_hz=r)
        for r in (8000, 16000, 44100, 96000)
    ]
    return tuple(found)


def _stages() -> tuple[Case, ...]:
    found = [
        Case(
            name=f"stage-{n}", about=f"six modes, {n} taps, 8 dB scatter of level", body=six(), taps=n,
            level_scatter_db=8.0,
        )
        for n in (2, 3, 5, 12)
    ]  # fmt: skip
    found += [
        Case(
            name=f"wander-{c:g}", about=f"as stage-5, poles wander by {c:g} cents and {c:g} %", body=six(), taps=5,
            level_scatter_db=8.0, wander_cents=c,
        )
        for c in (0.5, 2.0, 5.0)
    ]  # fmt: skip
    found += [
        Case(
            name=f"wander-{c:g}-of-{n}", about=f"the same with {n} taps", body=six(), taps=n, level_scatter_db=8.0,
            wander_cents=c,
        )
        for n in (2, 3, 10)
        for c in (2.0, 5.0)
    ]  # fmt: skip
    found += [
        Case(name="room-stage", about="as room, five taps", body=six(), room_db=-20.0, taps=5, level_scatter_db=8.0),
        Case(name="aac-64-stage", about="as aac-64, five taps", body=six(50.0), codec_kbps=64, taps=5,
             level_scatter_db=8.0),
    ]  # fmt: skip
    found += [
        Case(
            name=f"pair-{d}-stage", about=f"two modes {d} Hz apart at 25 dB, T60 0.4 s, five taps",
            body=pair(d, (0.4, 0.4)), taps=5, near=2, pair_limit=limit,
        )
        for d, limit in ((2, None), (3, 0.95), (4, 0.99))
    ]  # fmt: skip
    return tuple(found)


CASES = _all()
STAGES = _stages()
