"""Say what is on the bench, begin the next step, and put single recordings elsewhere.

Conventions: the inbox is emptied first, by what was said before, so that nothing that came earlier is taken for what
is said now. Everything is done while the results are locked; an error leaves the log as it was.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from tapbatch.model.bench_log import BenchLog, Event, OnBench
from tapbatch.model.errors import ShopError
from tapbatch.model.names import identity, parse_name
from tapbatch.results.lock import hold, name_of_command
from tapbatch.run.forget import forget
from tapbatch.run.inbox import Clock, Looked, give, look_into, take_out, utc_now, waiting_event
from tapbatch.run.known import recordings_of, stages_of, step_reached, steps_of
from tapbatch.shop.folder import Shop
from tapbatch.shop.listing import list_folder
from tapbatch.shop.now_file import append, read_log
from tapbatch.shop.placing import bench_of, slip_of


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What ``tapbatch now`` is asked.

    ``fields`` are instrument, stage and words; ``on`` the modes worked on. ``next_step`` begins a step, ``undo``
    takes the last recording out of its place, ``given`` names recordings that get the place of ``fields``, or else of
    what is on the bench. ``new`` says that a name like a known one is no slip.
    """

    fields: tuple[str, ...] = ()
    on: tuple[str, ...] = ()
    next_step: bool = False
    undo: bool = False
    given: tuple[str, ...] = ()
    new: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What came of it: the look into the inbox, what is on the bench, and what was moved.

    ``at`` is the time of the answer. ``lapses_at`` is when what is on the bench lapses. ``lapsed`` is what was there
    until it did. ``is_new`` tells that the stage has no recordings yet.
    """

    at: datetime
    looked: Looked
    bench: OnBench | None
    lapsed: OnBench | None
    lapses_at: datetime | None
    is_new: bool = False
    taken_out: Event | None = None
    given: tuple[Event, ...] = ()


def answer(
    shop: Shop,
    asked: Asked,
    clock: Clock = utc_now,
    say: Callable[[str], None] = lambda _line: None,
    doing: str = "",
) -> Answered:
    """Do what ``tapbatch now`` is asked, and say what is on the bench then.

    Parameters
    ----------
    shop
        The shop, as opened.
    asked
        What is asked; nothing asks only what is on the bench.
    clock
        Returns the time, aware; default that of the system.
    say
        Called with one line if it has to wait for a run to end.
    doing
        Who asks, as others who wait are told; default the command that runs.

    Raises
    ------
    ShopError
        If it cannot be done; nothing is changed then.
    NamingError
        If the words name no place for recordings.
    """
    with hold(shop.results_dir, doing or name_of_command(), say):
        done = _answer(shop, asked, clock)
    if done.taken_out is not None:
        forget(shop, [done.taken_out.recording], say)
    return done


def _answer(shop: Shop, asked: Asked, clock: Clock) -> Answered:
    bench = asked_bench(shop, asked) if asked.fields else None
    looked = look_into(shop, clock)
    now, log = clock(), looked.log
    taken_out: Event | None = None
    given: tuple[Event, ...] = ()
    is_new = False
    if asked.undo:
        taken_out = _undo(shop, log, clock)
    elif asked.given:
        place = bench or log.on_bench(now)
        if place is None:
            raise ShopError("now", "nothing is on the bench", "say where they belong: INSTRUMENT STAGE --give NAME")
        given = tuple(give(shop, named(shop, log, name), place, clock) for name in asked.given)
    elif asked.next_step:
        _begin_step(shop, log, now)
    elif bench is not None:
        is_new = identity(bench.stage) not in map(identity, stages_of(recordings_of(shop), bench.instrument))
        append(shop.root, Event(at=now, what="now", bench=bench))
    after = look_into(shop, clock)
    return Answered(
        at=now,
        looked=replace(after, placed=(*looked.placed, *after.placed)),
        bench=after.log.on_bench(clock()),
        lapsed=after.log.lapsed(clock()),
        lapses_at=after.log.lapses_at(clock()),
        is_new=is_new,
        taken_out=taken_out,
        given=given,
    )


def asked_bench(shop: Shop, asked: Asked) -> OnBench:
    """Return what the words name; of a series without a number, the step that it has reached.

    Raises
    ------
    ShopError
        If a mode has no such label, or if a name is likely a slip (:class:`LikelySlipError`) and not said to be new.
    NamingError
        If the words name no place for recordings.
    """
    on = _labels(shop, asked)
    bench = bench_of(list(asked.fields), on, shop.extra_parts)
    known = recordings_of(shop)
    if not asked.new:
        _ask_back("instrument", bench.instrument, tuple(dict.fromkeys(r.instrument for r in known)))
        _ask_back("stage", bench.stage, stages_of(known, bench.instrument))
    numbered = parse_name("/".join((*asked.fields, "x.wav")), shop.extra_parts).step_number
    if not bench.step or numbered:
        return bench
    # A series goes on with the step that it has reached: only the maker begins the next.
    log, _ = read_log(shop.root)
    return replace(bench, step=step_reached(bench, log, steps_of(known), shop.extra_parts))


class LikelySlipError(ShopError):
    """A name of a ``kind``, instrument or stage, that is likely a slip for a known one, which is ``like``."""

    def __init__(self, what: str, name: str, like: str) -> None:
        self.kind, self.like = what, like
        super().__init__(
            name, f"is no {what} yet; did you mean {like}?", "write that, or add --new if it is a new one"
        )


def _ask_back(what: str, name: str, known: tuple[str, ...]) -> None:
    like = slip_of(name, known)
    if like:
        raise LikelySlipError(what, name, like)


def _labels(shop: Shop, asked: Asked) -> tuple[str, ...]:
    if len(asked.on) > 2:
        raise ShopError("--on", f"names {len(asked.on)} modes", "name at most two")
    known = [m.label for m in shop.settings_of(asked.fields[0]).mode]
    for label in asked.on:
        if label not in known:
            near = difflib.get_close_matches(label, known, n=1, cutoff=0.0)
            remedy = f"did you mean {near[0]}?" if near else "give a mode a label in the settings of the instrument"
            raise ShopError("--on", f"no mode is labelled '{label}'", remedy)
    return asked.on


def _undo(shop: Shop, log: BenchLog, clock: Clock) -> Event:
    last = log.last(1)
    if not last:
        raise ShopError("--undo", "no recording came from the inbox", "there is nothing to take out")
    take_out(shop, last[0], clock)
    return last[0]


def _begin_step(shop: Shop, log: BenchLog, now: datetime) -> None:
    bench = log.on_bench(now)
    if bench is None:
        raise ShopError("--next", "nothing is on the bench", "say INSTRUMENT STAGE step")
    if not bench.step:
        raise ShopError("--next", f"{bench.folder} is not a series of steps", "say INSTRUMENT STAGE step")
    refuse_empty_step(log, bench)
    append(shop.root, Event(at=now, what="next"))


def refuse_empty_step(log: BenchLog, bench: OnBench) -> None:
    """Refuse to begin the next step of a series while the present one has no recording.

    Raises
    ------
    ShopError
        If it has none.
    """
    here = (bench.series, bench.step)
    if not any(e.bench is not None and (e.bench.series, e.bench.step) == here for e in log.placed.values()):
        raise ShopError("--next", f"step {bench.step} has no recording yet", "record it first")


def named(shop: Shop, log: BenchLog, name: str) -> Event:
    """Return the recording that a name means: one that waits in the inbox, else one of the last ten.

    The name may be as the list of what waits shows it, and without its folder where only one has it.

    Raises
    ------
    ShopError
        If no recording has that name, or several have.
    """
    name = name.removeprefix("inbox/")
    here = frozenset(list_folder(shop.inbox_dir).files)
    last = {key: event for event in reversed(log.last()) for key in (event.original, event.recording)}
    if name not in here and name not in last:
        alike = sorted(path for path in {*here, *last} if path.rpartition("/")[2] == name)
        if len(alike) > 1:
            raise ShopError(name, f"may be {' or '.join(alike)}", "name it with its folder")
        name = alike[0] if alike else name
    if name in last:
        # A phone may use a name again: a later file of that name waits, though the earlier one has its place.
        later = waiting_event(shop, name) if name in here else None
        is_later = later is not None and (name, later.mark) not in log.handled_files
        return later if later is not None and is_later else last[name]
    return waiting_event(shop, name)
