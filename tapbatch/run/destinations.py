"""What a phone asks of recordings and their places: each request names its own destination.

Conventions: a destination is instrument, stage, words and step, whatever is on the bench. Everything is done while
the results are locked, and waits for a run to end; an error leaves all as it was. A step is begun once, however often
it is asked for: who asks from an earlier step gets the one that was reached since.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from dataclasses import dataclass, replace

from tapbatch.model.bench_log import Event, OnBench
from tapbatch.model.errors import NamingError, ShopError
from tapbatch.model.names import identity, is_passing_name
from tapbatch.results.lock import A_PHONE, hold
from tapbatch.run.forget import forget
from tapbatch.run.inbox import Clock, give, look_into, take_out, utc_now
from tapbatch.run.known import recordings_of, step_reached, steps_of
from tapbatch.run.now import Asked, asked_bench, named, refuse_empty_step
from tapbatch.shop.folder import Shop
from tapbatch.shop.now_file import append, read_log

_MOST_BYTES = 120
_MOST_WORDS = 8

Say = Callable[[str], None]


def _silent(_line: str) -> None:
    """Say nothing: what a phone asks for waits quietly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Destination:
    """Where recordings belong, as a phone says it; ``step`` 0 is none, or the present one if a word is ``step``."""

    instrument: str
    stage: str
    words: tuple[str, ...] = ()
    step: int = 0
    on: tuple[str, ...] = ()


def bench_for(shop: Shop, destination: Destination, *, new: bool = True) -> OnBench:
    """Return what a destination names; of a series without a number, the step that it has reached.

    Parameters
    ----------
    shop
        The shop, as opened.
    destination
        What the phone says.
    new
        Whether names that are likely slips are meant as they are.

    Raises
    ------
    ShopError
        If a mode has no such label, or a name is likely a slip and not said to be new.
    NamingError
        If it names no place for recordings.
    """
    return asked_bench(shop, asked_of(destination, new=new))


def asked_of(destination: Destination, *, new: bool) -> Asked:
    """Return a destination in the words of ``tapbatch now``; ``new`` as for :func:`bench_for`.

    Raises
    ------
    NamingError
        If a name is odd (:func:`refuse_odd`).

    Examples
    --------
    >>> there = Destination(instrument="lute-3", stage="voicing", words=("closed", "step"), step=2)
    >>> asked_of(there, new=False).fields
    ('lute-3', 'voicing', 'closed', 'step 2')
    """
    refuse_odd(destination)
    numbered = (f"step {destination.step}",) if destination.step else ()
    words = tuple(w for w in destination.words if not numbered or identity(w) != "step")
    fields = (destination.instrument, destination.stage, *words, *numbered)
    return Asked(fields=fields, on=destination.on, new=new)


def refuse_odd(destination: Destination) -> None:
    """Refuse names that some file system or spreadsheet would not keep as they are.

    Raises
    ------
    NamingError
        If there is one.

    Examples
    --------
    >>> refuse_odd(Destination(instrument="lute-3", stage=".hidden"))
    Traceback (most recent call last):
    ...
    tapbatch.model.errors.NamingError: .hidden: cannot be the name of a folder; use letters, figures, hyphens and ...
    """
    if len(destination.words) > _MOST_WORDS:
        raise NamingError("words", f"{len(destination.words)} words are too many", f"use {_MOST_WORDS} at most")
    for name in (destination.instrument, destination.stage, *destination.words, *destination.on):
        shown = "".join(c if c.isprintable() else "?" for c in name)[:40]
        if len(name.encode(errors="replace")) > _MOST_BYTES:
            raise NamingError(shown, "is too long a name", "use 40 letters at most")
        odd = any(map(_is_odd, name))
        if not name.strip() or odd or name != name.strip() or name.endswith(".") or is_passing_name(name):
            raise NamingError(shown or "a name", "cannot be the name of a folder", _HARMLESS)


def _is_odd(c: str) -> bool:
    # Some scripts need the joiners; what else cannot be seen makes names look like others.
    unseen = unicodedata.category(c) in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") and c not in "\u200c\u200d"
    return unseen or c in '<>:"|?*\\/'


_HARMLESS = "use letters, figures, hyphens and spaces"


def begin_step(shop: Shop, destination: Destination, clock: Clock = utc_now, say: Say = _silent) -> OnBench:
    """Begin the next step of a series and return it; one that was begun since ``destination.step`` is not passed.

    Raises
    ------
    ShopError
        If it is no series, or if its present step has no recording yet.
    """
    bench = bench_for(shop, destination)
    if not bench.step:
        raise ShopError(bench.folder, "is not a series of steps", "choose step first")
    with hold(shop.results_dir, A_PHONE, say):
        # What came earlier belongs to the step that ends, as for `tapbatch now --next`.
        log = look_into(shop, clock).log
        reached = step_reached(bench, log, steps_of(recordings_of(shop)), shop.extra_parts)
        if reached > bench.step:
            return replace(bench, step=reached)
        refuse_empty_step(log, bench)
        bench = replace(bench, step=bench.step + 1)
        append(shop.root, Event(at=clock(), what="next", bench=bench))
    return bench


def give_place(
    shop: Shop,
    name: str,
    destination: Destination,
    clock: Clock = utc_now,
    say: Say = _silent,
    *,
    new: bool = True,
) -> Event:
    """Give a recording another place: one that came from the inbox, or one that waits there.

    Parameters
    ----------
    name
        Its path below ``recordings/``, or that of its original below the inbox.
    new
        As for :func:`bench_for`.

    Raises
    ------
    ShopError
        If there is no such recording, if it cannot be copied, or as for :func:`bench_for`.
    """
    bench = bench_for(shop, destination, new=new)
    with hold(shop.results_dir, A_PHONE, say):
        log, _ = read_log(shop.root)
        event = named(shop, log, name)
        if event.bench is not None and event.recording and event.bench.folder == bench.folder:
            return event
        return give(shop, event, bench, clock)


def take_back(shop: Shop, recording: str, clock: Clock = utc_now, say: Say = _silent) -> Event:
    """Take a recording out of its place, and forget its reading; the original stays.

    Parameters
    ----------
    recording
        Its path below ``recordings/``.

    Raises
    ------
    ShopError
        If no such recording came from the inbox, or if it cannot be taken out.
    """
    with hold(shop.results_dir, A_PHONE, say):
        log, _ = read_log(shop.root)
        event = log.placed.get(recording)
        if event is None:
            raise ShopError(recording, "did not come from the inbox", "move it by hand")
        take_out(shop, event, clock)
    forget(shop, [event.recording], say)
    return event


def reword(
    shop: Shop, recording: str, *, resets: bool, spot: str, clock: Clock = utc_now, say: Say = _silent
) -> Event:
    """Say of a recording whether it was set up anew in its pauses, and at which spot: its copy moves accordingly.

    Parameters
    ----------
    recording
        Its path below ``recordings/``.
    resets
        Whether everything was put down and set up anew in each pause.
    spot
        A word such as ``spot-window``, or empty.

    Raises
    ------
    ShopError
        If no such recording came from the inbox, or if it cannot be moved.
    NamingError
        If the spot is no word that names use.
    """
    log, _ = read_log(shop.root)
    event = log.placed.get(recording)
    if event is None or event.bench is None:
        raise ShopError(recording, "did not come from the inbox", "move it by hand")
    said = (*(("resets",) if resets else ()), *((spot,) if spot else ()))
    if spot and not identity(spot).startswith("spot-"):
        raise NamingError(spot, "is not a spot", "call it spot- and a name, such as spot-window")
    kept = tuple(w for w in event.bench.words if identity(w) != "resets" and not identity(w).startswith("spot-"))
    bench = event.bench
    there = Destination(
        instrument=bench.instrument, stage=bench.stage, words=(*kept, *said), step=bench.step, on=bench.on
    )
    return give_place(shop, recording, there, clock, say)
