"""Reports of a shop under watch: drawn when it is quiet, in the background, and never in the way of a recording."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from tapbatch.model.errors import ShopError
from tapbatch.model.history import History
from tapbatch.model.notice import Notice
from tapbatch.run.instrument import Drawn, Due
from tapbatch.show.pdf import report
from tapbatch.show.say.notices import notice_text
from tapbatch.watch.arrivals import STILL_S
from tapbatch.watch.drawing import draw
from tapbatch.watch.watching import AGAIN_S, LOOK_EVERY_S, QUIET_S
from tests.refusals import misses
from tests.shops import make_shop, rows_of, taps
from tests.watch.bench import Bench, Sounds, as_a_run, kinds

pytestmark = pytest.mark.usefixtures("drawn")


class Slow:
    """Draws a report when told to, as somebody would who takes long."""

    def __init__(self) -> None:
        self.due: Due | None = None
        self.drawn: Drawn | None = None
        self.closed = False

    @property
    def busy(self) -> bool:
        return self.due is not None

    @property
    def done(self) -> bool:
        return self.drawn is not None

    def begin(self, due: Due) -> None:
        assert self.due is None
        self.due = due

    def finish(self) -> str:
        assert self.due is not None
        self.drawn = draw(self.due)
        return self.due.instrument

    def take(self) -> Drawn | None:
        drawn = self.drawn
        if drawn is not None:
            self.due = self.drawn = None
        return drawn

    def close(self) -> None:
        self.closed = True


def test_an_arrival_does_not_wait_for_a_report_and_an_old_one_is_let_go(sounds: Sounds, tmp_path: Path) -> None:
    slow = Slow()
    bench = Bench(make_shop(tmp_path / "shop", sounds), slow)
    lyre_report = bench.root / "results" / "lyre-2" / "report.pdf"
    assert bench.until_quiet(10.0) == ["began: 2"]
    assert slow.due is not None
    assert slow.due.instrument == "lyre-2"
    bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2, cents=-40))
    began_s = bench.now_s
    assert bench.until_quiet() == ["arrived: lyre-2_02-thinned_top_1.wav"]
    assert bench.now_s - began_s <= STILL_S + LOOK_EVERY_S
    # drawn before the arrival: it does not show the new stage, and is not put in place
    assert slow.finish() == "lyre-2"
    bench.until_quiet(QUIET_S)
    assert not lyre_report.exists()
    assert slow.finish() == "lyre-2"
    bench.until_quiet()
    assert lyre_report.exists()
    assert slow.finish() == "na"
    bench.until_quiet()
    assert not slow.busy
    assert as_a_run(bench, tmp_path / "run")


def test_a_report_that_cannot_be_drawn_is_told_and_keeps_no_other_waiting(
    bench: Bench, drawn: list[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    draw_well = report.report_bytes

    def refuse(history: History, *rest: object) -> bytes:
        if history.instrument == "lyre-2":
            raise ValueError("no such glyph")
        return draw_well(history, *rest)  # type: ignore[arg-type]

    drawn.clear()
    with monkeypatch.context() as patch:
        patch.setattr(report, "report_bytes", refuse)
        (bench.root / "shop.toml").write_text("concert_pitch_hz = 431\n")
        told = bench.until_quiet(10.0)
        assert kinds(told) == ["note", "attention"]
        assert told[1].startswith("attention: lyre-2: ")
        assert misses(told[1], "ValueError: no such glyph") == []
        assert drawn == ["na"]
        # and it stays told, once, while other instruments go on
        bench.put("lyre-3_01-joined_top_1.wav", taps(77, count=2))
        assert bench.until_quiet(10.0) == ["arrived: lyre-3_01-joined_top_1.wav"]
        assert [row["where"] for row in rows_of(bench.root / "results" / "attention.csv")] == ["lyre-2"]
        assert drawn == ["na", "lyre-3"]
    # what changed may be drawn again
    bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2, cents=-40))
    assert bench.until_quiet(10.0) == ["arrived: lyre-2_02-thinned_top_1.wav"]
    assert drawn == ["na", "lyre-3", "lyre-2"]
    assert as_a_run(bench, tmp_path / "run")


def test_what_was_drawn_since_is_tried_again(bench: Bench, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    settings = bench.root / "shop.toml"
    with monkeypatch.context() as patch:
        patch.setattr(report, "report_bytes", lambda *_: 1 / 0)
        settings.write_text("concert_pitch_hz = 431\n")
        assert kinds(bench.until_quiet(10.0)) == ["note", "attention", "attention"]
    for pitch_hz in (432, 431):
        settings.write_text(f"concert_pitch_hz = {pitch_hz}\n")
        assert kinds(bench.until_quiet(10.0)) == ["note"]
        assert as_a_run(bench, tmp_path / f"run-{pitch_hz}")


def test_a_report_for_which_there_is_no_room_is_kept_until_there_is(
    bench: Bench, drawn: list[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from tapbatch.run import refresh as refreshing

    put_well = refreshing.put_file

    def full(path: Path, data: bytes) -> Notice | None:
        if path.suffix == ".pdf":
            raise ShopError(str(path), "no space left on device", "make room") from OSError(errno.ENOSPC, "full")
        return put_well(path, data)

    drawn.clear()
    with monkeypatch.context() as patch:
        patch.setattr(refreshing, "put_file", full)
        bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2))
        told = bench.until_quiet(2 * AGAIN_S)
    assert [line.partition(": ")[0] for line in told] == ["arrived", "note"]
    bench.until_quiet(AGAIN_S)
    assert drawn == ["lyre-2"]
    assert as_a_run(bench, tmp_path / "run")


@pytest.mark.parametrize("refused", ["raises", "stays beside"])
def test_outputs_that_cannot_be_written_do_not_keep_a_watch_drawing(
    refused: str, bench: Bench, drawn: list[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from tapbatch.run import refresh as refreshing

    put_well = refreshing.put_file
    beside = Notice("not replaced", path="modes.csv", other_path="modes (new).csv", text="in use")

    def refuse(path: Path, data: bytes) -> Notice | None:
        if path.name != "modes.csv" or path.parent.name != "lyre-2":
            return put_well(path, data)
        if refused == "raises":
            raise ShopError(str(path), "permission denied", "let the folder be written") from PermissionError()
        return beside

    drawn.clear()
    with monkeypatch.context() as patch:
        patch.setattr(refreshing, "put_file", refuse)
        bench.put("lyre-2_02-thinned_top_1.wav", taps(73, count=2))
        told = bench.until_quiet(10 * QUIET_S)
    said = "permission denied" if refused == "raises" else notice_text(beside)
    assert any(said in line for line in told)
    assert drawn == ["lyre-2"]
    bench.put("lyre-2_03-carved_top_1.wav", taps(74, count=2))
    bench.until_quiet(QUIET_S)
    assert as_a_run(bench, tmp_path / "run")


def test_a_watch_that_ends_lets_go_of_the_report_in_hand(sounds: Sounds, tmp_path: Path) -> None:
    slow = Slow()
    bench = Bench(make_shop(tmp_path / "shop", sounds), slow)
    bench.until_quiet(10.0)

    def interrupted(timeout_s: float) -> bool:
        raise KeyboardInterrupt

    bench.wait = interrupted  # type: ignore[method-assign]
    with pytest.raises(KeyboardInterrupt):
        bench.watch.go_on()
    assert (slow.closed, slow.busy) == (True, True)
