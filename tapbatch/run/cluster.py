"""Measure on other machines with the workers of a Dask cluster, for archives that would take one machine days.

Conventions: workers measure and return results; only this process writes. All workers must have the same version of
the tool and find the recordings under the same path, so the shop must be on a shared drive. Both are checked for
every worker before anything is measured, because a worker without access would report every recording as missing. If
a worker dies, the scheduler gives its work to another; it gives up on a recording that killed several workers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from importlib import import_module
from itertools import islice
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from tapbatch import __version__
from tapbatch.measure.method import METHOD
from tapbatch.model.errors import ShopError, TapbatchError

T = TypeVar("T")
R = TypeVar("R")

ANSWERS_IN_S = 10
"""Seconds within which the scheduler, and then a worker, must answer."""

_IN_HAND = 4
_RETRIES = 2


class Cluster:
    """A crew of the workers of a Dask scheduler.

    Parameters
    ----------
    address
        The address of the scheduler, such as ``tcp://bench:8786``, or the path of a scheduler file.
    recordings
        The recordings folder, which every worker must be able to read.

    Raises
    ------
    ShopError
        On entering the context: if ``distributed`` is not installed, no scheduler answers, no worker connects, or a
        worker lacks the tool, has another version of it, or cannot see the recordings.
    """

    def __init__(self, address: str, recordings: Path) -> None:
        self._address = address
        self._recordings = recordings.absolute()
        self._client: Any = None
        self._library: Any = None

    def __enter__(self) -> Self:
        try:
            self._library = import_module("distributed")
        except ImportError as error:
            what = "the package for clusters is not installed"
            raise ShopError("--cluster", what, "install it with: pip install 'tapbatch[cluster]'") from error
        known = {"scheduler_file": self._address} if Path(self._address).is_file() else {"address": self._address}
        try:
            self._client = self._library.Client(**known, timeout=ANSWERS_IN_S)
        except (OSError, ValueError) as error:
            what = f"no scheduler answers there within {ANSWERS_IN_S} s"
            raise ShopError(self._address, what, "start one with dask scheduler, and name it as it says") from error
        try:
            self._ask_workers()
        except TapbatchError:
            self._client.close()
            raise
        return self

    def __exit__(self, _kind: type[BaseException] | None, _e: BaseException | None, _t: TracebackType | None) -> None:
        self._client.close()

    def each(self, work: Callable[[T], R], items: Iterable[T]) -> Iterator[tuple[T, R | TapbatchError]]:
        """Yield each item with its answer as it comes, or with an error if it killed several workers."""
        rest = iter(items)
        in_hand: dict[Any, T] = {}

        def hand_out(number: int) -> list[Any]:
            given = []
            for item in islice(rest, number):
                future = self._client.submit(work, item, pure=False, retries=_RETRIES)
                in_hand[future] = item
                given.append(future)
            return given

        try:
            answers = self._library.as_completed(hand_out(_IN_HAND * self._threads()))
            for future in answers:
                item = in_hand.pop(future)
                yield item, self._answer(future)
                future.release()
                for given in hand_out(max(0, _IN_HAND * self._threads() - len(in_hand))):
                    answers.add(given)
        finally:
            self._client.cancel(list(in_hand))

    def _answer(self, future: Any) -> Any:
        error = future.exception() if future.status == "error" else None
        if error is None:
            return future.result()
        what = f"no worker could measure it ({type(error).__name__})"
        return ShopError("--cluster", what, "look at the workers' logs, or run without --cluster")

    def _threads(self) -> int:
        return max(1, sum(map(int, self._client.nthreads().values())))

    def _ask_workers(self) -> None:
        try:
            self._client.wait_for_workers(1, timeout=ANSWERS_IN_S)
            said = self._client.run(look_around, str(self._recordings))
        except TimeoutError as error:
            what = f"no worker connected within {ANSWERS_IN_S} s"
            raise ShopError(
                self._address, what, "start some with dask worker --nthreads 1, then run again"
            ) from error
        except (ImportError, AttributeError, OSError, RuntimeError) as error:
            what = f"a worker does not have this version of tapbatch ({type(error).__name__}: {error})"
            raise ShopError(self._address, what, "install the same version on every worker") from error
        for worker, (version, method, sees) in said.items():
            if (version, method) != (__version__, METHOD):
                what = f"has version {version} with method {method}, but this machine has {__version__} with {METHOD}"
                raise ShopError(worker, what, "install the same version on every worker")
            if not sees:
                what = f"does not see {self._recordings}"
                raise ShopError(worker, what, "put the shop on a drive that all share, under the same path")


def look_around(recordings: str) -> tuple[str, str, bool]:
    """Return, on a worker, the versions of the tool and of the method, and whether the recordings folder is there.

    Examples
    --------
    >>> look_around("nowhere")[2]
    False
    """
    return __version__, METHOD, Path(recordings).is_dir()
