"""Read the notices of version 0.1, which kept them as sentences.

A recording that is gone cannot be measured again, so its reading keeps the sentences that 0.1 wrote. Every sentence
that 0.1 could write is understood here. Any other text becomes a notice of kind ``other``, never an error.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from tapbatch.model.notice import Notice

_NUMBER = r"(-?[0-9]+(?:\.[0-9]+)?)"

_SENTENCES: tuple[tuple[str, Callable[[re.Match[str]], Notice]], ...] = (
    (
        rf"the file is cut: {_NUMBER} of {_NUMBER} s are there",
        lambda m: Notice("cut", there_s=float(m[1]), promised_s=float(m[2])),
    ),
    (rf"the file is cut: {_NUMBER} s are there, and no end", lambda m: Notice("cut", there_s=float(m[1]))),
    (r"damaged: ([0-9]+) of its pieces could not be decoded", lambda m: Notice("damaged", count=int(m[1]))),
    (
        r"stereo: the (left|right) channel is used",
        lambda m: Notice("channel", number=1 if m[1] == "left" else 2, count=2),
    ),
    (
        r"([0-9]+) channels: channel ([0-9]+) is used",
        lambda m: Notice("channel", number=int(m[2]), count=int(m[1])),
    ),
    (r"lossy codec \((.*)\)", lambda m: Notice("lossy codec", name=m[1])),
    (r"low sample rate \(([0-9]+) Hz\)", lambda m: Notice("low sample rate", rate_hz=int(m[1]))),
    (
        rf"low sample rate: heard up to {_NUMBER} Hz only",
        lambda m: Notice("low sample rate", highest_hz=float(m[1])),
    ),
    (r"non-finite samples \(([0-9]+) set to 0\)", lambda m: Notice("non-finite samples", count=int(m[1]))),
    (r"silence", lambda _: Notice("silence")),
    (r"clipped", lambda _: Notice("clipped")),
    (r"no tap: nothing in it could be measured", lambda _: Notice("no tap")),
    (
        rf"crowded: what comes after {_NUMBER} minutes is left out",
        lambda m: Notice("crowded", there_s=60.0 * float(m[1])),
    ),
    (r"automatic gain: the noise floor breathes", lambda _: Notice("automatic gain")),
)


def notice_of_0_1(sentence: str) -> Notice:
    """Return the notice for a sentence of version 0.1.

    Examples
    --------
    >>> notice_of_0_1("clipped").kind
    'clipped'
    >>> notice_of_0_1("came on tape").kind
    'other'
    """
    for pattern, made in _SENTENCES:
        found = re.fullmatch(pattern, sentence, re.DOTALL)
        if found:
            return made(found)
    return Notice("other", text=sentence)
