"""Describe actions as values: what is done to a shop, and with what.

Conventions: an action holds plain JSON values only, so that it can be logged and compared. Names are paths below
``recordings/`` as Python reads them from the system (bytes that are not UTF-8 as half characters, PEP 383). If an
action needs bytes, they are made from its number. A delay is in seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

PLACES = ("shop.toml", "notes.csv", "instruments/lyre-2.toml")
"""The files that a builder edits."""


@dataclass(frozen=True)
class Action:
    """One thing that is done.

    ==========  ==========================================================================================
    kind        ``what``
    ==========  ==========================================================================================
    drop        ``name``, ``sound`` (see :mod:`tests.survival.fuzz.bombs`), ``number``: a file arrives
    remove      ``name``: a recording is deleted
    rename      ``name``, ``to``
    edit        ``place``, ``text``: settings or notes are written
    damage      ``target``, ``how``, ``number``: a kept file or a table is damaged
    plant       ``what`` (see :mod:`tests.survival.fuzz.plants`), ``number``
    run         ``jobs``, ``excel``, ``trouble``, ``events``; ``ready``: whether ``shop.toml`` is understood
    watch       ``events``; ``starts``: as ``ready``; ``poll``; ``ends``: "stopped" or "killed", ``after_s``;
                ``sentinel``: the number of one more recording, for whose reading the fuzzer waits
    read        ``names``
    compare     ``instrument``
    forget      ``names``
    ==========  ==========================================================================================

    ``events`` are pairs of a delay and an action that is done while the command runs.
    """

    kind: str
    what: dict[str, Any] = field(default_factory=dict)

    def plain(self) -> dict[str, Any]:
        """Return the action as a dict for JSON."""
        inner = dict(self.what)
        if "events" in inner:
            inner["events"] = [[delay_s, event.plain()] for delay_s, event in self.what["events"]]
        return {"kind": self.kind, **inner}
