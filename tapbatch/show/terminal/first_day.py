"""The first day of a shop: three questions at a terminal, each with a default, and what to do next.

Conventions: nothing is asked where nobody sits at a terminal. An answer that is not understood is asked again.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Literal, TypeVar

from tapbatch.model.names import identity
from tapbatch.model.settings import InstrumentSettings
from tapbatch.shop.template import FirstDay

_LOWEST_HZ, _HIGHEST_HZ = 380.0, 470.0

T = TypeVar("T")


def asked(ask: Callable[[str], str] | None = None) -> FirstDay:
    """Return what a new shop builds, and its concert pitch and paper.

    Parameters
    ----------
    ask
        Asks one question and returns the answer; default at the terminal, or nothing where there is none.

    Examples
    --------
    >>> answers = iter(["Cittern", "A431", "431", ""])
    >>> asked(lambda question: next(answers))
    FirstDay(builds='Cittern', concert_pitch_hz=431.0, paper='A4')
    """
    if ask is None:
        if not (sys.stdin.isatty() and sys.stdout.isatty()):
            return FirstDay()
        ask = input
    usual = InstrumentSettings()
    return FirstDay(
        builds=_asked(ask, "What do you build", FirstDay().builds, lambda text: text if identity(text) else None),
        concert_pitch_hz=_asked(ask, "Concert pitch, A4 in hertz", f"{usual.concert_pitch_hz:g}", _pitch),
        paper=_asked(ask, "Paper, A4 or Letter", usual.paper, _paper),
    )


def next_lines(shop: Path, first: FirstDay) -> list[str]:
    """Return the next two things to do.

    Examples
    --------
    >>> for line in next_lines(Path("my-shop"), FirstDay(builds="Cittern")):
    ...     print(line)
    Next, say what is on the bench:   tapbatch now cittern-01 01-top-joined top my-shop
    Then tap, let the recording fall into my-shop/inbox, and run:   tapbatch watch my-shop
    """
    name = f"{identity(first.builds)}-01"
    return [
        f"Next, say what is on the bench:   tapbatch now {name} 01-top-joined top {shop}",
        f"Then tap, let the recording fall into {shop / 'inbox'}, and run:   tapbatch watch {shop}",
    ]


def _asked(ask: Callable[[str], str], question: str, usual: str, read: Callable[[str], T | None]) -> T:
    while True:
        answer = read(ask(f"{question} [{usual}]: ").strip() or usual)
        if answer is not None:
            return answer


def _pitch(text: str) -> float | None:
    try:
        pitch = float(text.replace(",", ".").removesuffix("Hz").strip())
    except ValueError:
        return None
    return pitch if _LOWEST_HZ <= pitch <= _HIGHEST_HZ else None


def _paper(text: str) -> Literal["A4", "Letter"] | None:
    papers: dict[str, Literal["A4", "Letter"]] = {"a4": "A4", "letter": "Letter"}
    return papers.get(text.casefold())
