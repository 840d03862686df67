"""Play a round: do its actions one by one, and make all checks after each.

Conventions: the checks know what the fuzzer changed itself. Sounds that it replaced, or told the tool to forget, need
no reading any longer, and it notes the hash of each kept file that it damaged. An action that the file system refuses
(a file is where a folder would have to be) is logged as not done. At the end of a round, the fuzzer deletes what it
planted and the settings, has the tool forget the recordings that are gone, runs, and compares with a fresh shop.
"""

from __future__ import annotations

import hashlib
import os
import signal
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from tests.survival.fuzz import bombs, checks, damage, plants
from tests.survival.fuzz.actions import PLACES, Action
from tests.survival.fuzz.arena import Arena
from tests.survival.fuzz.program import BUDGET_S, Ended, Program, start

_RUN_ENDS = (0, 1, 2)


@dataclass
class Played:
    """The result of an action: failures found, how the command ended, and a note for the log."""

    found: list[str] = field(default_factory=list)
    ended: Ended | None = None
    note: str = ""


@dataclass
class Round:
    """A round that is being played.

    Attributes
    ----------
    sounds
        The SHA-256 of every sound that a name ever had, the latest last; empty text if it was not a plain file.
    bombs
        The names whose latest sound is not a plain recording of taps.
    gone
        The names that were deleted or renamed.
    released, damaged
        See :func:`~tests.survival.fuzz.checks.readings_lost`.
    planted
        The paths of what was planted, or replaced by a link or a folder.
    earlier
        The contents of the kept files after the first command, by name.
    excel
        Whether any run was asked for workbooks.
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
        """Do an action on files; return why it could not be done, or the name of the file it changed."""
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
            return "there is no file of that class"
        if how in ("link", "folder"):
            self.planted.append(path)
        self._account_for(path, before.get(path, b""))
        return path.name

    def _account_for(self, path: Path, before: bytes) -> None:
        """Note that a kept file was damaged: what is left of it must not be overwritten."""
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

    def begin(self, *arguments: str, module: str = "tapbatch", most_bytes: int | None = None) -> Program:
        """Start the program, or another module of Python, in the arena."""
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
            ended = replace(self.begin(*blow, *arguments, module="tests.survival.fuzz.struck").ended(), cut=True)
            allowed |= {2, -signal.SIGKILL}
        elif trouble["blow"] == "small disk":
            limit = self.arena.room(trouble["room_kb"])
            ended = self.begin(*arguments, most_bytes=limit).ended()
            self.arena.room(None)
            allowed |= {2}
        elif trouble["blow"]:
            number, status = _ENDS[trouble["blow"]]
            program = self.begin(*arguments)
            program.until(lambda: False, trouble["after_s"])
            program.signal(number)
            ended = program.ended()
            # A shell shows 130 after Ctrl-C, whether the program ended by itself or by the signal.
            allowed |= {status, -number}
        else:
            program = self.begin(*arguments)
            self._meanwhile(program, what["events"])
            ended = program.ended()
            # Settings may have been edited before they were read.
            allowed |= {0, 1, 2} if what["events"] else set()
        return Played(checks.amiss_with(ended, allowed), ended)

    def _read(self, what: dict[str, Any]) -> Played:
        names = [str(self.arena.recordings / name) for name in what["names"]]
        ended = self.begin("read", "--", *names).ended()
        return Played(checks.amiss_with(ended, (0, 1) if names else (2,)), ended)

    def _compare(self, what: dict[str, Any]) -> Played:
        ended = self.begin("compare", "--", what["instrument"], "01", "02", str(self.arena.shop)).ended()
        return Played(checks.amiss_with(ended, _RUN_ENDS), ended)

    def _forget(self, what: dict[str, Any]) -> Played:
        for name in what["names"]:
            self.released.update(self.sounds.get(name, ()))
        ended = self.begin("forget", "--", *what["names"], str(self.arena.shop)).ended()
        return Played(checks.amiss_with(ended, _RUN_ENDS), ended)

    # -------------------------------------------------------- watch

    def _watch(self, what: dict[str, Any]) -> Played:
        poll = ["--poll", "0.3"] if what["poll"] else []
        program = self.begin("watch", str(self.arena.shop), *poll)
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
        """Do what happens while a command runs; return the failures of the commands beside it."""
        found: list[str] = []
        for delay_s, event in events:
            program.until(lambda: False, delay_s)
            if event.kind in _COMMANDS:
                found += getattr(self, f"_{event.kind}")(event.what).found
            else:
                self._by_hand(event)
        return found

    def _await_arrival(self, program: Program, number: int, played: Played) -> None:
        """Add one more recording, and wait for its reading."""
        name = f"watch-9_01-n{number}_top.wav"
        self._drop(name, "taps", number)
        began_s = time.monotonic()
        table = self.arena.results / "watch-9" / "recordings.csv"

        def is_read() -> bool:
            # A folder planted in the place of the table keeps it from being replaced; the reading is printed.
            printed = f"\n{name}\n".encode() in program.output.read_bytes()
            return printed if table.is_dir() else table.is_file() and name.encode() in table.read_bytes()

        read = program.until(is_read, BUDGET_S)
        played.note = f"an arrival was {'read' if read else 'not read'} after {time.monotonic() - began_s:.1f} s"
        if program.process.poll() is None and not read:
            played.found.append(f"hang: {played.note}")

    # ---------------------------------------------------------- end

    def end(self) -> Played:
        """Put the shop in order, run, and compare with a fresh one."""
        self._bring_in_order()
        shop, fresh = str(self.arena.shop), self.arena.root / "fresh"
        options = ["--excel"] if self.excel else []
        played = Played()
        if self.gone:
            first = self.begin("run", shop).ended()
            forgotten = self.begin("forget", "--", *dict.fromkeys(self.gone), shop).ended()
            played.found += [*checks.amiss_with(first, (0, 1)), *checks.amiss_with(forgotten, (0, 1))]
        for results in (self.arena.results, fresh):
            played.ended = self.begin("run", shop, "--results", str(results), *options).ended(2 * BUDGET_S)
            played.found += checks.amiss_with(played.ended, (0, 1))
        played.found += checks.other_tables(self.arena.results, fresh)
        played.found += checks.amiss_in_tables(self.arena.results)
        return played

    def _bring_in_order(self) -> None:
        for path in self.planted:
            if plants.is_planted(path):
                plants.clear(path)
        for place in PLACES:
            (self.arena.shop / place).unlink(missing_ok=True)
        kept = checks.kept_below(self.arena.results)
        for name in sorted(self.bombs):
            path = self.arena.recordings / name
            heavy = path.is_file() and not path.is_symlink() and path.stat().st_size > 10**6
            # If an earlier sound of this name was read, its reading is rightly kept, but a fresh shop has none. For
            # the same reason, the tables of an instrument stay if a recording cannot be used.
            good = self.sounds[name][-1] in kept.sounds and len(self.sounds[name]) == 1
            if (heavy or not good) and os.path.lexists(path):
                path.unlink()
                self.gone.append(name)


_COMMANDS = ("run", "watch", "read", "compare", "forget")
_ENDS = {"killed": (signal.SIGKILL, -signal.SIGKILL), "stopped": (signal.SIGINT, 130)}
