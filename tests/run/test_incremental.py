"""A run does not measure again, rewrite what is up to date, or touch what a change does not concern."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from tapbatch.model.notice import Notice
from tapbatch.results import readings
from tapbatch.results.readings import FOLDER
from tapbatch.results.store import ReadingStore
from tapbatch.run import refresh
from tapbatch.run.one_pass import How, run_shop
from tapbatch.shop.folder import open_shop
from tapbatch.show.say.notices import notice_text, notices_text
from tests.refusals import misses
from tests.shops import LYRE, NA, bytes_below, make_shop, rows_of, tapbatch, taps, write_wav

pytestmark = pytest.mark.usefixtures("drawn")


def facts_below(folder: Path) -> dict[str, tuple[int, int]]:
    """Return inode and time of each file: both change when it is written again, even with the same contents."""
    # The lock file is opened by each run and is always empty.
    names = (n for n in bytes_below(folder, hidden=True) if n != f"{FOLDER}/lock")
    return {name: ((folder / name).stat().st_ino, (folder / name).stat().st_mtime_ns) for name in names}


def changed(before: dict[str, tuple[int, int]], folder: Path) -> set[str]:
    after = facts_below(folder)
    return {name.split("/")[0] for name in {*before, *after} if before.get(name) != after.get(name)} - {FOLDER}


def test_nothing_new_reads_no_reading_and_puts_no_file_in_place(
    sounds: dict[str, np.ndarray], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = make_shop(tmp_path / "shop", sounds)
    first = tapbatch("run", shop)
    before = facts_below(shop / "results")
    monkeypatch.setattr(ReadingStore, "get", lambda *_: pytest.fail("a reading was read"))
    again = tapbatch("run", shop)
    assert facts_below(shop / "results") == before
    # and says the same of every instrument as the run that worked it out
    assert again.out.splitlines()[:-1] == first.out.splitlines()[:-1]
    assert (first.counts, again.counts) == ([2, 2], [0, 2])


def test_a_new_recording_concerns_its_instrument_alone(
    sounds: dict[str, np.ndarray], tmp_path: Path, drawn: list[str]
) -> None:
    shop = make_shop(tmp_path / "shop", sounds)
    tapbatch("run", shop)
    before = facts_below(shop / "results")
    drawn.clear()
    write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", taps(63, count=2))
    assert tapbatch("run", shop).counts[0] == 1
    assert (changed(before, shop / "results"), drawn) == ({"lyre-2", "index.html"}, ["lyre-2"])


def test_settings_and_notes_of_one_instrument_concern_it_alone(
    sounds: dict[str, np.ndarray], tmp_path: Path, drawn: list[str]
) -> None:
    shop = make_shop(tmp_path / "shop", sounds)
    tapbatch("run", shop)
    for path, text in (
        ("instruments/na.toml", "concert_pitch_hz = 431\n"),
        ("notes.csv", "instrument,stage,work\nna,01 closed,glued\n"),
    ):
        before = facts_below(shop / "results")
        drawn.clear()
        (shop / path).parent.mkdir(exist_ok=True)
        (shop / path).write_text(text)
        assert tapbatch("run", shop).counts[0] == 0
        assert changed(before, shop / "results") <= {"na", "index.html"}
        assert drawn == ["na"]


def test_an_instrument_that_looks_to_another_follows_it(sounds: dict[str, np.ndarray], tmp_path: Path) -> None:
    from tapbatch.run.inventory import take_stock
    from tapbatch.run.plan import look_over
    from tapbatch.shop.folder import open_shop

    like = '[[mode]]\nlabel = "air"\nnear_hz = 182\n[[target]]\nmode = "air"\nlike = "Lyre-2"\n'
    shop = make_shop(tmp_path / "shop", sounds, {"instruments/na.toml": like})

    def prints() -> dict[str, str]:
        opened = open_shop(shop)
        store = ReadingStore(opened.results_dir)
        return dict(look_over(opened, take_stock(opened, store), store, None).prints)

    tapbatch("run", shop)
    before = prints()
    write_wav(shop / "recordings" / "lyre-2_02-thinned_top_1.wav", taps(63, count=2))
    tapbatch("run", shop)
    after = prints()
    assert {name for name in before if before[name] != after[name]} == {"lyre-2", "na"}


@pytest.mark.parametrize("name", ["modes.csv", "report.pdf"])
def test_a_file_that_was_deleted_or_edited_is_made_again(
    name: str, sounds: dict[str, np.ndarray], tmp_path: Path
) -> None:
    shop = make_shop(tmp_path / "shop", {NA: sounds[NA]})
    tapbatch("run", shop)
    path, whole = shop / "results" / "na" / name, bytes_below(shop / "results")
    path.write_bytes(b"edited by hand")
    assert tapbatch("run", shop).counts[0] == 0
    assert bytes_below(shop / "results") == whole
    path.unlink()
    tapbatch("run", shop)
    assert bytes_below(shop / "results") == whole


def test_a_newer_method_measures_what_it_can_hear_and_keeps_the_rest_with_its_version(
    sounds: dict[str, np.ndarray], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = make_shop(tmp_path / "shop", {**sounds, "lyre-2_02-thinned_top_1.wav": taps(63, count=2)})
    tapbatch("run", shop)
    modes = {n: rows_of(shop / "results" / n / "modes.csv") for n in ("lyre-2", "na")}
    (shop / "recordings" / LYRE).unlink()
    tapbatch("run", shop)
    old = readings.METHOD
    for module in ("results.readings", "results.store", "measure.recording", "run.histories", "run.one_pass"):
        monkeypatch.setattr(f"tapbatch.{module}.METHOD", f"{old}.1")
    result = tapbatch("run", shop)
    assert result.counts[0] == 2
    renewed = Notice("new method", method=f"{old}.1", method_before=old, count=2, kept_count=1)
    assert result.notes == [notice_text(renewed)]
    notices = {r["recording"]: r["notice"] for r in rows_of(shop / "results" / "lyre-2" / "recordings.csv")}
    kept = notices_text([Notice("missing"), Notice("older method", method=old)])
    assert notices == {LYRE: kept, "lyre-2_02-thinned_top_1.wav": ""}
    # the same numbers, for the method differs by its name only
    assert {n: rows_of(shop / "results" / n / "modes.csv") for n in modes} == modes
    # said once, and nothing of the old is left that nothing needs
    assert tapbatch("run", shop).notes == []
    kept = [Path(n) for n in bytes_below(shop / "results", hidden=True) if len(Path(n).stem) == 40]
    assert sorted(path.suffix for path in kept) == [".json"] * 3 + [".taps"] * 3


def test_readings_that_nothing_needs_any_more_are_let_go(sounds: dict[str, np.ndarray], tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", sounds)
    tapbatch("run", shop)
    write_wav(shop / "recordings" / LYRE, taps(64, count=2))
    tapbatch("run", shop)
    kept = {n for n in bytes_below(shop / "results", hidden=True) if len(Path(n).stem) == 40}
    assert sorted(Path(n).suffix for n in kept) == [".json"] * 2 + [".taps"] * 2


def test_a_file_that_broke_does_not_cost_what_was_known_of_it(sounds: dict[str, np.ndarray], tmp_path: Path) -> None:
    # a cloud folder that frees space leaves an empty file behind; then it takes that away as well
    shop = make_shop(tmp_path / "shop", sounds)
    tapbatch("run", shop)
    modes = rows_of(shop / "results" / "lyre-2" / "modes.csv")
    (shop / "recordings" / LYRE).write_bytes(b"")
    assert tapbatch("run", shop).status == 1
    (shop / "recordings" / LYRE).unlink()
    assert tapbatch("run", shop).status == 0
    assert rows_of(shop / "results" / "lyre-2" / "modes.csv") == modes
    assert [r["notice"] for r in rows_of(shop / "results" / "lyre-2" / "recordings.csv")] == ["missing"]


def test_a_file_that_changes_while_it_is_measured_is_not_kept_under_the_old_bytes(
    sounds: dict[str, np.ndarray], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tapbatch.measure import recording as reading

    shop = make_shop(tmp_path / "shop", {NA: sounds[NA]})
    measure = reading.measure_recording

    def slow(path: Path, *rest: object) -> object:
        result = measure(path, *rest)  # type: ignore[arg-type]
        write_wav(path, taps(65, count=3))
        return result

    with monkeypatch.context() as patch:
        patch.setattr(reading, "measure_recording", slow)
        result = tapbatch("run", shop)
    assert (result.status, result.attention, result.counts[0]) == (1, [NA], 0)
    assert tapbatch("run", shop).counts[0] == 1
    assert {row["taps"] for row in rows_of(shop / "results" / "na" / "modes.csv")} == {"3"}


def test_a_fault_in_one_instrument_does_not_stop_the_others(
    sounds: dict[str, np.ndarray], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tapbatch.run import histories

    shop = make_shop(tmp_path / "shop", sounds)
    build = histories.gather_history

    def faulty(instrument: str, *rest: object) -> object:
        if instrument == "na":
            raise IndexError("list index out of range")
        return build(instrument, *rest)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(histories, "gather_history", faulty)
        result = tapbatch("run", shop)
    assert (result.status, result.attention) == (1, ["na"])
    assert misses(result.said, "IndexError: list index out of range") == []
    assert (shop / "results" / "lyre-2" / "modes.csv").exists()
    assert tapbatch("run", shop).status == 0
    assert (shop / "results" / "na" / "modes.csv").exists()


def test_a_reading_that_is_there_and_cannot_be_read_is_told_and_measured_anew_or_kept(
    sounds: dict[str, np.ndarray], tmp_path: Path
) -> None:
    shop = make_shop(tmp_path / "shop", sounds)
    tapbatch("run", shop)
    whole = bytes_below(shop / "results")
    (shop / "recordings" / LYRE).unlink()
    tapbatch("run", shop)
    kept = [p for p in (shop / "results" / FOLDER).glob("*.json") if len(p.stem) == 40]
    before = {path: path.read_bytes() for path in kept}
    for path in kept:
        path.write_bytes(b'{"as another version": "writes it"}')
    for name in ("lyre-2", "na"):
        (shop / "results" / name / "modes.csv").unlink()
    result = tapbatch("run", shop)
    assert (result.status, result.attention, result.counts[0]) == (1, [LYRE], 1)
    for name, note in zip(sorted([LYRE, NA]), sorted(result.notes), strict=True):
        assert re.match(rf"{name} .* refused-\w+\.json$", note)
    assert rows_of(shop / "results" / "na" / "modes.csv")
    # and it is still known that one is missing
    again = tapbatch("run", shop)
    assert (again.status, again.attention, again.notes) == (1, [LYRE], [])
    # the one without its sound is not thrown away: a version that can read it may come
    for path, data in before.items():
        path.write_bytes(data)
    write_wav(shop / "recordings" / LYRE, sounds[LYRE])
    assert tapbatch("run", shop).status == 0
    assert bytes_below(shop / "results") == whole


def test_a_reading_of_a_version_that_knew_less_is_read(sounds: dict[str, np.ndarray], tmp_path: Path) -> None:
    import json

    shop = make_shop(tmp_path / "shop", {NA: sounds[NA]})
    tapbatch("run", shop)
    (path,) = (p for p in (shop / "results" / FOLDER).glob("*.json") if len(p.stem) == 40)
    data = json.loads(path.read_text("utf-8"))["reading"]
    for tap in data["taps"]:
        # what the first version of the method wrote of a tap
        for name in set(tap) - {"tap", "modes", "decays"}:
            del tap[name]
    assert readings.reading_from_json(json.dumps(data)).sha256 == data["sha256"]


def test_a_run_killed_while_it_writes_the_first_tables_leaves_none_behind(
    sounds: dict[str, np.ndarray], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The only recording of an instrument is renamed after the kill: nothing tells of the instrument but its mark."""
    shop = make_shop(tmp_path / "shop", {LYRE: sounds[LYRE]})
    put, calls = refresh.put_file, []

    def killed(path: Path, data: bytes) -> str:
        calls.append(path.name)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return put(path, data)

    with monkeypatch.context() as patched:
        patched.setattr(refresh, "put_file", killed)
        with pytest.raises(KeyboardInterrupt):
            run_shop(open_shop(shop), How(jobs=1))
    assert (shop / "results" / "lyre-2").is_dir()
    (shop / "recordings" / LYRE).rename(shop / "recordings" / "harp-1_01-joined_top_1.wav")
    assert tapbatch("run", shop).status == 0
    assert not (shop / "results" / "lyre-2").exists()
