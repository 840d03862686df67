"""The fuzzing run: it plays the same actions again from a seed, and each of its checks can fail.

What a check must find is planted here: a recording or a reading that is gone, a traceback, a command that does not
end. The run itself is ``python -m tests.survival --minutes N``.
"""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tapbatch.results.sealed import seal
from tests.survival.fuzz import checks, command, plan
from tests.survival.fuzz.actions import Action
from tests.survival.fuzz.arena import Arena, arena
from tests.survival.fuzz.bombs import KINDS, make
from tests.survival.fuzz.log import lines_of
from tests.survival.fuzz.playing import Round
from tests.survival.fuzz.program import Ended, Program, start

SOUND, KEY = "ab" * 32, "0" * 40
CLEAN = Ended(command=("tapbatch", "run"), status=0, said="all well\n", took_s=1.0, peak_mb=100.0, together_mb=100.0)
RUN = Action("run", {"jobs": 1, "excel": False, "trouble": None, "ready": True, "events": []})


@pytest.fixture
def where(tmp_path: Path) -> Iterator[Arena]:
    pytest.importorskip("resource", reason="this system does not part processes as the fuzzer needs")
    with arena(tmp_path / "arena") as made:
        yield made


# --------------------------------------------------------- the plan


def test_a_seed_gives_the_same_rounds_and_another_seed_gives_others() -> None:
    rounds = [plan.plan_round(7, number) for number in range(40)]
    assert [plan.plan_round(7, number) for number in reversed(range(40))] == rounds[::-1]
    assert len({json.dumps([a.plain() for a in actions]) for actions in rounds}) == 40
    assert plan.plan_round(8, 0) != rounds[0]


def test_rounds_mix_all_that_is_promised() -> None:
    actions = [action for number in range(300) for action in plan.plan_round(1, number)]
    events = [event for a in actions for _, event in a.what.get("events", ())]
    everything = [*actions, *events]
    troubles = {(a.what["trouble"] or {"blow": ""})["blow"] for a in actions if a.kind == "run"}
    assert troubles == {"", "killed", "stopped", "kill", "tear", "full", "small disk"}
    assert {a.what["ends"] for a in actions if a.kind == "watch"} == {"killed", "stopped"}
    assert {a.what["sound"] for a in everything if a.kind == "drop"} == {*KINDS}
    assert {a.what["text"] for a in everything if a.kind == "edit"} >= {
        'results = "."\n',
        'recordings = "~no-one-here"\n',
    }
    assert {a.kind for a in everything} == {
        "drop", "remove", "rename", "edit", "damage", "plant", "run", "watch", "read", "compare", "forget",
    }  # fmt: skip


@pytest.mark.parametrize("kind", sorted({*KINDS} - {"silent hours", "no file"}))
def test_a_file_has_the_same_bytes_again(kind: str, tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav"):
        make(tmp_path / name, kind, 5)
    assert (tmp_path / "a.wav").read_bytes() == (tmp_path / "b.wav").read_bytes()


@pytest.mark.slow
def test_a_round_is_logged_and_played_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("resource", reason="this system does not part processes as the fuzzer needs")
    monkeypatch.setattr(plan, "ACTIONS", 2)
    logs = []
    for name in ("first", "again"):
        assert command.main(["--seed", "3", "--round", "1", "--log", str(tmp_path / name)]) == 0
        logs.append([line["action"] for line in lines_of(tmp_path / name) if line["event"] == "action"])
    assert logs[0] == logs[1] == [*(action.plain() for action in plan.plan_round(3, 1)), {"kind": "end"}]


# ------------------------------------------------------- the checks


@pytest.mark.parametrize(
    ("wrong", "check"),
    [
        ({"said": "Traceback (most recent call last):\n  File"}, "traceback"),
        ({"said": "lyre-2: something failed; keep its recordings\n  and report it\n"}, "fault"),
        ({"said": "a\x1b[31m.wav"}, "terminal"),
        ({"said": "a\u202e.wav"}, "terminal"),
        ({"status": -11}, "status"),
        ({"status": 3}, "status"),
        ({"hung": True}, "hang"),
        ({"peak_mb": 401.0}, "memory"),
        ({"together_mb": 401.0}, "memory"),
    ],
)
def test_what_is_wrong_with_a_command_is_found(wrong: dict[str, object], check: str) -> None:
    assert checks.amiss_with(CLEAN, {0, 1}) == []
    assert [line.partition(":")[0] for line in checks.amiss_with(replace(CLEAN, **wrong), {0, 1})] == [check]


def reading(sound: str = SOUND) -> bytes:
    return seal(json.dumps({"key": KEY, "recordings": [], "reading": {"sha256": sound}}))


def test_a_reading_that_is_gone_is_found(tmp_path: Path) -> None:
    folder = tmp_path / ".readings"
    folder.mkdir()
    path = folder / f"{KEY}.json"
    path.write_bytes(reading())
    before = checks.kept_below(tmp_path)
    assert before.sounds == {SOUND}
    assert checks.readings_lost(before, before, (), {}, "") == []
    # One bit that turned, as in a file written anew with other numbers.
    path.write_bytes(reading().replace(b"ab", b"ac", 1))
    after = checks.kept_below(tmp_path)
    assert checks.readings_lost(before, after, (), {}, "") == [f"loss: the reading of the sound {SOUND[:12]} is gone"]
    assert checks.readings_lost(before, after, {SOUND}, {}, "") == []
    # What damage left must lie somewhere.
    left = next(iter(after.contents))
    assert checks.readings_lost(before, after, (), {SOUND: left}, "") == []
    path.unlink()
    assert checks.readings_lost(before, checks.kept_below(tmp_path), (), {SOUND: left}, "") != []


def test_a_file_set_aside_without_a_line_is_found(tmp_path: Path) -> None:
    folder = tmp_path / ".readings"
    folder.mkdir()
    before = checks.kept_below(tmp_path)
    (folder / f"refused-{KEY}.json").write_bytes(b"?")
    after = checks.kept_below(tmp_path)
    assert [line.partition(":")[0] for line in checks.readings_lost(before, after, (), {}, "")] == ["silence"]
    assert checks.readings_lost(before, after, (), {}, f"set aside as\n    refused-{KEY}.json") == []
    assert checks.readings_lost(before, after, (), {}, None) == []


@pytest.mark.parametrize("cell", ["=1+1", "a;=1+1", "a\t@x", "-x", "\x1b[2J"])
def test_a_cell_that_runs_is_found(cell: str, tmp_path: Path) -> None:
    table = tmp_path / "modes.csv"
    table.write_text('part,move\r\n"top",-2.5\r\n', newline="")
    assert checks.amiss_in_tables(tmp_path) == []
    table.write_text(f'part,move\r\n"{cell}",-2.5\r\n', newline="")
    assert checks.amiss_in_tables(tmp_path) != []


def test_another_table_is_found(tmp_path: Path) -> None:
    for name in ("results", "fresh"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "modes.csv").write_text("part\n")
    assert checks.other_tables(tmp_path / "results", tmp_path / "fresh") == []
    (tmp_path / "results" / "modes.csv").write_text("part\ntop\n")
    (tmp_path / "results" / "drift.csv").write_text("part\n")
    assert len(checks.other_tables(tmp_path / "results", tmp_path / "fresh")) == 2


# --------------------------------------- a round that loses something


class Planted(Round):
    """A round whose program does harm first."""

    harm = ""

    def begin(self, *arguments: str, module: str = "tapbatch", most_bytes: int | None = None) -> Program:
        match self.harm:
            case "recording":
                (self.arena.recordings / "lyre-2_01-a_top.wav").unlink()
            case "reading":
                (self.arena.results / ".readings" / f"{KEY}.json").unlink()
            case "outside":
                (self.arena.victim / "precious.txt").write_text("other")
            case "desk":
                (self.arena.desk / "stray").write_text("x")
            case "traceback":
                return super().begin("-n", "1", "raise ValueError", module="timeit")
        return super().begin("--version")


@pytest.mark.parametrize(
    ("harm", "found"),
    [("", set()), ("recording", {"loss"}), ("reading", {"loss"}), ("outside", {"outside"}), ("desk", {"outside"}),
     ("traceback", {"traceback"})],
)  # fmt: skip
def test_harm_that_a_command_does_is_found(harm: str, found: set[str], where: Arena) -> None:
    round_ = Planted(where)
    assert round_.play(Action("drop", {"name": "lyre-2_01-a_top.wav", "sound": "taps", "number": 1})).found == []
    (where.results / ".readings").mkdir()
    (where.results / ".readings" / f"{KEY}.json").write_bytes(reading())
    round_.harm = harm
    assert {line.partition(":")[0] for line in round_.play(RUN).found} == found


def test_a_command_that_does_not_end_is_ended_and_found(where: Arena) -> None:
    watch = start(["watch", str(where.shop)], desk=where.desk, environment=where.environment)
    ended = watch.ended(budget_s=0.0)
    assert (ended.hung, ended.status) == (True, -signal.SIGKILL)


def test_memory_is_seen(where: Arena) -> None:
    if not Path("/proc/self/status").exists():
        pytest.skip("this system has no /proc")
    held = ["-n", "1", "-r", "1", "-s", "held = b'x' * (420 << 20)", "while True: pass"]
    program = start(held, desk=where.desk, environment=where.environment, module="timeit")
    assert program.until(lambda: program.peak_mb > checks.MEMORY_MB, 60.0)
    program.signal(signal.SIGKILL)
    assert program.ended().peak_mb > checks.MEMORY_MB
