"""What phones are sending, as it is kept until it is whole."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from tapbatch.model.bench_log import OnBench
from tapbatch.model.errors import ShopError
from tapbatch.results import uploads
from tapbatch.results.lock import hold
from tapbatch.results.uploads import IDLE, KEPT, MOST, CrowdedError, OffsetError, UnknownUploadError, Upload, Uploads

BENCH = OnBench(instrument="lute-3", stage="voicing", words=("closed",), step=2, on=("air",))


class Phone:
    def __init__(self, results: Path) -> None:
        self.now = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
        self.results = results
        self.uploads = self.anew()

    def anew(self) -> Uploads:
        """As after a new start."""
        return Uploads(lambda: self.results, lambda: self.now)

    def send(self, upload: Upload, data: bytes, start: int = 0) -> None:
        with self.uploads.receiving(upload, start) as add:
            add(data)


@pytest.fixture
def phone(tmp_path: Path) -> Phone:
    return Phone(tmp_path / "results")


def test_what_is_known_of_an_upload_survives_a_new_start(phone: Phone) -> None:
    made = phone.now - timedelta(hours=1)
    upload = phone.uploads.begin("Ärger 4.m4a", 1000, BENCH, made)
    phone.send(upload, b"x" * 10)
    again = phone.anew()
    assert again.find(upload.id) == upload
    assert (again.offset(upload), again.promised_bytes(), again.sent_today_bytes()) == (10, 990, 10)
    assert again.data(upload).suffix == ".m4a"


def test_bytes_come_in_order_and_without_gaps(phone: Phone) -> None:
    upload = phone.uploads.begin("a.wav", 1000, BENCH)
    phone.send(upload, b"abc")
    for start in (0, 2, 4, 1000):
        with pytest.raises(OffsetError) as told, phone.uploads.receiving(upload, start):
            pass
        assert told.value.offset == 3
    phone.send(upload, b"def", 3)
    assert phone.uploads.data(upload).read_bytes() == b"abcdef"


def test_a_later_sender_ends_an_earlier_one(phone: Phone) -> None:
    upload = phone.uploads.begin("a.wav", 1000, BENCH)
    with phone.uploads.receiving(upload, 0) as first:
        first(b"abc")
        with phone.uploads.receiving(upload, 3) as second:
            second(b"def")
        with pytest.raises(OffsetError):
            first(b"xyz")
    assert phone.uploads.data(upload).read_bytes() == b"abcdef"


def test_what_is_old_is_swept_away_and_strays_with_it(phone: Phone) -> None:
    old = phone.uploads.begin("a.wav", 1000, BENCH)
    phone.send(old, b"x")
    phone.now += KEPT - timedelta(minutes=1)
    young = phone.uploads.begin("b.wav", 1000, BENCH)
    (phone.uploads.folder / f"{'0' * 24}.wav").write_bytes(b"a kill left it")
    mine = phone.uploads.folder / "mine.txt"
    mine.write_text("not theirs")
    phone.now += timedelta(minutes=2)
    phone.uploads.sweep()
    names = {p.name for p in phone.uploads.folder.iterdir()}
    assert names == {f"{young.id}.json", f"{young.id}.wav", "day.json", "mine.txt"}
    with pytest.raises(UnknownUploadError):
        phone.uploads.find(old.id)


def test_a_run_that_sweeps_leaves_uploads_alone(phone: Phone) -> None:
    upload = phone.uploads.begin("a.wav", 1000, BENCH)
    phone.send(upload, b"abc")
    with hold(phone.results, "tapbatch run", pytest.fail):
        pass
    assert phone.uploads.offset(phone.uploads.find(upload.id)) == 3


def test_one_that_stands_still_makes_room(phone: Phone) -> None:
    phone.now = datetime.now(UTC)
    first = phone.uploads.begin("0.wav", 10, BENCH)
    others = [phone.uploads.begin(f"{n}.wav", 10, BENCH) for n in range(1, MOST)]
    with pytest.raises(CrowdedError):
        phone.uploads.begin("more.wav", 10, BENCH)
    phone.now += IDLE + timedelta(minutes=1)
    more = phone.uploads.begin("more.wav", 10, BENCH)
    left = {upload.id for upload in phone.uploads.unfinished()}
    assert len(left) == MOST
    assert more.id in left
    assert len(left & {first.id, *(o.id for o in others)}) == MOST - 1


@pytest.mark.parametrize("number", ["", "..", "day", "a" * 23, "A" * 24, "../" + "a" * 21, "a" * 24, "a" * 23 + "\0"])
def test_what_is_no_id_is_not_found(phone: Phone, number: str) -> None:
    phone.uploads.begin("a.wav", 10, BENCH)
    with pytest.raises(UnknownUploadError):
        phone.uploads.find(number)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "null", '{"name": "a.wav"}', '{"name": "../a.wav", "size": 1}', "[" * 9000, "\0"]
)
def test_what_is_known_of_an_upload_may_be_damaged(phone: Phone, text: str) -> None:
    upload = phone.uploads.begin("a.wav", 10, BENCH)
    (phone.uploads.folder / f"{upload.id}.json").write_text(text)
    (phone.uploads.folder / "day.json").write_text(text)
    again = phone.anew()
    assert (again.unfinished(), again.sent_today_bytes()) == ([], 0)
    again.sweep()
    assert not again.data(upload).exists()


def test_a_folder_that_is_a_link_is_refused(phone: Phone, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    phone.results.mkdir()
    (phone.results / ".uploads").symlink_to(elsewhere)
    with pytest.raises(ShopError):
        phone.uploads.begin("a.wav", 10, BENCH)
    assert list(elsewhere.iterdir()) == []


def test_a_day_ends_at_midnight(phone: Phone) -> None:
    phone.send(phone.uploads.begin("a.wav", 10, BENCH), b"abc")
    assert phone.uploads.sent_today_bytes() == 3
    phone.now += timedelta(days=1)
    assert phone.uploads.sent_today_bytes() == phone.anew().sent_today_bytes() == 0


def test_nothing_is_left_of_one_that_is_dropped(phone: Phone) -> None:
    upload = phone.uploads.begin("a.wav", 10, BENCH)
    phone.uploads.drop(upload)
    assert list(phone.uploads.folder.iterdir()) == []
    with pytest.raises(UnknownUploadError):
        phone.uploads.offset(upload)


def test_one_that_goes_meanwhile_is_not_counted(phone: Phone) -> None:
    phone.uploads.begin("a.wav", 10, BENCH)
    gone = phone.uploads.begin("b.wav", 20, BENCH)
    phone.uploads.data(gone).unlink()
    assert phone.uploads.promised_bytes() == 10


def test_a_kill_while_one_is_dropped_leaves_nothing_for_long(phone: Phone) -> None:
    upload = phone.uploads.begin("a.wav", 10, BENCH)
    phone.uploads.data(upload).unlink()
    phone.anew().sweep()
    assert list(phone.uploads.folder.iterdir()) == []


def test_one_that_is_whole_is_kept_however_old_it_is(phone: Phone) -> None:
    # The computer was switched off over the weekend before it could be taken.
    whole = phone.uploads.begin("a.wav", 3, BENCH)
    phone.send(whole, b"abc")
    phone.now += 3 * KEPT
    later = phone.anew()
    later.sweep()
    assert (later.unfinished(), later.offset(whole)) == ([whole], 3)


def test_one_that_is_whole_makes_no_room(phone: Phone) -> None:
    # It waits for a run that takes long.
    for number in range(MOST):
        phone.send(phone.uploads.begin(f"{number}.wav", 1, BENCH), b"x")
    phone.now += 10 * KEPT
    with pytest.raises(CrowdedError):
        phone.uploads.begin("one more.wav", 1, BENCH)
    assert len(phone.uploads.unfinished()) == MOST


def test_a_clock_that_jumps_takes_nothing_from_one_who_is_sending(phone: Phone) -> None:
    upload = phone.uploads.begin("a.wav", 6, BENCH)
    with phone.uploads.receiving(upload, 0) as add:
        add(b"abc")
        phone.now += timedelta(days=400)
        phone.uploads.sweep()
        add(b"def")
    assert phone.uploads.data(upload).read_bytes() == b"abcdef"


def test_a_clock_that_went_back_leaves_no_room_taken_for_ever(phone: Phone) -> None:
    for number in range(MOST):
        phone.uploads.begin(f"{number}.wav", 1000, BENCH)
    phone.now -= timedelta(days=400)
    phone.uploads.begin("one more.wav", 1000, BENCH)
    assert len(phone.uploads.unfinished()) == 1


def test_what_is_being_sent_counts_at_once(phone: Phone) -> None:
    upload = phone.uploads.begin("a.wav", 1000, BENCH)
    with phone.uploads.receiving(upload, 0) as add:
        add(b"x" * 400)
        assert (phone.uploads.sent_today_bytes(), phone.uploads.promised_bytes()) == (400, 600)
    assert phone.anew().sent_today_bytes() == 400


def test_a_disk_that_takes_less_at_a_time_gets_all_of_it(phone: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    class Short(io.FileIO):
        def write(self, piece: Any) -> int:
            return super().write(memoryview(piece)[:2])

    upload = phone.uploads.begin("a.wav", 7, BENCH)
    monkeypatch.setattr(uploads.os, "fdopen", lambda handle, mode, **_: Short(handle, mode))
    with phone.uploads.receiving(upload, 0) as add:
        add(b"abcdefg")
    assert phone.uploads.data(upload).read_bytes() == b"abcdefg"
