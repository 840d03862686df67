"""The wood of a blank: which notes count, which modes, and what a word aims at."""

from __future__ import annotations

from dataclasses import astuple, replace

import pytest

from tapbatch.compare.blank import (
    aimed_modes,
    boards_of,
    longest_decays,
    sizes_of,
    stops_of,
    tone_of,
    with_wood,
    without_boards,
)
from tapbatch.model.history import Heard, History, Note, Stage, StageMode
from tapbatch.model.reading import Aim, Recording
from tapbatch.model.settings import InstrumentSettings, TargetSetting
from tapbatch.model.wood import Figure
from tapbatch.wood.figures import wood_figures
from tests.compare.builds import mode, reading
from tests.wood.test_figures import SIZES
from tests.wood.test_figures import heard as heard_board

MODE = StageMode(
    mode="r1", lead=True, freq_hz=70.0, freq_low_hz=69.9, freq_high_hz=70.1, note="C#2", cents=0.0, t60_s=3.0,
    t60_low_s=2.8, t60_high_s=3.2, level_db=0.0, taps=3, within_cents=0.1, between_cents=0.1,
)  # fmt: skip


def stage(name: str, note: Note | None, *, part: str = "blank", modes: tuple[StageMode, ...] = (MODE,)) -> Stage:
    return Stage(
        part=part, state="free", stage=name, stage_shown=name, order=1, concert_pitch_hz=440.0, heard=(), modes=modes,
        decays=(), note=note,
    )  # fmt: skip


def note(name: str, **sizes: object) -> Note:
    return Note(instrument="board", stage=name, **sizes)  # type: ignore[arg-type]


FULL = {"length_mm": 550.0, "width_mm": 210.0, "thickness_mm": (4.1,), "mass_g": 206.0}


def test_length_and_width_may_come_from_a_stage_before() -> None:
    bought, planed = stage("bought", note("bought", **FULL)), stage("planed", note("planed", thickness_mm=(3.6,)))
    sizes = sizes_of(planed, [bought])
    assert (sizes.length_mm, sizes.width_mm, sizes.thickness_mm, sizes.mass_g) == (550.0, 210.0, (3.6,), None)


def test_thickness_and_mass_of_a_series_are_not_those_of_its_steps() -> None:
    """A step without a note of its own takes that of its series, which does not tell how thick it has become."""
    sizes = sizes_of(stage("planing step 2", note("planing", **FULL)))
    assert (sizes.length_mm, sizes.thickness_mm, sizes.mass_g) == (550.0, (), None)


def test_only_blanks_have_wood_and_references_have_none() -> None:
    history = History(
        instrument="board", instrument_shown="board", drifts=(),
        stages=(stage("a", note("a", **FULL)), stage("b", note("b", **FULL), part="top")),
    )  # fmt: skip
    blank, top = with_wood(history, InstrumentSettings()).stages
    assert blank.wood is not None
    assert blank.wood.refused == "few modes"
    assert top.wood is None
    assert with_wood(history, InstrumentSettings(reference=True)) is history


def test_nothing_noted_is_said() -> None:
    history = History(instrument="b", instrument_shown="b", drifts=(), stages=(stage("a", None),))
    (blank,) = with_wood(history, InstrumentSettings()).stages
    assert blank.wood is not None
    assert blank.wood.missing == ("length_mm", "width_mm", "thickness_mm", "mass_g")


def heard(aim: Aim, modes: list[tuple[str, float, float]], taps: int = 3) -> Heard:
    """Return a recording of an aim whose taps show modes with a name, an energy and a T60."""
    each = [mode(70.0, t60_s=t60_s, energy_db=energy_db) for _, energy_db, t60_s in modes]
    recording = Recording(
        path=f"{aim}.wav",
        sha256="",
        instrument="board",
        instrument_shown="board",
        stage="a",
        stage_shown="a",
        aim=aim,
    )
    names = (tuple(name for name, _, _ in modes),) * taps
    return Heard(recording=recording, reading=reading([each] * taps), part="blank", state="free", mode_names=names)


def test_a_word_aims_at_the_mode_with_the_most_energy() -> None:
    along = heard("along", [("r1", -20.0, 2.0), ("r2", -30.0, 2.0)])
    twist = heard("twist", [("r1", -40.0, 0.3), ("r2", -25.0, 2.0)])
    assert aimed_modes([along, twist]) == {"along": "r1", "twist": "r2"}


def test_a_mode_that_two_words_claim_is_nobodys() -> None:
    both = [heard(aim, [("r1", -20.0, 2.0), ("r2", -30.0, 2.0)]) for aim in ("along", "across")]
    assert aimed_modes(both) == {}


def test_damping_is_that_of_the_recording_in_which_a_mode_rings_longest() -> None:
    """Fingers only ever take energy: of two holds the longer decay is nearer to the wood."""
    held = longest_decays([heard("along", [("r1", -20.0, 3.0)]), heard("twist", [("r1", -20.0, 0.5)])])
    assert held["r1"][0] == pytest.approx(3.0)
    tone = tone_of(MODE, held["r1"])
    # 2.199 / (f T60)
    assert tone.loss == pytest.approx(2.199 / (70.0 * 3.0), rel=1e-3)


@pytest.mark.parametrize("flag", ["unresolved", "not-exponential", "pair?"])
def test_an_uneven_decay_tells_no_loss(flag: str) -> None:
    assert tone_of(replace(MODE, flags=(flag,)), (3.0, 0.1)).loss is None


def test_targets_of_a_board_are_along_across_and_twist_and_wait_for_no_label() -> None:
    wanted = tuple(TargetSetting(mode=name, note="A1") for name in ("Along", "air", "twist"))
    settings = InstrumentSettings(target=wanted)
    assert [settings.aim_of(target) for target in wanted] == ["along", None, "twist"]
    assert [target.mode for target in without_boards(settings).target] == ["air"]
    assert without_boards(InstrumentSettings()).target == ()


def test_a_target_says_where_to_stop() -> None:
    """A1 is 55 Hz; a board whose first mode along is at 69.7 Hz must come down to four fifths of its thickness."""
    wood = wood_figures(SIZES, heard_board())
    (stop,) = stops_of(wood, InstrumentSettings(target=(TargetSetting(mode="along", note="A1"),)), 440.0)
    assert (stop.wanted, stop.target) == ("on A1", pytest.approx(55.0))
    assert stop.likely_mm == pytest.approx(4.1 * 55.0 / stop.now, rel=0.01)


def test_as_stiff_as_another_board_goes_with_the_cube_root() -> None:
    """h2 = h1 (EI* / EI)^(1/3); the other board is half as stiff."""
    wood = wood_figures(SIZES, heard_board())
    assert wood.stiffness_along_n_m is not None
    half = Figure(*(0.5 * end for end in astuple(wood.stiffness_along_n_m)))
    settings = InstrumentSettings(target=(TargetSetting(mode="along", stiff_as="Board 5"),))
    (stop,) = stops_of(wood, settings, 440.0, {"board-5": replace(wood, stiffness_along_n_m=half)})
    assert stop.likely_mm == pytest.approx(4.1 * 0.5 ** (1 / 3))
    assert stop.stop_mm is not None
    assert stop.thinnest_mm is not None
    assert stop.stop_mm > stop.likely_mm > stop.thinnest_mm
    (unknown,) = stops_of(wood, settings, 440.0)
    assert (unknown.target, unknown.stop_mm) == (None, None)
    assert boards_of(settings) == {"board-5"}
