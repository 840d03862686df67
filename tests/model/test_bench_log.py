"""What a recording belongs to follows from the log alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tapbatch.model.bench_log import IDLE, NIGHT_ENDS, BenchLog, Event, OnBench

NOON = datetime.now().astimezone().replace(year=2026, month=3, day=14, hour=12, minute=0, second=0, microsecond=0)
SERIES = OnBench(instrument="cittern-12", stage="06-voicing", words=("closed",), step=1)
OTHER = OnBench(instrument="rote-1", stage="02-thinned")


def said(bench: OnBench, minutes: float) -> Event:
    return Event(at=NOON + timedelta(minutes=minutes), what="now", bench=bench)


def placed(name: str, minutes: float, recorded: float | None = None) -> Event:
    when = None if recorded is None else NOON + timedelta(minutes=recorded)
    return Event(at=NOON + timedelta(minutes=minutes), what="placed", recording=name, sha256=name, recorded_at=when)


def folder_at(log: BenchLog, minutes: float) -> str:
    bench = log.on_bench(NOON + timedelta(minutes=minutes))
    return bench.folder if bench else ""


def test_nothing_is_on_the_bench_before_anything_was_said() -> None:
    assert folder_at(BenchLog(), 0) == ""
    assert folder_at(BenchLog((said(OTHER, 1),)), 0) == ""


def test_the_last_word_before_a_recording_counts() -> None:
    log = BenchLog((said(SERIES, 0), said(OTHER, 60), said(SERIES, 90)))
    assert [folder_at(log, m).split("/")[0] for m in (30, 75, 95)] == ["cittern-12", "rote-1", "cittern-12"]


def test_a_step_begins_only_when_it_is_said() -> None:
    nexts = tuple(Event(at=NOON + timedelta(minutes=m), what="next") for m in (20, 40))
    log = BenchLog((said(SERIES, 0), *nexts))
    assert [folder_at(log, m)[-1] for m in (10, 30, 50)] == ["1", "2", "3"]


def test_it_lapses_when_idle_and_a_recording_keeps_it() -> None:
    idle = IDLE.total_seconds() / 60
    log = BenchLog((said(SERIES, 0),))
    assert folder_at(log, idle - 1)
    assert not folder_at(log, idle + 1)
    kept = log.with_events(placed("a.wav", 0.9 * idle))
    assert folder_at(kept, 1.5 * idle)
    # One that came after it had lapsed does not bring it back.
    assert not folder_at(log.with_events(placed("a.wav", 1.2 * idle)), 1.3 * idle)


def test_it_lapses_overnight_even_if_work_went_on_late() -> None:
    late = NOON.replace(hour=2) + timedelta(days=1)
    log = BenchLog((Event(at=late, what="now", bench=SERIES),))
    assert log.on_bench(late.replace(hour=NIGHT_ENDS.hour) - timedelta(minutes=1)) is not None
    assert log.on_bench(late.replace(hour=NIGHT_ENDS.hour)) is None
    assert log.lapses_at(late) == late.replace(hour=NIGHT_ENDS.hour)


def test_a_recording_that_arrives_late_counts_when_it_was_made() -> None:
    log = BenchLog((said(SERIES, 0), placed("a.wav", 230, recorded=1)))
    # It was made at minute 1, so nothing happened for four hours after that.
    assert not folder_at(log, 300)


def test_what_was_taken_out_is_no_longer_placed_and_stays_handled() -> None:
    first, second = placed("a.wav", 1), placed("b.wav", 2)
    out = Event(at=NOON, what="taken out", recording="b.wav", sha256="b.wav")
    log = BenchLog((first, second, out))
    assert list(log.placed) == ["a.wav"]
    assert log.handled == {"a.wav", "b.wav"}
    assert [e.recording for e in log.last()] == ["a.wav"]


def test_what_was_said_to_be_worked_on() -> None:
    air = OnBench(instrument="Cittern-12", stage="06-Voicing", step=1, on=("air",))
    top = OnBench(instrument="cittern-12", stage="06-voicing", step=3, on=("top", "air"))
    log = BenchLog((said(air, 0), said(top, 5), said(SERIES, 9)))
    assert log.said_of("cittern-12") == (("06-voicing", 1, ("air",)), ("06-voicing", 3, ("top", "air")))
    assert log.said_of("rote-1") == ()


@settings(suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.integers(0, 2000), max_size=12), st.integers(0, 3000))
def test_the_order_in_which_recordings_were_written_down_does_not_matter(times: list[int], at: int) -> None:
    """Files from a cloud folder come in any order; each belongs to what was on the bench when it was made."""
    events = [placed(f"{n}.wav", 2000, recorded=m) for n, m in enumerate(times)]
    forward = BenchLog((said(SERIES, 0), *events))
    backward = BenchLog((said(SERIES, 0), *reversed(events)))
    assert folder_at(forward, at) == folder_at(backward, at)


def test_times_of_any_zone_compare() -> None:
    log = BenchLog((said(SERIES, 0),))
    assert log.on_bench((NOON + timedelta(minutes=1)).astimezone(UTC)) == SERIES


def sent(bench: OnBench, name: str, minute: float) -> Event:
    at = NOON + timedelta(minutes=minute)
    return Event(at=at, what="sent", bench=bench, original=name, sha256=f"of {name}", mark="id")


def test_what_a_phone_sends_leaves_alone_what_is_on_the_bench() -> None:
    other = OnBench(instrument="rote-1", stage="01-joined", on=("top",))
    log = BenchLog((said(SERIES, 0), sent(other, "a.m4a", 1)))
    assert log.on_bench(NOON + timedelta(minutes=2)) == SERIES
    assert log.sent[("a.m4a", "of a.m4a")].bench == other
    assert log.said_of("rote-1") == (("01-joined", 0, ("top",)),)


def test_the_later_word_about_a_recording_counts() -> None:
    other = OnBench(instrument="rote-1", stage="01-joined")
    log = BenchLog((sent(SERIES, "a.m4a", 1), sent(other, "a.m4a", 2)))
    assert [event.bench for event in log.sent.values()] == [other]


def test_a_step_of_one_series_leaves_another_where_it_is() -> None:
    other = OnBench(instrument="rote-1", stage="02-voicing", step=4)
    begun = Event(at=NOON + timedelta(minutes=1), what="next", bench=other)
    log = BenchLog((said(SERIES, 0), begun))
    assert log.on_bench(NOON + timedelta(minutes=2)) == SERIES
    assert {bench.series: bench.step for bench in log.steps.values()} == {SERIES.series: SERIES.step, other.series: 4}
    own = Event(
        at=NOON + timedelta(minutes=3), what="next", bench=replace(SERIES, step=7, words=("closed", "resets"))
    )
    # A set-up makes no other series: what is on the bench goes on with that step.
    assert BenchLog((*log.events, own)).on_bench(NOON + timedelta(minutes=4)) == replace(SERIES, step=7)


def test_words_of_one_recording_do_not_part_a_series() -> None:
    plain = OnBench(instrument="Rote-1", stage="02 Voicing", words=("closed", "top"), step=3)
    for words in (
        ("top", "closed"),
        ("Closed", "resets", "top"),
        ("closed", "top", "spot-window", "at-bridge", "again"),
    ):
        assert replace(plain, words=words, step=9).series == plain.series
    assert replace(plain, words=("top",)).series != plain.series
    assert replace(plain, step=0).series == ""
