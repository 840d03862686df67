"""What tests check of an error, whatever its wording: its class, its place, the values it names, one line.

Conventions: a value is what came from the sound, the file or the setting: a number, a name, an option. The words
around it are not checked, so that a sentence can be improved without changing a test.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tapbatch.model.errors import TapbatchError
from tapbatch.model.reading import Attention

Told = TapbatchError | Attention
Caught = pytest.ExceptionInfo[TapbatchError]


def misses(text: str, *values: object) -> list[str]:
    """Return the values that a text does not name; only a whole word or number counts: 3 is not in 31."""
    return [str(value) for value in values if not re.search(rf"(?<![\w.]){re.escape(str(value))}(?!\w|\.\d)", text)]


def check(told: Told, where: object, *values: object) -> None:
    """Check that an error names its place and all values, and that its parts are filled in and fit one line."""
    assert misses(told.where, where) == []
    assert misses(f"{told.what}; {told.remedy}", *values) == []
    for part in (told.where, told.what, told.remedy):
        assert part == " ".join(part.split())
    assert min(len(told.what), len(told.remedy)) > 3


@contextmanager
def refused(kind: type[TapbatchError], where: object, *values: object) -> Iterator[Caught]:
    """Expect an error of exactly this class that passes :func:`check`."""
    with pytest.raises(kind) as caught:
        yield caught
    assert type(caught.value) is kind
    check(caught.value, where, *values)


def cause(told: Told) -> str:
    """Return what is wrong, without the values, to tell one cause from another.

    Examples
    --------
    >>> one, other = (TapbatchError("a", f"the number '{n}' is out of place", "move it") for n in (2, 3))
    >>> cause(one) == cause(other)
    True
    """
    return re.sub(r"'[^']*'|\([^)]*\)|\d+(?:\.\d+)?", "…", told.what)
