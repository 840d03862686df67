"""Playing a round: its actions are done one by one, and after each all checks are made.

Conventions: what the fuzzer changes itself is told to the checks: sounds that it replaced or had forgotten need no
reading any more, and kept files that it damaged are known by what it left of them. An action that the file system
refuses (a file where a folder would have to be) is logged as not done. The end of a round takes away what was
planted, writes settings that are understood, forgets what is gone, runs, and compares with a fresh shop.
"""

from __future__ import annotations

import hashlib
import os
import signal
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tests.survival.fuzz import bombs, checks, damage, plants
from tests.survival.fuzz.actions import Action
from tests.survival.fuzz.arena import Arena
from tests.survival.fuzz.program import BUDGET_S, Ended, Program, start

_RUN_ENDS = (0, 1, 2)


@dataclass
class Played:
    """What became of an action: whether it was done, how the command ended, and what was amiss."""

    found: list[str] = field(default_factory=list)
    ended: Ended | None = None
    note: str = ""


@dataclass
class Round:
    """A round that is being played.

    Attributes
    ----------
    sounds
        The SHA-256 of every sound that was ever at a name, the latest last; empty text for what is no plain file.
    bombs
        The names at which the latest is not a plain recording of taps.
    released, damaged
        See :func:`~tests.survival.fuzz.checks.readings_lost`.
    earlier
        What was kept when the first command had ended, by name.
    """

    arena: Arena
    sounds: dict[str, list[str]] = field(default_factory=dict)
    bombs: set[str] = field(default_factory=set)
    gone: list[str] = field(default_factory=list)
    released: set[str] = field(default_factory=set)
    damaged: dict[str, str] = field(default_factory=dict)
    planted: list[Path] = field(default_factory=list)
    earlier: dict[str, bytes] = field(default_factory=dict)
    excel: bool = False

    def play(self, action: Action) -> Played:
        """Do an action, then check everything."""
        kept, recordings, outside = self._look()
        played = Played()
        if action.kind in _COMMANDS:
            changing = bool(action.what.get("events"))
            played = getattr(self, f"_{action.kind}")(action.what)
            after, recordings_after, outside_after = self._look()
            if not self.earlier:
                self.earlier = {p.name: p.read_bytes() for p in damage.files_of(self.arena.results, "any")}
            if not changing:
                played.found += checks.changed(recordings, recordings_after, "loss", "the recording")
                played.found += checks.changed(outside, outside_after, "outside", "")
        else:
            played.note = self._by_hand(action)
            after = kept
        said = None if played.ended is None or played.ended.cut else played.ended.said
        played.found += checks.readings_lost(kept, after, self.released, self.damaged, said)
        self.damaged = {s: h for s, h in self.damaged.items() if s not in after.sounds and s not in self.released}
        return played

    def _look(self) -> tuple[checks.Kept, dict[str, Any], dict[str, Any]]:
        arena = self.arena
        return checks.kept_below(arena.results), checks.facts_below(arena.recordings), arena.outside()

    # ------------------------------------------------------ by hand

    def _by_hand(self, action: Action) -> str:
        """Do what a person or a machine does to files; return why it could not be done, or what was hit."""
        try:
            return str(getattr(self, f"_{action.kind}")(**action.what) or "")
        except OSError as error:
            return f"not done: {error.strerror}"

    def _drop(self, name: str, sound: str, number: int) -> None:
        path = self.arena.recordings / name
        bombs.make(path, sound, number)
        plain = path.is_file() and not path.is_symlink()
        self._now_at(name, hashlib.sha256(path.read_bytes()).hexdigest() if plain else "")
        # It will be measured again.
        self.released.discard(self.sounds[name][-1])
        (self.bombs.discard if sound == "taps" else self.bombs.add)(name)

    def _now_at(self, name: str, sound: str) -> None:
        self.released.update(self.sounds.get(name, ()))
        self.sounds.setdefault(name, []).append(sound)
        if name in self.gone:
            self.gone.remove(name)

    def _remove(self, name: str) -> None:
        (self.arena.recordings / name).unlink()
        self.gone.append(name)

    def _rename(self, name: str, to: str) -> None:
        folder = self.arena.recordings
        (folder / to).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).rename(folder / to)
        self._now_at(to, self.sounds[name][-1])
        (self.bombs.add if name in self.bombs else self.bombs.discard)(to)
        self.bombs.discard(name)
        self.gone.append(name)

    def _edit(self, place: str, text: str) -> None:
        (self.arena.shop / place).write_bytes(text.encode("utf-8", "surrogateescape"))

    def _damage(self, target: str, how: str, number: int) -> str:
        results = self.arena.results
        before = {p: p.read_bytes() for p in damage.files_of(results, "any") if p.stat().st_size < 2**24}
        path = damage.inflict(results, self.arena.victim / "precious.txt", target, how, number, self.earlier)
        if path is None:
            return "nothing of that class is there"
        if how in ("link", "folder"):
            self.planted.append(path)
        self._account_for(path, before.get(path, b""))
        return path.name

    def _account_for(self, path: Path, before: bytes) -> None:
        """Note what is owed after a kept file was damaged: that what is left of it is not written over."""
        was = hashlib.sha256(before).hexdigest()
        sounds = [s for s, left in self.damaged.items() if left == was]
        whole = checks.sound_of(before)
        for sound in [*sounds, *([whole] if whole else [])]:
            if path.is_file() and not path.is_symlink():
                self.damaged[sound] = checks.content_of(path)
            else:
                self.damaged.pop(sound, None)
                self.released.add(sound)

    def _plant(self, what: str, number: int) -> str:
        path = plants.plant(self.arena.results, self.arena.victim, what, number)
        self.planted.append(path)
        return path.name

    # ----------------------------------------------------- commands

    def _command(self, *arguments: str, module: str = "tapbatch", most_bytes: int | None = None) -> Program:
        arena = self.arena
        return start(
            [*arguments], desk=arena.desk, environment=arena.environment, module=module, most_bytes=most_bytes
        )

    def _run(self, what: dict[str, Any]) -> Played:
        trouble = what["trouble"] or {"blow": ""}
        arguments = [
            "run",
            str(self.arena.shop),
            "--jobs",
            str(what["jobs"]),
            *(["--excel"] if what["excel"] else []),
        ]
        self.excel |= what["excel"]
        allowed = {0, 1} if what["ready"] else {2}
        if "step" in trouble:
            blow = [str(trouble["step"]), trouble["blow"], str(self.arena.results)]
            ended = replace(self._command(*blow, *arguments, module="tests.survival.fuzz.struck").ended(), cut=True)
            allowed |= {2, -signal.SIGKILL}
        elif trouble["blow"] == "small disk":
            limit = self.arena.room(trouble["room_kb"])
            ended = self._command(*arguments, most_bytes=limit).ended()
            self.arena.room(None)
            allowed |= {2}
        elif trouble["blow"]:
            number, status = _ENDS[trouble["blow"]]
            program = self._command(*arguments)
            program.until(lambda: False, trouble["after_s"])
            program.signal(number)
            ended = program.ended()
            # A shell shows an end by Ctrl-C as 130 whether the program or the system ended it.
            allowed |= {status, -number}
        else:
            program = self._command(*arguments)
            self._meanwhile(program, what["events"])
            ended = program.ended()
            # Settings may have been edited before they were read.
            allowed |= {0, 1, 2} if what["events"] else set()
        return Played(checks.amiss_with(ended, allowed), ended)

    def _read(self, what: dict[str, Any]) -> Played:
        names = [str(self.arena.recordings / name) for name in what["names"]]
        ended = self._command("read", "--", *names).ended()
        return Played(checks.amiss_with(ended, (0, 1) if names else (2,)), ended)

    def _compare(self, what: dict[str, Any]) -> Played:
        ended = self._command("compare", "--", what["instrument"], "01", "02", str(self.arena.shop)).ended()
        return Played(checks.amiss_with(ended, _RUN_ENDS), ended)

    def _forget(self, what: dict[str, Any]) -> Played:
        for name in what["names"]:
            self.released.update(self.sounds.get(name, ()))
        ended = self._command("forget", "--", *what["names"], str(self.arena.shop)).ended()
        return Played(checks.amiss_with(ended, _RUN_ENDS), ended)

    # -------------------------------------------------------- watch

    def _watch(self, what: dict[str, Any]) -> Played:
        poll = ["--poll", "0.3"] if what["poll"] else []
        program = self._command("watch", str(self.arena.shop), *poll)
        played = Played()
        program.until(lambda: b"watching;" in program.output.read_bytes(), 3.0)
        played.found += self._meanwhile(program, what["events"])
        if what["sentinel"] is not None:
            self._await_arrival(program, what["sentinel"], played)
        program.until(lambda: False, what["after_s"])
        if program.process.poll() is not None and what["starts"]:
            played.found.append(f"status: the watch ended by itself with {program.process.returncode}")
        number, status = _ENDS[what["ends"]]
        program.signal(number)
        ended = program.ended(program.age_s + BUDGET_S)
        # A watch ends with 0 by Ctrl-C; before it watches, as a run does.
        allowed = {status, -number, 0} if what["starts"] else {2}
        played.found += checks.amiss_with(ended, allowed)
        played.ended = ended
        return played

    def _meanwhile(self, program: Program, events: list[tuple[float, Action]]) -> list[str]:
        """Do what happens while a command is at work; return what was amiss with commands beside it."""
        found: list[str] = []
        for delay_s, event in events:
            program.until(lambda: False, delay_s)
            if event.kind in _COMMANDS:
                found += getattr(self, f"_{event.kind}")(event.what).found
            else:
                self._by_hand(event)
        return found

    def _await_arrival(self, program: Program, number: int, played: Played) -> None:
        """Drop one more recording, and wait for its reading."""
        name = f"watch-9_01-n{number}_top.wav"
        self._drop(name, "taps", number)
        began_s = _now_s()
        table = self.arena.results / "watch-9" / "recordings.csv"
        read = program.until(lambda: table.is_file() and name.encode() in table.read_bytes(), BUDGET_S)
        played.note = f"an arrival was {'read' if read else 'not read'} after {_now_s() - began_s:.1f} s"
        if program.process.poll() is None and not read:
            played.found.append(f"hang: {played.note}")

    # ---------------------------------------------------------- end

    def end(self) -> Played:
        """Bring the shop in order, run, and compare with a fresh one."""
        self._bring_in_order()
        shop, fresh = str(self.arena.shop), self.arena.root / "fresh"
        options = ["--excel"] if self.excel else []
        played = Played()
        if self.gone:
            first = self._command("run", shop).ended()
            forgotten = self._command("forget", "--", *dict.fromkeys(self.gone), shop).ended()
            played.found += [*checks.amiss_with(first, (0, 1)), *checks.amiss_with(forgotten, (0, 1))]
        for results in (self.arena.results, fresh):
            played.ended = self._command("run", shop, "--results", str(results), *options).ended(2 * BUDGET_S)
            played.found += checks.amiss_with(played.ended, (0, 1))
        played.found += checks.other_tables(self.arena.results, fresh)
        played.found += checks.amiss_in_tables(self.arena.results)
        return played

    def _bring_in_order(self) -> None:
        for path in self.planted:
            if plants.is_planted(path):
                plants.clear(path)
        for place in ("shop.toml", "notes.csv", "instruments/lyre-2.toml"):
            (self.arena.shop / place).unlink(missing_ok=True)
        kept = checks.kept_below(self.arena.results)
        for name in sorted(self.bombs):
            path = self.arena.recordings / name
            heavy = path.is_file() and not path.is_symlink() and path.stat().st_size > 10**6
            # Where something else was read before, its reading is kept, as it should be: a fresh shop has none. For
            # the same reason the tables of an instrument stay where a recording cannot be used.
            good = self.sounds[name][-1] in kept.sounds and len(self.sounds[name]) == 1
            if (heavy or not good) and os.path.lexists(path):
                path.unlink()
                self.gone.append(name)


def _now_s() -> float:
    import time

    return time.monotonic()


_COMMANDS = ("run", "watch", "read", "compare", "forget")
_ENDS = {"killed": (signal.SIGKILL, -signal.SIGKILL), "stopped": (signal.SIGINT, 130)}
