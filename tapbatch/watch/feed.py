"""What a watch tells, numbered, for phones that wait for it.

Conventions: items count from 1, anew at each start of a watch. The last ``KEPT`` are kept. Whoever asks for what came
after an item waits until there is something newer, for a limited time.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field, replace
from threading import Condition
from typing import Any

from tapbatch.model.history import History
from tapbatch.model.names import is_sound_name
from tapbatch.model.reading import Attention
from tapbatch.run.one_pass import Outcome
from tapbatch.shop.folder import Shop
from tapbatch.show.terminal.phone_reading import PhoneReading, phone_reading
from tapbatch.watch.watching import Teller

KEPT = 20


@dataclass(slots=True)
class Feed:
    """Numbered readings; ``sent`` are the recordings that phones have sent, of which none is left out.

    Examples
    --------
    >>> feed = Feed()
    >>> feed.add(PhoneReading(recording="lute-3/voicing/a.m4a"))
    >>> feed.after(0, wait_s=0.0)[0], feed.after(1, wait_s=0.0)
    (1, (1, []))
    """

    latest: int = 0
    sent: set[str] = field(default_factory=set)
    _kept: deque[tuple[int, PhoneReading, str]] = field(default_factory=lambda: deque(maxlen=KEPT))
    _news: Condition = field(default_factory=Condition)
    _closed: bool = False

    def add(self, reading: PhoneReading, original: str = "") -> None:
        """Add a reading, and wake those who wait; ``original`` is its name in the inbox."""
        with self._news:
            self.latest += 1
            self._kept.append((self.latest, reading, original))
            self._news.notify_all()

    def after(self, number: int, wait_s: float) -> tuple[int, list[dict[str, Any]]]:
        """Return the number of the latest reading, and those after ``number``, once there are any.

        Parameters
        ----------
        number
            The latest that is known; one beyond the latest there is, from before a new start, does not wait.
        wait_s
            How long to wait at most, in seconds.
        """
        with self._news:
            self._news.wait_for(lambda: self.latest != number or self._closed, timeout=wait_s)
            newer = [
                {"n": n, **asdict(reading), "original": original} for n, reading, original in self._kept if n > number
            ]
            return self.latest, newer

    def close(self) -> None:
        """Let nobody wait any more."""
        with self._news:
            self._closed = True
            self._news.notify_all()


class ToPhone:
    """Tells what another teller tells, and puts readings and what could not be used into a feed.

    What was there at the start is left out, unless a phone sent it.
    """

    def __init__(self, teller: Teller, feed: Feed) -> None:
        self._teller, self._feed = teller, feed

    def began(self, outcome: Outcome) -> None:
        """Report what was there at the start."""
        self._teller.began(outcome)
        self._tell_troubles(item for item in outcome.attention if item.where in self._feed.sent)

    def arrived(self, history: History, path: str, shop: Shop) -> None:
        """Report the reading of a new recording."""
        self._teller.arrived(history, path, shop)
        steady_cents = shop.settings_of(history.instrument).steady_cents
        self._feed.add(phone_reading(history, path, steady_cents), _original(shop, path))

    def aimed(self, history: History, shop: Shop) -> None:
        """Report how far it is to a target that was just saved."""
        self._teller.aimed(history, shop)

    def attention(self, items: tuple[Attention, ...]) -> None:
        """Report what needs the builder's attention."""
        self._teller.attention(items)
        self._tell_troubles(items)

    def _tell_troubles(self, items: Iterable[Attention]) -> None:
        for item in (item for item in items if is_sound_name(item.where)):
            trouble = PhoneReading(recording=item.where, trouble=f"{item.what}; {item.remedy}")
            if item.where.startswith("inbox/"):
                self._feed.add(replace(trouble, recording=""), item.where.removeprefix("inbox/"))
            else:
                self._feed.add(trouble)

    def note(self, text: str) -> None:
        """Report anything else."""
        self._teller.note(text)


def _original(shop: Shop, path: str) -> str:
    event = shop.log.placed.get(path)
    return event.original if event is not None else ""
