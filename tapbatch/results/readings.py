"""What is known of one recording, as JSON and back: the codec of readings.

A reading is a pure function of a recording's bytes, the settings that matter (band, mains, kind) and the version of
the method. It is kept under the hash of those (:func:`reading_key`; the files are the work of
:mod:`~tapbatch.results.store`). Tables are always derived from readings and never read back. The codec is written by
hand since it runs for each reading at each run, and pydantic takes several times as long.
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
    """Return the name under which a reading is kept.

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
    # Field by field and not through ``asdict``, whose deep copies take longer than the writing.
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
        Where the text is not a reading.
    """
    try:
        data = json.loads(text, parse_float=_NUMBERS.__getitem__)
        data["taps"] = tuple(_tap_reading(t) for t in data["taps"])
        data["notices"] = tuple(map(notice_from_plain, data["notices"]))
        data["spectrum"] = None if data["spectrum"] is None else Spectrum(**_tupled(data["spectrum"]))
        data["trace"] = None if data["trace"] is None else DecayTrace(**_tupled(data["trace"]))
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
        # What a version of the method did not measure yet is not known; its readings are kept all the same.
        tone=None if data.get("tone") is None else StringTone(**data["tone"]),
    )


def _tupled(data: dict[str, Any]) -> dict[str, Any]:
    return {key: tuple(value) if isinstance(value, list) else value for key, value in data.items()}


class _Numbers(dict[str, float]):
    """Numbers by their text, those of few digits one object each.

    The lines of charts are most of a reading, rounded to what the eye can see: some thousands of numbers make up
    those of a thousand recordings, which so take a third of the memory.
    """

    def __missing__(self, text: str) -> float:
        number = float(text)
        if len(text) <= _FEW_DIGITS:
            self[text] = number
        return number


_FEW_DIGITS = 7
_NUMBERS = _Numbers()


def check_types(reading: Any) -> None:
    """Check that each value in a reading, or in a part of one, has the type that its field asks for.

    Only readings without a checksum need it, those of version 0.1.

    Raises
    ------
    ValueError
        Where one has not.

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
    """Tell whether two readings are equal, NaN being equal to NaN."""
    return bool(_comparable(asdict(a)) == _comparable(asdict(b)))


def _comparable(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _comparable(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_comparable(v) for v in value]
    return "nan" if isinstance(value, float) and math.isnan(value) else value
