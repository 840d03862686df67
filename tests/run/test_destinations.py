"""What phones ask of recordings and their places, while the results may be held by another."""

from __future__ import annotations

from threading import Event as Signal
from threading import Thread

import pytest

from tapbatch.model.errors import NamingError, ShopError
from tapbatch.results.lock import hold
from tapbatch.run.destinations import Destination, begin_step, bench_for, give_place, refuse_odd, reword, take_back
from tapbatch.shop.now_file import read_log
from tests.refusals import refused
from tests.run.inbox_day import Day

VOICING = Destination(instrument="lyre-2", stage="06-voicing", words=("step",))


@pytest.fixture
def placed(day: Day) -> Day:
    """Return a day with one recording in the first step of a series."""
    day.say("lyre-2", "06-voicing", "step", new=True)
    day.wait(1)
    day.drop("Rec", 2)
    day.look()
    return day


def only(day: Day) -> str:
    (recording,) = read_log(day.root)[0].placed
    return recording


def test_a_series_without_a_number_is_at_the_step_that_it_has_reached(placed: Day) -> None:
    assert bench_for(placed.shop, VOICING).step == 1
    begin_step(placed.shop, VOICING, placed.clock)
    assert bench_for(placed.shop, VOICING).step == 2
    # What was said at the computer counts as well.
    placed.drop("Rec", 3)
    placed.wait(1)
    placed.look()
    placed.say(next_step=True)
    assert bench_for(placed.shop, VOICING).step == 3
    assert bench_for(placed.shop, Destination(instrument="lyre-2", stage="06-voicing", step=1)).step == 1


def test_what_came_before_the_cut_stays_in_the_step_that_ends(placed: Day) -> None:
    # It has no time of its own, so it belongs to the step at hand when it is first seen.
    placed.drop("Late", 3, at=False)
    begin_step(placed.shop, VOICING, placed.clock)
    placed.wait(1)
    placed.look()
    assert "lyre-2/06-voicing/step 1/Late.wav" in placed.there


def test_what_is_no_series_has_no_next_step(placed: Day) -> None:
    with refused(ShopError, "lyre-2/05-closed", "step"):
        begin_step(placed.shop, Destination(instrument="lyre-2", stage="05-closed"), placed.clock)


def test_work_waits_for_a_run_that_holds_the_results(placed: Day) -> None:
    held, may_end, said = Signal(), Signal(), []

    def run() -> None:
        with hold(placed.shop.results_dir, "tapbatch run", lambda _: None):
            held.set()
            may_end.wait(30)

    def waits(line: str) -> None:
        said.append(line)
        may_end.set()

    def ask() -> None:
        begin_step(placed.shop, VOICING, placed.clock, waits)

    running, asking = Thread(target=run), Thread(target=ask)
    running.start()
    assert held.wait(30)
    asking.start()
    asking.join(30)
    running.join(30)
    # It was told that it has to wait, then had its turn.
    assert (len(said), bench_for(placed.shop, VOICING).step) == (1, 2)


def test_the_same_place_again_changes_nothing(placed: Day) -> None:
    recording, before = only(placed), (placed.root / "now.csv").read_bytes()
    there = Destination(instrument="lyre-2", stage="06-voicing", step=1)
    assert give_place(placed.shop, recording, there, placed.clock).recording == recording
    assert reword(placed.shop, recording, resets=False, spot="", clock=placed.clock).recording == recording
    assert (placed.root / "now.csv").read_bytes() == before


def test_words_come_and_go_and_others_stay(placed: Day) -> None:
    give_place(
        placed.shop,
        only(placed),
        Destination(instrument="lyre-2", stage="06-voicing", words=("closed", "at-bridge", "spot-bench"), step=2),
        placed.clock,
    )
    reword(placed.shop, only(placed), resets=True, spot="spot-window", clock=placed.clock)
    (event,) = read_log(placed.root)[0].placed.values()
    assert event.bench is not None
    assert (event.bench.words, event.bench.step) == (("closed", "at-bridge", "resets", "spot-window"), 2)
    with refused(NamingError, "window", "spot-window"):
        reword(placed.shop, only(placed), resets=True, spot="window", clock=placed.clock)
    reword(placed.shop, only(placed), resets=False, spot="", clock=placed.clock)
    (event,) = read_log(placed.root)[0].placed.values()
    assert event.bench is not None
    assert event.bench.words == ("closed", "at-bridge")


def test_a_copy_that_someone_changed_is_neither_moved_nor_deleted(placed: Day) -> None:
    recording = only(placed)
    path = placed.root / "recordings" / recording
    path.write_bytes(b"changed by hand")
    with refused(ShopError, recording):
        take_back(placed.shop, recording, placed.clock)
    assert path.read_bytes() == b"changed by hand"


@pytest.mark.parametrize("name", ["recordings/x.wav", "lyre-2/05-closed/a.wav"])
def test_only_what_came_from_the_inbox_is_taken_back(day: Day, name: str) -> None:
    with refused(ShopError, name):
        take_back(day.shop, name, day.clock)
    assert (day.root / "recordings/lyre-2/05-closed/a.wav").exists()


@pytest.mark.parametrize("name", ["Ärger 4", "朝の音", "06-voicing", "a.b", "it's", "n°7", "🎻"])
def test_names_of_any_script_are_welcome(name: str) -> None:
    refuse_odd(Destination(instrument=name, stage=name, words=(name,)))
