"""Modes of two instruments are the same by label, else by nearness of note; what has no counterpart is not gone."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from tapbatch.compare.before_after import side_by_side
from tapbatch.compare.history import build_history
from tapbatch.compare.same_mode import NEAR_CENTS, paired
from tapbatch.model.history import Stage, StageMode
from tapbatch.model.pitch import cents_between
from tapbatch.model.settings import InstrumentSettings
from tests.compare.builds import item, mode, reading, stage_mode


def stage_of(*modes: StageMode) -> Stage:
    return Stage(
        part="body",
        state="closed",
        stage="s",
        stage_shown="s",
        order=1,
        concert_pitch_hz=440.0,
        heard=(),
        modes=modes,
        decays=(),
    )


def at(freq_hz: float, name: str, note: str = "A3") -> StageMode:
    return replace(stage_mode(freq_hz, name=name), note=note)


def test_a_label_comes_before_any_nearness() -> None:
    found = paired(stage_of(at(190.0, "air"), at(262.0, "r2")), stage_of(at(250.0, "air"), at(262.0, "r1")))
    assert [m.mode for m in found.before.modes] == [m.mode for m in found.after.modes]
    assert [(m.mode, m.freq_hz) for m in found.after.modes] == [("air", 250.0), ("A3", 262.0)]
    assert found.by_note == ("A3",)


def test_without_a_label_the_nearest_within_a_semitone_is_the_same() -> None:
    near, far = 200.0 * 2 ** (90 / 1200), 400.0 * 2 ** (110 / 1200)
    found = paired(
        stage_of(at(200.0, "r1", "G3"), at(400.0, "r2", "G4")), stage_of(at(near, "r4", "A3"), at(far, "r7", "A4"))
    )
    assert found.by_note == ("G3",)
    assert (found.only_before, found.only_after) == (("G4",), ("A4",))


def test_each_must_be_the_nearest_of_the_other() -> None:
    found = paired(stage_of(at(200.0, "r1", "G3"), at(203.0, "r2", "G3")), stage_of(at(202.8, "r1", "G3")))
    assert [m.freq_hz for m in found.before.modes] == [203.0]
    assert found.only_before == ("G3",)


def test_a_label_may_be_near_a_mode_without_one_and_two_labels_never_pair() -> None:
    found = paired(stage_of(at(200.0, "main")), stage_of(at(201.0, "r1")))
    assert found.by_note == ("main",)
    found = paired(stage_of(at(200.0, "main")), stage_of(at(201.0, "ring")))
    assert (found.only_before, found.only_after) == (("main",), ("ring",))


def test_pairs_on_one_note_have_names_of_their_own() -> None:
    modes = [at(200.0, "r1", "G3"), at(204.0, "r2", "G3")]
    found = paired(stage_of(*modes), stage_of(*modes))
    assert found.by_note == ("G3", "G3 (2)")


def test_strings_and_hum_are_no_modes_of_the_instrument() -> None:
    string = replace(at(293.7, "r1", "D4"), flags=("string",))
    assert paired(stage_of(string), stage_of(string)).by_note == ()


@given(st.lists(st.floats(80.0, 900.0), max_size=8), st.lists(st.floats(80.0, 900.0), max_size=8))
def test_each_mode_is_in_one_pair_at_most_and_none_is_lost(first: list[float], second: list[float]) -> None:
    sides = [stage_of(*(at(f, f"r{n}") for n, f in enumerate(side))) for side in (first, second)]
    found = paired(*sides)
    both = [[m.mode for m in stage.modes] for stage in (found.before, found.after)]
    assert sorted(both[0]) == sorted(both[1]) == sorted(found.by_note)
    assert len(set(both[0])) == len(both[0])
    assert len(both[0]) + len(found.only_before) == len(first)
    assert len(both[1]) + len(found.only_after) == len(second)
    freqs = [{m.mode: m.freq_hz for m in stage.modes} for stage in (found.before, found.after)]
    assert all(abs(cents_between(freqs[0][name], freqs[1][name])) <= NEAR_CENTS for name in found.by_note)


def test_nothing_is_no_longer_heard_across_instruments() -> None:
    def tapped(name: str, *freqs_hz: float) -> Stage:
        taps = [[mode(f * 2.0 ** (c / 1200)) for f in freqs_hz] for c in (-0.3, -0.1, 0.0, 0.1, 0.3)]
        (stage,) = build_history(name, [item("c_01-a_1.wav", reading(taps))], InstrumentSettings(), {})[0].stages
        return stage

    settings = InstrumentSettings()
    found = side_by_side(
        tapped("cittern-04", 200.0, 300.0, 410.0), tapped("cittern-07", 203.0, 520.0), settings, settings
    )
    assert {d.verdict for d in found.drifts} <= {"up", "up?", "down", "down?", "steady", "unclear"}
    assert not {c.why.kind for c in found.sustain if c.why} & {"gone", "new", "unheard"}
    assert (len(found.only_before), len(found.only_after)) == (2, 1)
