"""Several things in one sentence: ``a, b and c``, and how many there are of one.

Conventions: pieces come as words and are joined as they are; there is no comma before the last.
"""

from __future__ import annotations

from collections.abc import Sequence


def joined_text(pieces: Sequence[str], last: str = "and") -> str:
    """Return things as a sentence names them; ``last`` is the word before the last one. Empty without any.

    Examples
    --------
    >>> joined_text(["set-up", "weather", "the cut"], "or"), joined_text(["its volume"]), joined_text([])
    ('set-up, weather or the cut', 'its volume', '')
    """
    *others, end = pieces or ("",)
    return f"{', '.join(others)} {last} {end}" if others else end


def count_text(count: int, name: str) -> str:
    """Return how many there are of something.

    Examples
    --------
    >>> count_text(1, "covered tap"), count_text(5, "stage")
    ('1 covered tap', '5 stages')
    """
    return f"{count} {name}{'' if count == 1 else 's'}"
