"""Convert what is kept of a recording's taps to JSON and back.

Conventions: a kept file is one JSON object. Arrays are the bytes of little-endian numbers in base64: 16-bit integers
for samples, which are nearly all of it, and floating-point numbers of 64 bits for the rest.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tapbatch.measure.decimate import zones
from tapbatch.measure.kept_taps import MOST_SAMPLES, KeptNoise, KeptTap, KeptTaps


def taps_to_json(kept: KeptTaps) -> str:
    """Return kept taps as JSON, on one line; :func:`taps_from_json` gives back equal ones."""
    taps = [
        {
            "number": t.number, "zone": t.zone, "noise": t.noise, "step": t.step, "first": t.first, "at_s": t.at_s,
            "scale": t.scale, "samples": _packed(t.samples, "<i2"), "poles": _packed(t.poles, "<c16"),
            "excess": _packed(t.excess, "<f8"),
        }
        for t in kept.taps
    ]  # fmt: skip
    noises = [{"whitener": n.whitener.tolist(), "hum_hz": n.hum_hz, "quiet_s": n.quiet_s} for n in kept.noises]
    return json.dumps({"grid": kept.grid, "noises": noises, "taps": taps}, separators=(",", ":"))


def taps_from_json(text: str | bytes) -> KeptTaps:
    """Return the taps written by :func:`taps_to_json`.

    Raises
    ------
    ValueError
        If the text is something else.
    """
    try:
        data = json.loads(text)
        noises = tuple(
            KeptNoise(np.array(n["whitener"], dtype=np.float64), tuple(n["hum_hz"]), n["quiet_s"])
            for n in data["noises"]
        )
        rate_hz, low_hz, high_hz = data["grid"]
        kept = KeptTaps(rate_hz, low_hz, high_hz, tuple(_tap(t) for t in data["taps"]), noises)
        most = len(zones(*kept.grid))
        if not all(0 <= t.zone < most and 0 <= t.noise < len(noises) for t in kept.taps):
            msg = "not kept taps: a zone or a noise is not there"
            raise ValueError(msg)
        return kept
    except (KeyError, TypeError, AttributeError, RecursionError) as error:
        msg = f"not kept taps: {error}"
        raise ValueError(msg) from error


def _tap(data: dict[str, Any]) -> KeptTap:
    arrays: dict[str, NDArray[Any]] = {
        "samples": _unpacked(data["samples"], "<i2").astype(np.int16),
        "poles": _unpacked(data["poles"], "<c16").astype(np.complex128),
        "excess": _unpacked(data["excess"], "<f8").astype(np.float64),
    }
    if not 0 < len(arrays["samples"]) <= MOST_SAMPLES or len(arrays["poles"]) != len(arrays["excess"]):
        msg = "not kept taps: their lengths do not fit"
        raise ValueError(msg)
    return KeptTap(**{**data, **arrays})


def _packed(values: NDArray[np.generic], kind: str) -> str:
    return b64encode(values.astype(kind).tobytes()).decode()


def _unpacked(text: str, kind: str) -> NDArray[Any]:
    return np.frombuffer(b64decode(text, validate=True), dtype=kind)
