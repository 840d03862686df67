"""Faults are read from what was found on the way, stand in one order, and none is made up."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tapbatch.compare.faults import ORDER, Fault, faults_of
from tapbatch.listen.judging import BOUNCE, CUT_OFF, FAINT, NO_TAP, SWELLS, UNLIKE
from tapbatch.model.history import Heard, History, SetupBelief, Stage, StageMode
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Tap, TapReading
from tests.compare.builds import item, mode, reading, stage_mode

CLICK = "dies away at once: a click or a dull knock"


def heard(*reasons: str, notices: tuple[Notice, ...] = (), direct_db: float | None = None, spot: str = "") -> Heard:
    """A recording with a knock each second, the bounces 80 ms behind the knock before; an empty reason is a tap."""
    taps: list[TapReading] = []
    at_s = 0.0
    for n, reason in enumerate(reasons, start=1):
        at_s = at_s + 0.08 if reason == BOUNCE else float(n)
        tap = Tap(
            number=n,
            onset_s=at_s,
            peak_dbfs=-20.0 if reason == BOUNCE else -12.0,
            snr_db=50.0,
            used=not reason,
            reason=reason,
            free_from_s=at_s + 0.004,
            free_until_s=at_s + 0.07,
        )
        taps.append(TapReading(tap=tap, modes=() if reason else (mode(200.0),)))
    said, of, _ = item("a_s_1.wav", reading([]))
    of = replace(of, taps=tuple(taps), notices=notices, direct_db=direct_db)
    return Heard(recording=replace(said, spot=spot), reading=of, part="body", state="closed")


def stage_of(*recordings: Heard, modes: tuple[StageMode, ...] = (), flags: tuple[str, ...] = ()) -> Stage:
    return Stage(
        part="body",
        state="closed",
        stage="s",
        stage_shown="s",
        order=1,
        concert_pitch_hz=440.0,
        heard=recordings,
        modes=modes,
        decays=(),
        flags=flags,
    )


def faults(stage: Stage, again: int | None = 3) -> tuple[Fault, ...]:
    setups = None if again is None else SetupBelief(own=(), common=(), again=again, typical=2.0)
    history = History(
        instrument="cittern-07", instrument_shown="Cittern-07", stages=(stage,), drifts=(), setups_freq=setups
    )
    return faults_of(history, stage)


def one(stage: Stage) -> Fault:
    (fault,) = faults(stage)
    return fault


LEAD = replace(stage_mode(200.0, name="r1"), lead=True, within_cents=0.1, between_cents=0.5)


def test_a_clean_recording_has_none() -> None:
    assert faults(stage_of(heard(*[""] * 5), modes=(LEAD,))) == ()


def test_a_click_when_the_maker_stops_the_phone_costs_nothing() -> None:
    assert faults(stage_of(heard(*[""] * 3, CLICK), modes=(LEAD,))) == ()


def test_a_bounce_that_only_cut_its_tap_short() -> None:
    assert one(stage_of(heard("", "", BOUNCE, BOUNCE, "", ""))) == Fault(kind="bounced", count=1, total=4, lost=0)


@pytest.mark.parametrize("reason", [CUT_OFF, "too short to measure"])
def test_a_bounce_that_lost_its_tap_is_not_talk(reason: str) -> None:
    assert one(stage_of(heard("", reason, BOUNCE, "", ""))) == Fault(kind="bounced", count=1, total=4, lost=1)


def test_a_knock_beside_the_blow_is_not_taken_for_it() -> None:
    """The louder of the two before the bounce is the blow."""
    recording = heard("", "", BOUNCE, "")
    first, blow, bounce, last = recording.reading.taps
    click = replace(blow, tap=replace(blow.tap, onset_s=2.03, peak_dbfs=-40.0, used=False, reason=CLICK))
    taps = (first, blow, click, bounce, last)
    stage = stage_of(replace(recording, reading=replace(recording.reading, taps=taps)))
    assert one(stage) == Fault(kind="bounced", count=1, total=3, lost=0)


@pytest.mark.parametrize("reason", [SWELLS, NO_TAP, UNLIKE])
def test_syllables_that_look_like_bounces_are_talk(reason: str) -> None:
    assert one(stage_of(heard("", reason, BOUNCE, "", ""))) == Fault(kind="talk", count=1, total=4)


@pytest.mark.parametrize("reason", [SWELLS, NO_TAP, UNLIKE, FAINT, CUT_OFF])
def test_talk_stands_where_it_cost_taps(reason: str) -> None:
    assert one(stage_of(heard("", "", reason))) == Fault(kind="talk", count=1, total=3)
    assert faults(stage_of(heard(*[""] * 9, reason))) == ()
    assert one(stage_of(heard(*[""] * 9, *[reason] * 3))) == Fault(kind="talk", count=3, total=12)


def test_a_crowded_file_is_talk() -> None:
    assert one(stage_of(heard(*[""] * 9, notices=(Notice("crowded", there_s=600.0),)))).kind == "talk"


def test_noise_stands_where_it_gives_the_interval() -> None:
    wide = replace(LEAD, freq_low_hz=199.0, freq_high_hz=201.0)
    assert faults(stage_of(heard(*[""] * 5), modes=(wide,))) == ()
    noisy = replace(wide, within_cents=9.0)
    fault = one(stage_of(heard(*[""] * 5), modes=(noisy,)))
    # 600 log2(201/199), by hand: 8.66 cents
    assert (fault.kind, fault.half_cents) == ("noise", pytest.approx(8.66, abs=0.01))
    assert faults(stage_of(heard(*[""] * 5), modes=(replace(LEAD, within_cents=9.0),))) == ()
    assert faults(stage_of(heard(*[""] * 5), modes=(replace(noisy, freq_low_hz=0.0),))) == ()


def test_strings_that_rang_are_counted() -> None:
    strings = tuple(replace(stage_mode(f), flags=("string",)) for f in (293.7, 587.3))
    assert one(stage_of(heard(*[""] * 5), modes=(LEAD, *strings))) == Fault(kind="strings rang", count=2)


def test_gain_control_is_seen_in_the_noise_and_in_the_modes() -> None:
    noticed = heard(*[""] * 5, notices=(Notice("automatic gain"),))
    assert one(stage_of(noticed, heard(""))) == Fault(kind="gain", count=1, total=2)
    bent = heard("")
    tap = replace(bent.reading.taps[0], modes=(mode(200.0, flags=("gain",)),))
    assert one(stage_of(replace(bent, reading=replace(bent.reading, taps=(tap,))))).kind == "gain"


@pytest.mark.parametrize(("direct_db", "room_pct"), [(0.0, 50.0), (10.0, 100.0 / 11.0)])
def test_how_much_of_it_is_room(direct_db: float, room_pct: float) -> None:
    """Equal energies are half and half; 10 dB are ten to one."""
    fault = one(stage_of(heard(*[""] * 5, notices=(Notice("mostly room"),), direct_db=direct_db)))
    assert (fault.kind, fault.room_pct) == ("mostly room", pytest.approx(room_pct))


def test_three_spots_are_the_remedy_of_some_room_and_not_of_much() -> None:
    some = [heard(*[""] * 5, notices=(Notice("some room"),), direct_db=12.0, spot=spot) for spot in "abc"]
    assert one(stage_of(*some[:2])).kind == "some room"
    assert faults(stage_of(*some)) == ()
    far = replace(some[0], reading=replace(some[0].reading, notices=(Notice("mostly room"),)))
    assert one(stage_of(far, *some[1:])) == Fault(
        kind="mostly room", count=1, total=3, room_pct=pytest.approx(100.0 / (1.0 + 10.0**1.2))
    )


@pytest.mark.parametrize(("again", "stands"), [(0, True), (2, False), (None, False)])
def test_one_set_up_stands_until_one_was_repeated(again: int | None, stands: bool) -> None:
    kinds = [f.kind for f in faults(stage_of(heard(*[""] * 5), modes=(LEAD,)), again)]
    assert kinds == (["one set-up"] if stands else [])


def test_only_recordings_of_taps_count() -> None:
    plucked = heard(*[SWELLS] * 5, notices=(Notice("clipped"),))
    assert faults(stage_of(replace(plucked, recording=replace(plucked.recording, kind="pluck")))) == ()


def test_each_kind_stands_once_and_the_strongest_first() -> None:
    noticed = tuple(Notice(kind) for kind in ("some room", "clipped", "automatic gain"))  # type: ignore[arg-type]
    string = replace(stage_mode(293.7), flags=("string",))
    noisy = replace(LEAD, freq_low_hz=199.0, freq_high_hz=201.0, within_cents=9.0)
    recording = heard("", "", BOUNCE, NO_TAP, notices=noticed)
    stage = stage_of(recording, modes=(string, noisy), flags=("one-setup",))
    assert [f.kind for f in faults(stage)] == [kind for kind in ORDER if kind != "mostly room"]
