"""What if, asked of a whole shop without sound: what is answered, what is refused, and that nothing is written."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from tapbatch.model.errors import ShopError
from tapbatch.model.what_if import Answer, Asked
from tapbatch.results.readings import reading_to_json
from tapbatch.run import measuring
from tapbatch.run.job import Job
from tapbatch.run.one_pass import run_shop
from tapbatch.run.whatif import slot_of, what_if
from tapbatch.shop.folder import open_shop
from tapbatch.show.terminal.what_if import what_if_lines
from tests.compare.builds import reading
from tests.compare.voicing import taps_at, up
from tests.refusals import refused

CITTERN = (
    'family = "cittern"\n[[mode]]\nlabel = "air"\nnear_hz = 176\nkind = "air"\n'
    '[[target]]\nmode = "air"\nnote = "F3"\n'
)  # fmt: skip
HEAD = "instrument,stage,work,opening_mm2,mass_g,string_pitch_hz,date\n"


def _made(
    folder: Path, monkeypatch: pytest.MonkeyPatch, tones: Mapping[str, float], notes: str, names: list[str]
) -> Path:
    for name in ("recordings", "instruments"):
        (folder / name).mkdir()
    for name in tones:
        (folder / "recordings" / f"{name}.wav").write_text(name, encoding="utf-8")
    for name in names:
        (folder / "instruments" / f"{name}.toml").write_text(CITTERN, encoding="utf-8")
    (folder / "notes.csv").write_text(HEAD + notes, encoding="utf-8")

    def measured(job: Job) -> str:
        return reading_to_json(reading(taps_at(tones[job.path.stem], 262.0)))

    monkeypatch.setattr(measuring, "measure_to_text", measured)
    monkeypatch.setattr("tapbatch.show.pdf.report.report_bytes", lambda *_args, **_more: b"")
    run_shop(open_shop(folder))
    return folder


@pytest.fixture
def opened(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a shop with one cittern whose hole was opened three times by a tenth, 12 cents each."""
    areas = (400.0, 440.0, 484.0, 532.4)
    tones = {f"cittern-07_05-voicing_closed_step_{n + 1}": up(176.0, 12.0 * n) for n in range(4)}
    rows = [f"cittern-07,05-voicing step {n + 1},open hole,{area},,,\n" for n, area in enumerate(areas)]
    return _made(tmp_path, monkeypatch, tones, "".join(rows), ["cittern-07"])


def asked(shop: Path, instrument: str = "cittern-07", **said: object) -> Answer:
    return what_if(open_shop(shop), instrument, Asked(**said))  # type: ignore[arg-type]


def contents(folder: Path) -> dict[str, tuple[bytes, int]]:
    """Return every file of a folder, with its bytes and when it was written."""
    return {str(p): (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*") if p.is_file()}


def text_of(answer: Answer) -> str:
    lines = [line for line, _ in what_if_lines(answer)]
    assert max(map(len, lines)) <= 80
    return "\n".join(lines)


def test_it_answers_in_lines_and_writes_nothing(opened: Path) -> None:
    before = contents(opened)
    told = text_of(asked(opened, "Cittern-07", hole_mm=27.0))
    assert "opening: from 26.04 to 27 mm across" in told
    assert "target F3:" in told
    assert "3 steps here" in told
    assert contents(opened) == before


def test_a_recording_that_was_not_measured_is_not_measured_for_it(opened: Path) -> None:
    (opened / "recordings" / "cittern-07_05-voicing_closed_step_5.wav").write_text("new", encoding="utf-8")
    before = contents(opened)
    assert asked(opened, hole_mm=27.0).stage_shown == "05-voicing step 4"
    assert contents(opened) == before


def test_the_family_answers_before_the_first_cut(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tones, rows = {}, []
    for name, day, cents in (("cittern-01", 1, 11.0), ("cittern-02", 2, 13.0), ("cittern-03", 3, 12.0)):
        for n, area in enumerate((400.0, 440.0, 484.0, 532.4)):
            tones[f"{name}_05-voicing_closed_step_{n + 1}"] = up(176.0, cents * n)
            rows.append(f"{name},05-voicing step {n + 1},open hole,{area},,,2024-03-0{day}\n")
    tones["cittern-04_05-voicing_closed_step_1"] = 170.0
    rows.append("cittern-04,05-voicing step 1,open hole,410,,,2024-04-01\n")
    names = [f"cittern-0{n}" for n in (1, 2, 3, 4)]
    shop = _made(tmp_path, monkeypatch, tones, "".join(rows), names)
    answer = asked(shop, "cittern-04", hole_mm=24.0)
    air = next(r for r in answer.rests if r.mode == "air")
    assert air.moved is not None
    # 452.4 of 410 mm2 are 0.142 doublings; a tenth more, 0.1375, did 12 cents on the others.
    assert air.moved.low < 12.0 * 0.142 / 0.1375 < air.moved.high
    assert "3 earlier citterns alone" in text_of(answer)
    # Unlabelled modes teach nothing.
    assert {r.effects[0].unknown for r in answer.rests if r.mode != "air"} == {"few steps"}


def test_the_load_of_a_pitch_is_said_with_its_cautions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tones = {"cittern-07_08-strung_strung_1": 176.0}
    shop = _made(tmp_path, monkeypatch, tones, "cittern-07,08-strung,string,,,415,\n", ["cittern-07"])
    told = " ".join(text_of(asked(shop, pitch_hz=440.0)).split())
    assert "440 from 415 pulls 12 % more" in told
    for caution in ("glue", "evenly", "post may fall", "never cut under tension", "eyes away"):
        assert caution in told
    cut = " ".join(text_of(asked(shop, take_off_g=2.0)).split())
    assert "never cut under tension" in cut


@pytest.mark.parametrize(
    ("said", "where", "values"),
    [
        ({}, "whatif", ("--hole-to",)),
        ({"hole_mm": 27.0, "slot_mm": (6.0, 90.0)}, "--hole-to", ()),
        ({"hole_mm": 24.0}, "--hole-to", ("26.04",)),
        ({"slot_mm": (4.0, 70.0)}, "--slot-to", ("532.4",)),
        ({"hole_mm": float("nan")}, "--hole-to", ("nan",)),
        ({"take_off_g": -2.0}, "--take-off-g", ("-2",)),
        ({"pitch_hz": 880.0}, "--pitch", ("880", "380", "470")),
        ({"temperature_c": 400.0}, "--temperature", ("400",)),
    ],
)
def test_what_makes_no_sense_is_refused(
    opened: Path, said: dict[str, object], where: str, values: tuple[str, ...]
) -> None:
    with refused(ShopError, where, *values):
        asked(opened, **said)


def test_more_than_all_of_it_cannot_come_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shop = _made(
        tmp_path,
        monkeypatch,
        {"cittern-07_01-joined_top": 176.0},
        "cittern-07,01-joined,join,,380,,\n",
        ["cittern-07"],
    )
    with refused(ShopError, "--take-off-g", "400", "380"):
        asked(shop, take_off_g=400.0)


def test_an_instrument_that_is_not_there_is_refused_with_the_nearest_that_is(opened: Path) -> None:
    with refused(ShopError, "citern-07", "cittern-07"):
        asked(opened, "citern-07", hole_mm=27.0)


@pytest.mark.parametrize("text", ["6", "6x", "x70", "0x70", "6x-70", "6x70x2", "9999x70", "six x 70", "nanx3"])
def test_a_slot_that_is_no_width_and_length_is_refused(text: str) -> None:
    with refused(ShopError, "--slot-to"):
        slot_of(text)
