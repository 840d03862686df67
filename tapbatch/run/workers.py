"""Apply a function to many items, in this process or in several worker processes, with the same results.

Conventions: a crew takes a function and items, and yields each item with its answer as soon as it is ready, in any
order. Functions and items are sent to other processes, so they must be module-level functions and plain values.
Workers read and never write; only the process that has locked the results writes. Each process uses one
linear-algebra thread, because nested threads slow down small matrices. A worker whose parent process was killed
exits.
"""

from __future__ import annotations

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from itertools import islice
from multiprocessing import active_children, get_context, parent_process
from multiprocessing.process import BaseProcess
from types import TracebackType
from typing import Protocol, Self, TypeVar

from tapbatch.model.errors import ShopError, TapbatchError

T = TypeVar("T")
R = TypeVar("R")

WORTH_A_CREW = 24
"""The number of recordings from which several processes save time: starting one takes as long as measuring ten."""

_IN_HAND = 4


class Crew(Protocol):
    """An object that applies a function to many items."""

    def each(self, work: Callable[[T], R], items: Iterable[T]) -> Iterator[tuple[T, R | TapbatchError]]:
        """Yield each item with its answer, in any order; the answer is an error if its process was lost."""


class Alone:
    """A crew that works in this process, one item after the other.

    Examples
    --------
    >>> list(Alone().each(abs, [-1, 2]))
    [(-1, 1), (2, 2)]
    """

    def each(self, work: Callable[[T], R], items: Iterable[T]) -> Iterator[tuple[T, R]]:
        """Yield each item with its answer, in the order given."""
        for item in items:
            yield item, work(item)


class Processes:
    """A crew of several processes on this machine, started when the first item arrives.

    Parameters
    ----------
    number
        How many processes.
    """

    def __init__(self, number: int) -> None:
        self.number = number
        self._pool: ProcessPoolExecutor | None = None
        self._others: frozenset[BaseProcess] = frozenset()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None) -> None:
        if self._pool is None:
            return
        if kind is not None:
            # The user is waiting for the prompt: abandon the items in progress. The processes end first, so that the
            # pool does not write to one that is being killed.
            end_all_but(self._others)
        self._pool.shutdown(wait=True, cancel_futures=True)

    def each(self, work: Callable[[T], R], items: Iterable[T]) -> Iterator[tuple[T, R | TapbatchError]]:
        """Yield each item with its answer as it comes; few are in progress at a time, so memory use stays constant.

        If a process is killed (out of memory, or a decoder crashed), the items in progress are done again, each in a
        process of its own. An item that kills that process too gets an error as its answer.
        """
        rest = iter(items)
        waiting: deque[T] = deque()
        in_hand: dict[Future[R], T] = {}
        while True:
            try:
                waiting.extend(islice(rest, _IN_HAND * self.number - len(in_hand) - len(waiting)))
                while waiting:
                    future = submit(self._started(), work, waiting[0])
                    in_hand[future] = waiting.popleft()
                if not in_hand:
                    return
                done, _ = wait(in_hand, return_when=FIRST_COMPLETED)
                for future in done:
                    answer = future.result()
                    yield in_hand.pop(future), answer
            except BrokenProcessPool:
                self._pool = None
                suspects = list(in_hand.values())
                in_hand.clear()
                for item in suspects:
                    yield item, _alone(work, item)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            one_thread()
            self._others = living()
            self._pool = new_pool(self.number)
        return self._pool


def _alone(work: Callable[[T], R], item: T) -> R | TapbatchError:
    """Return the answer for one item, worked out in a process of its own."""
    try:
        with new_pool(1) as pool:
            return submit(pool, work, item).result()
    except BrokenProcessPool:
        what = "the process that worked on it was ended from outside, perhaps for lack of memory"
        return ShopError("--jobs", what, "run again with --jobs 1; if it stays so, keep the file and report it")


def new_pool(number: int) -> ProcessPoolExecutor:
    """Return a pool of so many processes, each of which ignores Ctrl-C and exits when this process does.

    Raises
    ------
    ShopError
        If the system has no room for one, for example because too many files are open.
    """
    try:
        return ProcessPoolExecutor(number, mp_context=get_context("spawn"), initializer=_begin_worker)
    except OSError as error:
        raise _no_room(error.strerror or str(error)) from error


def submit(pool: ProcessPoolExecutor, work: Callable[[T], R], item: T) -> Future[R]:
    """Submit an item to a pool, which may start a process for it; Ctrl-C takes effect afterwards.

    Raises
    ------
    ShopError
        If the system cannot start another process.
    BrokenProcessPool
        If a process of the pool was killed.
    """
    try:
        with undisturbed():
            return pool.submit(work, item)
    except OSError as error:
        raise _no_room(error.strerror or str(error)) from error
    except BrokenProcessPool:
        raise
    except RuntimeError as error:
        # The system gives no thread more.
        raise _no_room(str(error)) from error


def _no_room(why: str) -> ShopError:
    what = f"one more process could not be started ({why})"
    return ShopError("--jobs", what, "run again with --jobs 1, or when the machine is less busy")


def one_thread() -> None:
    """Limit numeric libraries that are not imported yet, here or in later workers, to one thread each."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def cores() -> int:
    """Return how many processor cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def living() -> frozenset[BaseProcess]:
    """Return the running child processes of this process."""
    return frozenset(active_children())


def end_all_but(others: frozenset[BaseProcess]) -> None:
    """Kill the child processes of this process that are not in ``others``."""
    for process in living() - others:
        # They write nothing that could be cut, and a suspended process ends only if it is killed.
        process.kill()


@contextmanager
def undisturbed() -> Iterator[None]:
    """Block Ctrl-C here and in processes started meanwhile: during their start it would end them with a traceback.

    Examples
    --------
    >>> with undisturbed():
    ...     pass
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin_worker() -> None:
    """Prepare a worker to ignore Ctrl-C, which its parent handles, and to exit when its parent does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
