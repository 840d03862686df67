"""Rooms: image-source responses by ``pyroomacoustics``, scaled so that the direct sound has the gain 1.

Conventions: a response is split into the direct sound and the room, each an array of samples from the moment the
source sounds; ``direct + room`` is what a microphone hears. Computing a room takes up to two seconds, so responses
are kept in a folder of the system's temporary directory, by what they were made from.
"""

from __future__ import annotations

import hashlib
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.bench_simulator.world import Room, Spot

Float = NDArray[np.float64]

KEPT = Path(tempfile.gettempdir()) / "tapbatch-bench-rooms"
MOST_ORDER = 90
"""Reflections followed: 90 of them take over half a second, by when even a room of 0.8 s has fallen by 45 dB."""

_SABINE = 0.88
"""Image sources of a shoebox die away more slowly than Sabine's formula says: by 1/0.88 in rooms of this size."""

_VERSION = 3


@dataclass(frozen=True, eq=False)
class Response:
    """What reaches the microphone of an impulse: the direct sound, and all the rest."""

    direct: Float
    room: Float
    sample_rate_hz: int

    @property
    def whole(self) -> Float:
        """Both together."""
        whole = self.room.copy()
        whole[: len(self.direct)] += self.direct
        return whole

    @property
    def direct_db(self) -> float:
        """How far the energy of the direct sound stands over that of the room, all frequencies alike."""
        return 10.0 * math.log10(float(np.sum(self.direct**2) / np.sum(self.room**2)))


def missing() -> str:
    """Return why rooms cannot be made, or an empty string."""
    try:
        import pyroomacoustics  # noqa: F401
    except ImportError as error:
        return f"pyroomacoustics is not installed ({error})"
    return ""


def responses(room: Room, spots: tuple[Spot, ...], sample_rate_hz: int = 48_000) -> tuple[Response, ...]:
    """Return the response of a room at each spot."""
    told = repr((_VERSION, room, spots, sample_rate_hz, MOST_ORDER))
    path = KEPT / f"{hashlib.sha256(told.encode()).hexdigest()[:24]}.npz"
    if path.exists():
        with np.load(path) as kept:
            return tuple(
                Response(kept[f"direct{n}"].astype(float), kept[f"room{n}"].astype(float), sample_rate_hz)
                for n in range(len(spots))
            )
    made = _computed(room, spots, sample_rate_hz)
    _keep(path, made)
    return made


def _keep(path: Path, made: tuple[Response, ...]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    arrays = {f"direct{n}": r.direct.astype(np.float32) for n, r in enumerate(made)}
    arrays |= {f"room{n}": r.room.astype(np.float32) for n, r in enumerate(made)}
    # Another process may be writing the same room: each writes a file of its own and moves it into place.
    with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".npz", delete=False) as file:
        np.savez(file, **arrays)  # type: ignore[arg-type]
    Path(file.name).replace(path)


def _computed(room: Room, spots: tuple[Spot, ...], sample_rate_hz: int) -> tuple[Response, ...]:
    sources = list(dict.fromkeys(s.source_m for s in spots))
    phones = [s.phone_m for s in spots]
    made = {order: _rirs(room, sources, phones, sample_rate_hz, order) for order in (None, 0)}
    found = []
    for n, spot in enumerate(spots):
        at = sources.index(spot.source_m)
        whole, direct = made[None][n][at], made[0][n][at]
        # Spherical spreading: the response holds 1 / r.
        scale = math.dist(spot.source_m, spot.phone_m)
        rest = whole.copy()
        rest[: len(direct)] -= direct
        found.append(Response(scale * direct, scale * rest, sample_rate_hz))
    return tuple(found)


def _rirs(
    room: Room,
    sources: list[tuple[float, float, float]],
    phones: list[tuple[float, float, float]],
    sample_rate_hz: int,
    order: int | None,
) -> list[list[Float]]:
    import pyroomacoustics as pra

    absorption, needed = pra.inverse_sabine(_SABINE * room.rt60_s, room.size_m)
    box = pra.ShoeBox(
        room.size_m,
        fs=sample_rate_hz,
        materials=pra.Material(absorption),
        max_order=min(needed, MOST_ORDER) if order is None else order,
    )
    for source in sources:
        box.add_source(source)
    box.add_microphone_array(np.array(phones).T)
    box.compute_rir()
    return [[np.asarray(response, dtype=float) for response in of_phone] for of_phone in box.rir]
