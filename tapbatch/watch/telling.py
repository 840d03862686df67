"""Print what a watch reports, and tell the served page which instrument was read last."""

from __future__ import annotations

import sys

from tapbatch.model.history import History
from tapbatch.model.reading import Attention
from tapbatch.run.one_pass import Outcome
from tapbatch.run.telling import print_outcome
from tapbatch.shop.folder import Shop
from tapbatch.show.terminal.readings import print_attention, print_lines, print_notices
from tapbatch.watch.serving import Live


class AtTerminal:
    """Tells what happens at the terminal; with ``full``, all that is known of each instrument."""

    def __init__(self, live: Live, *, full: bool = False) -> None:
        self._live = live
        self._full = full

    def began(self, outcome: Outcome) -> None:
        """Report what was there at the start."""
        print_outcome(outcome)
        print_attention(outcome.attention)
        print_lines(["watching; drop recordings in, Ctrl-C ends"])
        sys.stdout.flush()

    def arrived(self, history: History, path: str, shop: Shop) -> None:
        """Report the reading of a new recording."""
        from tapbatch.show.browser.article import row_id
        from tapbatch.show.terminal.told import arrival_lines

        self._live.latest = row_id(history.instrument)
        steady_cents = shop.settings_of(history.instrument).steady_cents
        print_lines(arrival_lines(history, path, steady_cents, full=self._full))
        sys.stdout.flush()

    def aimed(self, history: History, shop: Shop) -> None:
        """Report how far it is to a target that was just saved."""
        from tapbatch.show.terminal.told import history_lines

        print_lines(history_lines(history, shop.settings_of(history.instrument).steady_cents, full=self._full))
        sys.stdout.flush()

    def attention(self, items: tuple[Attention, ...]) -> None:
        """Report what needs the builder's attention."""
        print_attention(items)

    def note(self, text: str) -> None:
        """Report anything else."""
        print_notices([text])
