"""Convert readings to JSON and back.

A reading is a pure function of a recording's bytes, the settings that matter (band, mains, kind) and the version of
the method. It is kept under the hash of these (:func:`reading_key`); :mod:`~tapbatch.results.store` handles the
files. Tables are always derived from readings and never read back. The codec is written by hand because it runs for
each reading in each run, and pydantic takes several times as long.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, fields, is_dataclass
from functools import cache
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from tapbatch.measure.method import METHOD
from tapbatch.model.notice import Notice
from tapbatch.model.reading import (
    Background,
    BandSettings,
    Coupling,
    Decay,
    DecayTrace,
    Mode,
    Reading,
    Spectrum,
    StringTone,
    Tap,
    TapReading,
)
from tapbatch.results.kept_notices import notice_from_plain, notice_to_plain

FOLDER = ".readings"


def reading_key(sha256: str, settings: BandSettings) -> str:
    """Return the key under which a reading is kept: 40 hexadecimal digits.

    Examples
    --------
    >>> a = reading_key("00" * 32, BandSettings())
    >>> a == reading_key("00" * 32, BandSettings()), a == reading_key("00" * 32, BandSettings(mains_hz=60.0))
    (True, False)
    """
    text = json.dumps([sha256, METHOD, asdict(settings)], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:40]


def reading_to_json(reading: Reading) -> str:
    """Return a reading as JSON; :func:`reading_from_json` gives back an equal one."""
    # Field by field, because the deep copies of ``asdict`` take longer than the encoding.
    return json.dumps(reading, default=_fields, separators=(",", ":"), sort_keys=True)


def _fields(value: Any) -> dict[str, Any]:
    if isinstance(value, Notice):
        return notice_to_plain(value)
    return {field.name: getattr(value, field.name) for field in fields(value)}


def reading_from_json(text: str) -> Reading:
    """Return the reading written by :func:`reading_to_json`.

    Raises
    ------
    ValueError
        If the text is not a reading.
    """
    try:
        data = json.loads(text, parse_float=_NUMBERS.__getitem__)
        data["taps"] = tuple(_tap_reading(t) for t in data["taps"])
        data["notices"] = tuple(map(notice_from_plain, data["notices"]))
        data["spectrum"] = None if data["spectrum"] is None else Spectrum(**_tupled(data["spectrum"]))
        data["trace"] = None if data["trace"] is None else DecayTrace(**_tupled(data["trace"]))
        if data.get("background") is not None:
            data["background"] = Background(**_tupled(data["background"]))
        return Reading(**data)
    except (KeyError, TypeError, AttributeError, RecursionError) as error:
        msg = f"not a reading: {error}"
        raise ValueError(msg) from error


def _tap_reading(data: dict[str, Any]) -> TapReading:
    return TapReading(
        tap=Tap(**data["tap"]),
        modes=tuple(Mode(**_tupled(m)) for m in data["modes"]),
        decays=tuple(Decay(**_tupled(d)) for d in data["decays"]),
        couplings=tuple(Coupling(**c) for c in data.get("couplings", ())),
        # Readings of older versions of the method lack some values, but are kept.
        tone=None if data.get("tone") is None else StringTone(**data["tone"]),
    )


def _tupled(data: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in data.items()}


class _Numbers(dict[str, float]):
    """A cache of numbers by their text, so that equal numbers of few digits share one object.

    Chart lines are most of a reading. They are rounded to what the eye can see, so a few thousand different numbers
    occur in the lines of a thousand recordings. Sharing them reduces memory use to a third.
    """

    def __missing__(self, text: str) -> float:
        number = float(text)
        if len(text) <= _FEW_DIGITS:
            self[text] = number
        return number


_FEW_DIGITS = 7
_NUMBERS = _Numbers()


def check_types(reading: Any) -> None:
    """Check that each value in a reading, or in a part of one, has the type of its field.

    Only readings without a checksum, those of version 0.1, need this check.

    Raises
    ------
    ValueError
        If a value has another type.

    Examples
    --------
    >>> from tapbatch.model.reading import Coupling
    >>> check_types(Coupling(first="1", second=2, freq_freq=0.0, freq_t60=0.0, t60_freq=0.0, t60_t60=0.0))
    Traceback (most recent call last):
    ...
    ValueError: not a reading: first is '1'
    """
    kind: type = type(reading)
    for name, hint in _hints(kind):
        value = getattr(reading, name)
        if not _fits(value, hint):
            msg = f"not a reading: {name} is {value!r:.60}"
            raise ValueError(msg)


@cache
def _hints(kind: type) -> tuple[tuple[str, Any], ...]:
    hints = get_type_hints(kind)
    return tuple((field.name, hints[field.name]) for field in fields(kind))


def _fits(value: Any, hint: Any) -> bool:
    origin = get_origin(hint)
    if origin in (Union, UnionType):
        return any(_fits(value, each) for each in get_args(hint))
    if origin is Literal:
        return value in get_args(hint)
    if origin is tuple:
        return isinstance(value, tuple) and all(_fits(each, get_args(hint)[0]) for each in value)
    if origin is not None:
        return True
    if isinstance(hint, type) and is_dataclass(hint):
        if isinstance(value, hint):
            check_types(value)
        return isinstance(value, hint)
    return type(value) in ((float, int) if hint is float else (hint,))


def same(a: Reading, b: Reading) -> bool:
    """Return whether two readings are equal, where NaN equals NaN."""
    return bool(_comparable(asdict(a)) == _comparable(asdict(b)))


def _comparable(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _comparable(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_comparable(v) for v in value]
    return "nan" if isinstance(value, float) and math.isnan(value) else value
