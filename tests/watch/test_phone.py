"""What a phone sends, asks and is told, over real HTTP: each recording at its own destination, once."""

from __future__ import annotations

import csv
from contextlib import suppress
from datetime import timedelta
from pathlib import Path
from threading import Barrier, BrokenBarrierError, Thread

import pytest

from tapbatch.results.uploads import Upload, Uploads
from tapbatch.run.inbox import look_into
from tapbatch.shop.folder import open_shop
from tapbatch.shop.now_file import read_log
from tapbatch.show.terminal.phone_reading import PhoneReading
from tapbatch.watch.phone_state import LEAST_ROOM_BYTES
from tests.shops import rows_of, tapbatch, taps, write_wav
from tests.watch.desk import CITTERN, LYRE, Served


def test_the_page_comes_without_a_key_and_holds_nothing_of_the_shop(served: Served) -> None:
    status, page = served.ask("GET", "/phone", key=None)
    assert status == 200
    assert b"<html" in page
    assert b"lyre-2" not in page


def test_a_recording_goes_to_its_own_destination_whatever_is_on_the_bench(served: Served) -> None:
    tapbatch("now", "lyre-2", "05-closed", served.root)
    data = served.sound(2)
    told = served.send("New Recording 4.wav", data)
    place = "cittern-12/06-voicing/closed/step 1/New Recording 4.wav"
    assert told == {
        "offset": len(data), "done": True, "original": "New Recording 4.wav", "recording": place, "note": "",
    }  # fmt: skip
    assert served.there == {place: data}
    assert (served.inbox / "New Recording 4.wav").read_bytes() == data
    assert served.roused == 1
    # Nothing of it is left where it arrived but how much came today.
    assert [p.name for p in (served.results / ".uploads").iterdir()] == ["day.json"]
    assert served.desk.uploads.sent_today_bytes() == len(data)


def test_the_pass_of_the_watch_places_what_a_phone_has_put_there(served: Served) -> None:
    told = served.send("a.wav", served.sound(2))
    (served.root / "recordings" / told["recording"]).unlink()
    log = served.root / "now.csv"
    # A kill came before it was placed: only the word of the phone is in the log.
    log.write_text("".join(line for line in log.read_text().splitlines(keepends=True) if ",placed," not in line))
    tapbatch("now", "lyre-2", "07-strung", "--new", served.root)
    assert list(served.there) == [told["recording"]]
    assert [e.recording for e in look_into(open_shop(served.root)).placed] == []


def test_a_recording_that_breaks_off_goes_on_where_it_stopped(served: Served) -> None:
    data = served.sound(2)
    number = served.begin("a.wav", len(data))[1]["id"]
    head = f"PUT /phone/uploads/{number}?from=0 HTTP/1.1\r\nHost: {served.host}\r\nTapbatch-Key: {'k' * 22}\r\n"
    served.raw(head.encode() + f"Content-Length: {len(data)}\r\n\r\n".encode() + data[:4321])
    assert served.ask("GET", f"/phone/uploads/{number}") == (200, {"offset": 4321})
    assert not served.inbox.exists()
    status, told = served.ask("PUT", f"/phone/uploads/{number}?from=0", data)
    assert (status, told["offset"]) == (409, 4321)
    assert served.ask("PUT", f"/phone/uploads/{number}?from=4321", data[4321:])[1]["done"]
    assert list(served.there.values()) == [data]
    # Who missed the answer asks again.
    assert served.ask("GET", f"/phone/uploads/{number}")[1]["done"]


def test_the_same_recording_is_not_taken_twice(served: Served) -> None:
    data = served.sound(2)
    first = served.send("a.wav", data)
    again = served.send("b.wav", data, LYRE)
    assert again["recording"] == first["recording"]
    assert "cittern-12/06-voicing" in again["note"]
    assert len(served.there) == 1
    assert [p.name for p in served.inbox.iterdir()] == ["a.wav"]


def test_a_name_that_is_taken_is_never_overwritten(served: Served) -> None:
    one, other = served.sound(2), served.sound(3)
    assert served.send("a.wav", one)["original"] == "a.wav"
    assert served.send("a.wav", other)["original"] == "a (2).wav"
    assert sorted(p.read_bytes() for p in served.inbox.iterdir()) == sorted((one, other))


def test_two_phones_work_on_two_instruments_each_with_its_own_steps(served: Served) -> None:
    lute = {"instrument": "lute-3", "stage": "voicing", "words": ["step"], "step": 0, "on": []}
    theirs = served.ask("POST", "/phone/now", {**lute, "new": True})[1]["bench"]
    assert (theirs["step"], theirs["words"]) == (1, [])
    ours: dict[str, object] = dict(CITTERN)
    for number in range(2, 6):
        served.send("a.wav", served.sound(number), ours)
        if number % 2:
            served.send("a.wav", served.sound(number + 10), theirs)
            theirs = served.ask("POST", "/phone/next", {"destination": theirs})[1]["destination"]
        ours = served.ask("POST", "/phone/next", {"destination": ours})[1]["destination"]
    assert (ours["step"], theirs["step"]) == (5, 3)
    folders = sorted(path.rpartition("/")[0] for path in served.there)
    assert folders == [
        *(f"cittern-12/06-voicing/closed/step {n}" for n in (1, 2, 3, 4)),
        *(f"lute-3/voicing/step {n}" for n in (1, 2)),
    ]
    steps = {each["instrument"]: each["step"] for each in served.state["steps"]}
    assert steps == {"cittern-12": 5, "lute-3": 3}


def test_both_phones_send_at_the_same_time(served: Served) -> None:
    sounds = {number: served.sound(number) for number in range(2, 10)}
    served.send("first.wav", served.sound(20))

    def send(number: int) -> None:
        served.send("Recording.wav", sounds[number], CITTERN if number % 2 else LYRE)

    threads = [Thread(target=send, args=(number,)) for number in sounds]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(served.there.values()) == sorted([*sounds.values(), served.sound(20)])
    assert read_log(served.root)[1] == ()


def test_a_step_is_begun_once_however_many_ask(served: Served) -> None:
    assert served.ask("POST", "/phone/next", {"destination": CITTERN})[0] == 409
    served.send("a.wav", served.sound(2))
    for _ in range(2):
        status, told = served.ask("POST", "/phone/next", {"destination": CITTERN})
        assert (status, told["destination"]["step"]) == (200, 2)
    status, told = served.ask("POST", "/phone/next", {"destination": told["destination"]})
    assert (status, told["remedy"]) == (409, "record it first")


def test_what_is_on_the_bench_goes_on_with_a_step_begun_by_phone(served: Served) -> None:
    tapbatch("now", "cittern-12", "06-voicing", "closed", "step", served.root)
    served.send("a.wav", served.sound(2))
    served.ask("POST", "/phone/next", {"destination": CITTERN})
    assert served.state["bench"]["step"] == 2
    other = {**CITTERN, "instrument": "cittern-13"}
    served.send("b.wav", served.sound(3), other)
    served.ask("POST", "/phone/next", {"destination": other})
    assert served.state["bench"]["step"] == 2


def test_the_page_and_the_bench_count_steps_that_have_no_numbers_alike(served: Served) -> None:
    voicing = {**LYRE, "stage": "06-voicing", "words": ["step"], "new": True}
    served.ask("POST", "/phone/now", voicing)
    for number in (1, 2, 3):
        write_wav(served.root / f"recordings/lyre-2/06-voicing/step/{number}.wav", taps(number, count=1))
    (shown,) = served.state["steps"]
    assert shown["step"] == served.ask("POST", "/phone/now", voicing)[1]["bench"]["step"] == 3


def test_a_likely_slip_is_asked_back(served: Served) -> None:
    served.send("a.wav", served.sound(2))
    slip = {**CITTERN, "stage": "06-voicng"}
    for asked in (slip, {**slip, "words": ["step"]}):
        status, told = served.ask("POST", "/phone/now", asked)
        assert (status, told["like"]) == (409, "06-voicing")
    status, told = served.ask("POST", "/phone/now", {**slip, "new": True})
    assert (status, told["is_new"]) == (200, True)
    assert served.ask("POST", "/phone/now", CITTERN)[1]["is_new"] is False


def test_a_likely_slip_is_asked_back_where_a_recording_is_given_a_place(served: Served) -> None:
    recording = served.send("a.wav", served.sound(2))["recording"]
    given = {"recording": recording, "destination": {**CITTERN, "stage": "06-voicng"}}
    status, told = served.ask("POST", "/phone/give", given)
    assert (status, told["like"], list(served.there)) == (409, "06-voicing", [recording])
    assert served.ask("POST", "/phone/give", {**given, "new": True})[0] == 200
    assert list(served.there) == ["cittern-12/06-voicng/closed/step 1/a.wav"]


def test_the_bench_is_set_for_everyone(served: Served) -> None:
    status, state = served.ask("POST", "/phone/now", {**LYRE, "words": ["closed"], "new": False})
    assert (status, state["bench"]) == (200, {**LYRE, "words": ["closed"]})
    assert "lyre-2/05-closed" in tapbatch("now", served.root).said


def test_one_is_taken_back_and_its_original_stays(served: Served) -> None:
    data = served.sound(2)
    recording = served.send("a.wav", data)["recording"]
    # Another phone may have sent meanwhile, so the last one is never meant without its name.
    assert served.ask("POST", "/phone/undo", {})[0] == 400
    status, state = served.ask("POST", "/phone/undo", {"recording": recording})
    assert (status, state["last"], served.there) == (200, [], {})
    assert (served.inbox / "a.wav").read_bytes() == data
    # Sent again, it comes back, and the inbox has it once.
    assert served.send("again.wav", data, LYRE)["recording"] == "lyre-2/05-closed/a (2).wav"
    assert [p.name for p in served.inbox.iterdir()] == ["a.wav"]


def test_a_phone_takes_back_its_own(served: Served) -> None:
    ours = served.send("a.wav", served.sound(2))["recording"]
    served.send("b.wav", served.sound(3), LYRE)
    served.ask("POST", "/phone/undo", {"recording": ours})
    assert list(served.there) == ["lyre-2/05-closed/b.wav"]
    assert served.ask("POST", "/phone/undo", {"recording": "lyre-2/05-closed/a.wav"})[0] == 409


def test_any_of_the_last_ten_is_given_to_another_place(served: Served) -> None:
    for number in range(2, 5):
        served.send(f"{number}.wav", served.sound(number))
    there = served.state["last"][2]
    assert there["destination"] == CITTERN
    status, state = served.ask("POST", "/phone/give", {"recording": there["recording"], "destination": LYRE})
    assert (status, state["last"][0]["place"]) == (200, "lyre-2, 05-closed")
    assert served.there["lyre-2/05-closed/2.wav"] == served.sound(2)
    assert len(served.there) == 3


def test_what_waits_is_given_a_place(served: Served) -> None:
    served.inbox.mkdir()
    (served.inbox / "lost.wav").write_bytes(served.sound(2))
    tapbatch("now", served.root)
    assert [each["original"] for each in served.state["waiting"]] == ["lost.wav"]
    served.ask("POST", "/phone/give", {"original": "lost.wav", "destination": LYRE})
    assert list(served.there) == ["lyre-2/05-closed/lost.wav"]
    assert served.state["waiting"] == []


def test_it_asks_about_set_ups_and_moves_the_recording_by_the_answer(served: Served) -> None:
    recording = served.send("a.wav", served.sound(2, count=3))["recording"]
    assert served.state["ask"] is None
    tapbatch("run", served.root)
    state = served.state
    assert (state["ask"]["recording"], state["last"][0]["taps"]) == (recording, "3 taps")
    assert state["ask"]["resets"] is False
    asked = {"recording": recording, "resets": True, "spot": "spot-window"}
    status, state = served.ask("POST", "/phone/words", asked)
    moved = "cittern-12/06-voicing/closed/resets/spot-window/step 1/a.wav"
    assert (status, list(served.there), state["last"][0]["recording"]) == (200, [moved], moved)
    # It is still the same step of the same series.
    assert served.ask("POST", "/phone/next", {"destination": CITTERN})[1]["destination"]["step"] == 2
    served.ask("POST", "/phone/words", {"recording": moved, "resets": False, "spot": ""})
    assert list(served.there) == [recording]


def test_a_recording_of_two_taps_is_not_asked_about(served: Served) -> None:
    served.send("a.wav", served.sound(2, count=2))
    tapbatch("run", served.root)
    assert served.state["ask"] is None


def test_notes_are_taken(served: Served) -> None:
    (served.root / "notes.csv").write_bytes(b"\xef\xbb\xbfstage;instrument;mine\r\n06-voicing;Cittern-12;x\r\n")
    asked = {"instrument": "cittern-12", "stage": "06-voicing", "fields": {"work": "hole opened", "mass_g": "412,5"}}
    status, noted = served.ask("POST", "/phone/notes", asked)
    assert (status, noted["work"], noted["mass_g"], noted["remark"]) == (200, "hole opened", "412,5", "")
    raw = (served.root / "notes.csv").read_bytes()
    assert raw == (b"\xef\xbb\xbfstage;instrument;mine;work;mass_g\r\n06-voicing;Cittern-12;x;hole opened;412,5\r\n")
    assert served.ask("GET", "/phone/notes?instrument=cittern-12&stage=06-voicing") == (200, noted)
    status, told = served.ask("POST", "/phone/notes", {**asked, "fields": {"mass_g": "heavy"}})
    assert (status, "grams" in told["remedy"]) == (409, True)
    assert (served.root / "notes.csv").read_bytes() == raw


def test_the_caution_is_that_of_the_step_at_hand(served: Served) -> None:
    assert served.state["cautions"] == []
    served.ask("POST", "/phone/now", LYRE)
    cutting = served.state["cautions"]
    served.ask("POST", "/phone/now", {**LYRE, "stage": "08-strung", "words": ["strung"], "new": True})
    strung = served.state["cautions"]
    assert [len(cutting), len(strung)] == [1, 1]
    assert ("dust" in cutting[0], "face" in strung[0]) == (True, True)


def test_readings_come_as_they_are_told(served: Served) -> None:
    assert served.ask("GET", "/phone/readings?after=0") == (200, {"latest": 0, "readings": []})
    served.feed.add(PhoneReading(recording="x/y/a.wav", where="here"), "a.wav")
    status, told = served.ask("GET", "/phone/readings?after=0")
    assert (status, told["latest"], told["readings"][0]["n"]) == (200, 1, 1)
    assert (told["readings"][0]["where"], told["readings"][0]["original"]) == ("here", "a.wav")
    # A phone that remembers more than there is has seen an earlier start.
    assert served.ask("GET", "/phone/readings?after=7")[1]["latest"] == 1


def test_the_results_are_seen_with_the_key(served: Served) -> None:
    tapbatch("run", served.root)
    status, table = served.ask("GET", "/phone/file/lyre-2/modes.csv")
    assert (status, table) == (200, (served.results / "lyre-2/modes.csv").read_bytes())
    assert served.ask("GET", "/phone/file/lyre-2/modes.csv", key=None)[0] == 401
    assert served.ask("GET", "/phone/file/../now.csv")[0] == 404


def test_the_files_own_time_counts_before_the_phones(served: Served) -> None:
    made = (served.now - timedelta(minutes=9)).replace(microsecond=0)
    served.send("a.wav", served.sound(2), recorded_at=made.isoformat())
    served.send("2026-03-14 10-11-12.wav", served.sound(3), recorded_at=made.isoformat())
    served.send("b.wav", served.sound(4), recorded_at=(served.now + timedelta(days=2)).isoformat())
    times = [event.recorded_at for event in read_log(served.root)[0].placed.values()]
    assert (times[0], times[2]) == (made, None)
    assert times[1] is not None
    assert times[1].astimezone().strftime("%Y-%m-%d %H") == "2026-03-14 10"


def test_what_is_worked_on_comes_with_the_recording(served: Served) -> None:
    (served.root / "instruments").mkdir()
    settings = '[[mode]]\nlabel = "air"\nnear_hz = 182\n[[mode]]\nlabel = "top"\nnear_hz = 268\n'
    (served.root / "instruments/cittern-12.toml").write_text(settings)
    assert served.begin("a.wav", 1000, {**CITTERN, "on": ["bass"]})[0] == 409
    served.send("a.wav", served.sound(2, count=3), {**CITTERN, "on": ["top"]})
    assert next(each["labels"] for each in served.state["instruments"]) == ["air", "top"]
    tapbatch("run", served.root)
    modes = rows_of(served.results / "cittern-12/modes.csv")
    assert [m["mode"] for m in modes if m["working_on"] == "true"] == ["top"]


@pytest.mark.parametrize("name", ["../../New Recording.wav", "C:\\phone\\New Recording.wav", "New Recording.wav"])
def test_a_name_loses_what_is_no_name(served: Served, name: str) -> None:
    assert served.send(name, served.sound(2))["original"] == "New Recording.wav"


def test_a_kept_upload_is_finished_at_the_next_start(served: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    data = served.sound(2)
    number = served.begin("a.wav", len(data))[1]["id"]

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    upload = served.desk.uploads.find(number)
    with served.desk.uploads.receiving(upload, 0) as add:
        add(data)
    with monkeypatch.context() as at_the_end:
        at_the_end.setattr("tapbatch.watch.phone.take", killed)
        with pytest.raises(KeyboardInterrupt):
            served.desk.finish(upload)
    assert served.there == {}
    served.desk.take_up()
    assert list(served.there.values()) == [data]
    assert served.desk.uploads.unfinished() == []


def test_a_disk_that_is_nearly_full_is_told_before_the_sending(served: Served) -> None:
    served.room_bytes = 400_000_000
    assert "400 MB" in served.state["full"]
    status, told = served.begin("a.wav", 1000)
    assert (status, "400 MB" in told["what"]) == (507, True)
    served.room_bytes = 700_000_000
    assert served.state["full"] == ""
    assert served.begin("a.wav", 150_000_000)[0] == 507
    assert served.begin("a.wav", 50_000_000)[0] == 201
    # What was begun before needs its room too.
    assert served.begin("b.wav", 60_000_000)[0] == 507


def test_the_limits_are_those_of_the_settings(served: Served) -> None:
    assert served.begin("a.wav", 200_000_001)[0] == 413
    (served.root / "shop.toml").write_text("phone_file_mb = 1\nphone_day_mb = 1.5\n")
    assert served.begin("a.wav", 1_000_001)[0] == 413
    assert served.begin("a.wav", 900_000)[0] == 201
    assert served.begin("b.wav", 700_000)[0] == 413
    assert served.begin("b.wav", 500_000)[0] == 201


def test_a_day_has_its_limit_and_the_next_begins_anew(served: Served, tmp_path: Path) -> None:
    data = served.sound(2)
    (served.root / "shop.toml").write_text(f"phone_day_mb = {len(data) * 1.5 / 1e6}\n")
    served.send("a.wav", data)
    assert served.begin("b.wav", len(data))[0] == 413
    served.later = timedelta(days=1, minutes=1)
    assert served.desk.uploads.sent_today_bytes() == 0
    assert served.begin("b.wav", len(data))[0] == 201


def test_what_was_given_up_long_ago_takes_nothing_from_the_day(served: Served) -> None:
    (served.root / "shop.toml").write_text("phone_file_mb = 1\nphone_day_mb = 1.5\n")
    assert served.begin("given up.wav", 900_000)[0] == 201
    assert served.begin("b.wav", 900_000)[0] == 413
    served.later = timedelta(days=2)
    assert served.begin("b.wav", 900_000)[0] == 201


def test_two_that_begin_at_once_share_the_days_limit(served: Served) -> None:
    (served.root / "shop.toml").write_text("phone_file_mb = 1\nphone_day_mb = 1.5\n")
    both, statuses = Barrier(2), list[int]()

    def room(_: Path) -> int:
        # Whoever is not alone here has been let in while another was still being looked at.
        with suppress(BrokenBarrierError):
            both.wait(timeout=0.3)
        return 10**12

    served.desk.room = room
    threads = [Thread(target=lambda: statuses.append(served.begin("a.wav", 900_000)[0])) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [201, 413]


def test_what_has_half_arrived_needs_room_for_its_copy(served: Served) -> None:
    number = served.begin("a.wav", 1000)[1]["id"]
    served.ask("PUT", f"/phone/uploads/{number}?from=0", bytes(600))
    # Two copies of what is still to come, and one of what is there.
    served.room_bytes = LEAST_ROOM_BYTES + 2 * (400 + 1000) + 600 - 1
    assert served.begin("b.wav", 1000)[0] == 507
    served.room_bytes += 1
    assert served.begin("b.wav", 1000)[0] == 201


@pytest.mark.parametrize("onset", ["0,512", "", "x"])
def test_a_table_that_a_spreadsheet_spoiled_does_not_stop_the_page(served: Served, onset: str) -> None:
    served.send("a.wav", served.sound(2, count=3))
    tapbatch("run", served.root)
    path = served.results / "cittern-12" / "taps.csv"
    rows = rows_of(path)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows([{**rows[0], "onset_s": onset}, *rows[1:]])
    assert served.state["last"][0]["taps"] == "2 taps"


@pytest.mark.parametrize(
    "row",
    [
        "2026-03-14T12:00:00+00:00,next,lute-3,voicing,closed/free,3,,,,,,",
        "2026-03-14T12:00:00+00:00,next,lute-3,voi/cing,,3,,,,,,",
        "2026-03-14T12:00:00+00:00,placed,lute-3,voicing,closed/free,3,,lute-3/voicing/a.wav,,a.wav,,",
        "0001-01-01T00:00:00+14:00,now,lute-3,voicing,,,,,,,,",
        "9999-12-31T23:59:59-14:00,placed,lute-3,voicing,,,,lute-3/voicing/a.wav,,a.wav,,",
    ],
)
def test_a_row_of_the_log_that_was_edited_does_not_stop_the_page(served: Served, row: str) -> None:
    served.send("a.wav", served.sound(2))
    with (served.root / "now.csv").open("a", encoding="utf-8") as file:
        file.write(f"{row}\n")
    state = served.state
    assert {"cittern-12/06-voicing"} <= {"/".join(each["recording"].split("/")[:2]) for each in state["last"]}
    assert [each["instrument"] for each in state["steps"]] == ["cittern-12"]


def test_who_asks_while_another_is_taken_is_told_to_come_back(served: Served) -> None:
    # A run may hold the results for long; each phone that asks again would hold one more connection.
    served.desk.patience_s = 0.0
    data = served.sound(2)
    number = served.begin("a.wav", len(data))[1]["id"]
    with served.desk._finishing:
        assert served.ask("PUT", f"/phone/uploads/{number}?from=0", data)[0] == 503
        assert served.ask("GET", f"/phone/uploads/{number}")[0] == 503
    assert served.ask("GET", f"/phone/uploads/{number}")[1]["done"]
    assert list(served.there.values()) == [data]


def test_who_asks_in_the_moment_it_is_taken_is_told_that_it_is(
    served: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    data, real = served.sound(2), served.desk.uploads.find
    number = served.begin("a.wav", len(data))[1]["id"]
    assert served.ask("PUT", f"/phone/uploads/{number}?from=0", data[:-1])[0] == 200

    def while_another_finishes(_uploads: Uploads, asked: str) -> Upload:
        monkeypatch.undo()
        assert served.ask("PUT", f"/phone/uploads/{number}?from={len(data) - 1}", data[-1:])[1]["done"]
        return real(asked)

    monkeypatch.setattr(Uploads, "find", while_another_finishes)
    status, told = served.ask("GET", f"/phone/uploads/{number}")
    assert (status, told["done"]) == (200, True)
