"""Draw all actions of a round before the first one is done.

Conventions: the random generator of a round depends only on the seed and the number of the round. So a round can be
played again without the rounds before it, and timing does not change the actions. The plan keeps its own list of the
recordings that exist, so that it removes and renames only those.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

from tests.survival.fuzz import damage, edits, names, plants
from tests.survival.fuzz.actions import PLACES, Action
from tests.survival.fuzz.bombs import HEAVY, KINDS

ACTIONS = 12
"""How many actions a round has besides its start and its end."""

_LIGHT = tuple(kind for kind in KINDS if kind not in (*HEAVY, "taps"))


def plan_round(seed: int, number: int) -> tuple[Action, ...]:
    """Return the actions of a round; the same seed and number give the same actions.

    Parameters
    ----------
    seed
        Any integer.
    number
        The number of the round, from 0.
    """
    drawn = _Drawing(random.Random(f"{seed}/{number}"))
    begin = [drawn.drop(names.ordinary(drawn.rng), "taps") for _ in range(4)]
    return (*begin, _run_of(), *(drawn.action() for _ in range(ACTIONS)))


def _run_of(**what: Any) -> Action:
    return Action("run", {"jobs": 1, "excel": False, "trouble": None, "ready": True, "events": [], **what})


@dataclass
class _Drawing:
    """Draws actions; ``there`` has the recordings that exist, ``gone`` those that were deleted or renamed."""

    rng: random.Random
    there: list[str] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    heavy: bool = False
    broken: dict[str, bool] = field(default_factory=lambda: dict.fromkeys(PLACES, False))

    def action(self) -> Action:
        """Draw an action: a command, or a change to files by hand."""
        if self.broken["shop.toml"] and self.rng.random() < 0.4:
            return self._edit("shop.toml", good=True)
        kinds = {"run": 22, "watch": 14, "change": 30, "damage": 20, "plant": 5, "read": 4, "forget": 3, "compare": 3}
        match self.rng.choices([*kinds], [*kinds.values()])[0]:
            case "run":
                return self._run()
            case "watch":
                return self._watch()
            case "damage":
                return self._damage()
            case "plant":
                return Action(
                    "plant", {"what": self.rng.choice([*plants.KINDS]), "number": self.rng.randrange(10**6)}
                )
            case "read":
                return Action(
                    "read", {"names": [self.rng.choice(self.there) for _ in range(2)] if self.there else []}
                )
            case "forget":
                return Action("forget", {"names": [self.rng.choice([*self.there, *self.gone, "x_y.wav"])]})
            case "compare":
                return Action("compare", {"instrument": self.rng.choice(("lyre-2", "harp-1", "../x", "\x1b[31m"))})
            case _:
                return self._change()

    def _change(self) -> Action:
        rng, draw = self.rng, self.rng.random()
        if draw < 0.18 or not self.there:
            return self.drop(names.ordinary(rng), "taps")
        if draw < 0.38:
            return self.drop(names.hostile(rng), "taps" if rng.random() < 0.6 else self._sound())
        if draw < 0.6:
            return self.drop(names.ordinary(rng), self._sound())
        if draw < 0.7:
            name = rng.choice(self.there)
            self.there.remove(name)
            self.gone.append(name)
            return Action("remove", {"name": name})
        if draw < 0.78:
            name, to = rng.choice(self.there), names.hostile(rng) if rng.random() < 0.5 else names.ordinary(rng)
            self.there.remove(name)
            self.gone.append(name)
            self._is_there(to)
            return Action("rename", {"name": name, "to": to})
        place = rng.choice(PLACES)
        return self._edit(place, good=self.broken[place] or rng.random() < 0.4)

    def _edit(self, place: str, *, good: bool) -> Action:
        self.broken[place] = not good
        return Action("edit", {"place": place, "text": edits.text(self.rng, place, good=good)})

    def drop(self, name: str, sound: str) -> Action:
        """Draw a file that arrives."""
        self._is_there(name)
        return Action("drop", {"name": name, "sound": sound, "number": self.rng.randrange(10**6)})

    def _is_there(self, name: str) -> None:
        if name not in self.there:
            self.there.append(name)
        if name in self.gone:
            self.gone.remove(name)

    def _sound(self) -> str:
        if not self.heavy and self.rng.random() < 0.2:
            self.heavy = True
            return self.rng.choice(HEAVY)
        return self.rng.choice(_LIGHT)

    def _damage(self) -> Action:
        what = {"target": self.rng.choice(damage.TARGETS), "how": self.rng.choice(damage.HOW)}
        return Action("damage", {**what, "number": self.rng.randrange(10**6)})

    def _trouble(self) -> dict[str, Any] | None:
        rng = self.rng
        match rng.randrange(8):
            case 0 | 1:
                return {"blow": "killed", "after_s": round(rng.uniform(0.2, 2.5), 2)}
            case 2:
                return {"blow": "stopped", "after_s": round(rng.uniform(0.2, 2.5), 2)}
            case 3:
                return {"blow": rng.choice(("kill", "tear", "full")), "step": rng.randrange(1, 80)}
            case 4 | 5:
                return {"blow": "small disk", "room_kb": rng.choice((0, 4, 8, 20, 60, 150, 300))}
            case _:
                return None

    def _events(self, number: int, *, beside: bool) -> list[tuple[float, Action]]:
        """Draw what happens while a command runs, and after what delay; ``beside`` allows other commands too."""
        events = []
        for _ in range(number):
            draw = self.rng.random()
            happens = self._command if beside and draw < 0.12 else self._damage if draw < 0.35 else self._change
            events.append((round(self.rng.uniform(0.0, 1.2), 2), happens()))
        return events

    def _command(self) -> Action:
        if self.rng.random() < 0.3:
            return Action("forget", {"names": [self.rng.choice([*self.there, *self.gone, "x_y.wav"])]})
        return self._run(alone=False)

    def _run(self, *, alone: bool = True) -> Action:
        what = {"jobs": self.rng.choice((1, 1, 1, 2)), "excel": self.rng.random() < 0.2}
        what |= {"ready": not self.broken["shop.toml"], "trouble": self._trouble()}
        if alone and what["trouble"] is None and self.rng.random() < 0.5:
            what["events"] = self._events(self.rng.randrange(1, 4), beside=False)
        return _run_of(**what)

    def _watch(self) -> Action:
        starts = not self.broken["shop.toml"]
        events = self._events(self.rng.randrange(1, 6), beside=True)
        ends = self.rng.choice(("stopped", "stopped", "killed"))
        return Action(
            "watch",
            {
                "events": events,
                # Whether the settings are valid when it starts.
                "starts": starts,
                "poll": self.rng.random() < 0.3,
                "ends": ends,
                "after_s": round(self.rng.uniform(0.1, 3), 2),
                # One more arrival, for whose reading the fuzzer waits, unless shop.toml is broken by then.
                "sentinel": self.rng.randrange(10**6)
                if ends == "stopped" and starts and not self.broken["shop.toml"]
                else None,
            },
        )
