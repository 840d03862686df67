"""Combine the broadband and band decays of the taps of a stage.

Conventions: band edges are in hertz, ``None`` for broadband; decay times are in seconds. ``t60_s`` is combined like
the decay time of a mode: as a logarithm, with the scatter over taps, points and set-ups. ``edt_s``, ``t20_s`` and
``t30_s`` have no errors of their own and are geometric means. Each value needs at least half of the taps, because a
range that most taps do not reach above the noise floor says nothing about the stage. ``room`` recordings are left
out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import fmean
from typing import Literal

from tapbatch.compare.random_effects import Mean, Sample, join
from tapbatch.compare.setup_numbers import setup_numbers
from tapbatch.compare.stage import ENOUGH_TAPS, carried_flags, in_order
from tapbatch.model.history import Heard, StageDecay
from tapbatch.model.reading import Decay, Kind

Range = Literal["edt_s", "t20_s", "t30_s"]


@dataclass(slots=True)
class _Band:
    """The decays of one kind in one band, one a tap, and the (recording, point, set-up) of each."""

    decays: list[Decay] = field(default_factory=list)
    where: list[tuple[int, str, int]] = field(default_factory=list)


def stage_decays(heard: Sequence[Heard]) -> tuple[StageDecay, ...]:
    """Return the decays of a stage, sorted by kind (taps first), then broadband before the bands.

    Parameters
    ----------
    heard : sequence of Heard
        The recordings of one place, with their readings.

    Returns
    -------
    tuple of StageDecay
        One for each kind and band that any used tap has. If all its values are empty, its flags say why.

    Examples
    --------
    >>> stage_decays([])
    ()
    """
    bands: dict[tuple[Kind, float, float], _Band] = {}
    setups = setup_numbers(heard)
    for r, h in enumerate(heard):
        if h.recording.kind == "room":
            continue
        for t, tap in enumerate(h.reading.used_taps):
            for decay in tap.decays:
                key = (h.recording.kind, decay.band_low_hz or 0.0, decay.band_high_hz or 0.0)
                band = bands.setdefault(key, _Band())
                band.decays.append(decay)
                band.where.append((r, h.recording.point, setups[r][t]))
    order = sorted(bands, key=lambda k: (k[0] != "tap", k[0], k[1] > 0 or k[2] > 0, k[1], k[2]))
    return tuple(_joined(key[0], bands[key]) for key in order)


def _joined(kind: Kind, band: _Band) -> StageDecay:
    first = band.decays[0]
    t60, taps = _t60(band)
    flags = carried_flags([d.flags for d in band.decays])
    if t60 is not None and taps < ENOUGH_TAPS:
        flags.add("few-taps")
    return StageDecay(
        kind=kind,
        band_low_hz=first.band_low_hz,
        band_high_hz=first.band_high_hz,
        edt_s=_typical(band.decays, "edt_s"),
        t20_s=_typical(band.decays, "t20_s"),
        t30_s=_typical(band.decays, "t30_s"),
        t60_s=None if t60 is None else math.exp(t60.value),
        t60_low_s=None if t60 is None else math.exp(t60.low),
        t60_high_s=None if t60 is None else math.exp(t60.high),
        recordings=len({r for r, _, _ in band.where}),
        flags=in_order(flags),
    )


def _t60(band: _Band) -> tuple[Mean | None, int]:
    samples = [
        Sample(math.log(d.t60_s), d.t60_log_se, point, setup)
        for d, (_, point, setup) in zip(band.decays, band.where, strict=True)
        if d.t60_s is not None and d.t60_log_se is not None
    ]
    if 2 * len(samples) < len(band.decays):
        return None, 0
    return join(samples).mean, len(samples)


def _typical(decays: Sequence[Decay], name: Range) -> float | None:
    values = sorted(v for v in (getattr(d, name) for d in decays) if v is not None)
    if 2 * len(values) < len(decays):
        return None
    return math.exp(fmean(math.log(v) for v in values))
