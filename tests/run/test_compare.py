"""A whole shop compared, without sound: readings stand in for recordings, so that what instruments teach each other
and what the builder is told can be followed from folders to tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from tapbatch.api import load_readings
from tapbatch.model.caution import Caution
from tapbatch.model.errors import ShopError
from tapbatch.model.reading import Reading
from tapbatch.results.readings import FOLDER, reading_to_json
from tapbatch.run import measuring
from tapbatch.run.compare import compare_in_shop
from tapbatch.run.job import Job
from tapbatch.run.one_pass import Outcome, run_shop
from tapbatch.shop.folder import open_shop
from tapbatch.show.pdf.report import report_bytes
from tapbatch.show.say.cautions import cautions_text
from tapbatch.show.tables.frames import read_table
from tapbatch.show.terminal.comparison import comparison_lines
from tests.compare.builds import mode, reading
from tests.refusals import misses
from tests.shops import make_shop, tapbatch, taps
from tests.show.view.faces import flat, pages_of

LABELS = '[[mode]]\nlabel = "air"\nnear_hz = 176\nkind = "air"\n'
HAND = (-0.3, -0.1, 0.0, 0.1, 0.3)

Tones = Mapping[str, tuple[float, ...]]
Shop = Callable[..., tuple[Path, Outcome]]


def _reading(*freqs_hz: float) -> Reading:
    return reading(
        [[mode(f * 2.0 ** (c / 1200.0), energy_db=-20.0 - 6.0 * n) for n, f in enumerate(freqs_hz)] for c in HAND]
    )


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    """Return a function that makes a shop of named tones and runs it."""

    def run(tones: Tones, instruments: Mapping[str, str] | None = None, notes: str = "") -> tuple[Path, Outcome]:
        (tmp_path / "recordings").mkdir(exist_ok=True)
        (tmp_path / "instruments").mkdir(exist_ok=True)
        for name in tones:
            (tmp_path / "recordings" / f"{name}.wav").write_text(name, encoding="utf-8")
        for name, text in (instruments or {}).items():
            (tmp_path / "instruments" / f"{name}.toml").write_text(text, encoding="utf-8")
        if notes:
            (tmp_path / "notes.csv").write_text(notes, encoding="utf-8")

        def measured(job: Job) -> str:
            return reading_to_json(_reading(*tones[job.path.stem]))

        monkeypatch.setattr(measuring, "measure_to_text", measured)
        monkeypatch.setattr("tapbatch.show.pdf.report.report_bytes", lambda *_args, **_more: b"")
        return tmp_path / "results", run_shop(open_shop(tmp_path))

    return run


def _table(results: Path, instrument: str, name: str) -> pd.DataFrame:
    return read_table(results / instrument / f"{name}.csv")


def test_a_target_like_another_instrument_is_found_in_the_shop(shop: Shop) -> None:
    tones = {"cittern-04_01-a": (170.0,), "cittern-04_02-b": (174.0,), "cittern-07_01-a": (176.0,)}
    target = '[[target]]\nmode = "air"\nlike = "Cittern-04"\n'
    results, outcome = shop(tones, {"cittern-04": LABELS, "cittern-07": LABELS + target})
    rows = _table(results, "cittern-07", "targets")
    assert list(rows.landing) == ["target", "above", "below"]
    assert rows.landing_hz[0] == pytest.approx(174.0, abs=0.01)
    assert rows.cents_to_go[0] == pytest.approx(-19.8, abs=0.1)
    assert outcome.attention == ()


def test_a_target_like_nothing_that_is_there_needs_the_builder_and_the_rest_goes_on(shop: Shop) -> None:
    target = '[[target]]\nmode = "air"\nlike = "cittern-40"\n'
    results, outcome = shop({"cittern-07_01-a": (176.0,)}, {"cittern-07": LABELS + target})
    assert [(a.where, "cittern-40" in a.what) for a in outcome.attention] == [("cittern-07", True)]
    assert list(_table(results, "cittern-07", "targets").landing) == ["above", "below"]


def test_a_day_of_voicing_ends_in_a_line_at_the_bench(shop: Shop) -> None:
    tones = {f"cittern-07_05-voicing_step_{n}": (176.0 * 2.0 ** (10.0 * n / 1200.0),) for n in range(1, 6)}
    target = '[[target]]\nmode = "air"\nnote = "F#3"\n'
    results, outcome = shop(tones, {"cittern-07": LABELS + target})
    row = _table(results, "cittern-07", "targets").iloc[0]
    # F#3 is 184.997 Hz; five steps of 10 cents from 176 Hz leave 36.3 cents.
    assert row.cents_to_go == pytest.approx(36.3, abs=0.2)
    assert row.step_cents == pytest.approx(10.0, abs=0.1)
    assert row.steps_to_go == pytest.approx(3.6, abs=0.1)
    assert row.overshoot_pct < 1.0
    said = " ".join(" ".join(outcome.lines).split())
    assert misses(said, "air", "F#3", "36.3 c to rise", "next such cut +10.0 c", "under 1 %") == []


def test_the_nearest_note_stays_though_steps_carry_the_mode_away(shop: Shop) -> None:
    target = '[[target]]\nmode = "air"\nnearest = true\n'
    tones: dict[str, tuple[float, ...]] = {"cittern-07_01-a": (176.0,)}
    for n, freq in ((2, 180.5), (3, 183.0)):
        results, _ = shop(tones, {"cittern-07": LABELS + target})
        assert _table(results, "cittern-07", "targets").landing_note[0] == "F3"
        tones = {**tones, f"cittern-07_{n:02d}-b": (freq,)}
    results, _ = shop(tones, {"cittern-07": LABELS + target})
    assert _table(results, "cittern-07", "targets").landing_note[0] == "F3"


@pytest.mark.parametrize(
    ("shifts", "least", "most"), [((0.1, -0.1, 0.2, 0.0), 0.1, 0.7), ((12.0, -9.0, 15.0, -11.0), 1.3, 6.0)]
)
def test_what_one_instrument_shows_of_set_ups_is_counted_on_the_others(
    shifts: Sequence[float], least: float, most: float, shop: Shop
) -> None:
    # A quiet bench narrows what is said of the other instrument, one that shifts widens it.
    many = (150.0, 205.0, 281.0, 385.0, 527.0)
    learner = {"cittern-07_01-a": many, "cittern-07_02-b": many}
    results, _ = shop(learner)
    before = _table(results, "cittern-07", "drift")
    assert set(_table(results, "cittern-07", "modes")["flags"]) == {"one-setup"}
    teacher = {
        f"cittern-04_01-a_again_{n}": tuple(f * 2.0 ** (c / 1200.0) for f in many) for n, c in enumerate(shifts)
    }
    results, _ = shop({**learner, "cittern-04_01-a": many, **teacher})
    after = _table(results, "cittern-07", "drift")
    assert not _table(results, "cittern-07", "modes")["flags"].str.contains("one-setup").any()
    shares = (after.cents_high - after.cents_low) / (before.cents_high - before.cents_low)
    assert shares.between(least, most).all()
    # Decay times and own moves stood still on both benches.
    for low, high in (("t60_low_pct", "t60_high_pct"), ("own_low_cents", "own_high_cents")):
        assert (after[high] - after[low] < 0.9 * (before[high] - before[low])).all(), high


def test_compare_says_what_the_drift_says(shop: Shop, tmp_path: Path) -> None:
    many = (150.0, 205.0, 281.0, 385.0, 527.0)
    cut = tuple(f * 2.0 ** (c / 1200.0) for f, c in zip(many, (0.0, -14.0, 0.5, 0.0, -0.3), strict=True))
    again = tuple(f * 2.0 ** (c / 1200.0) for f, c in zip(many, (1.0, 1.2, 0.8, 1.0, 0.9), strict=True))
    results, _ = shop({"cittern-07_01-a": many, "cittern-07_02-b": cut, "cittern-04_01-a": many,
                       "cittern-04_01-a_again": again})  # fmt: skip
    rows = _table(results, "cittern-07", "drift").set_index("mode")
    ((compared,), attention) = compare_in_shop(open_shop(tmp_path), "cittern-07", "01-a", "02-b")
    assert attention == ()
    assert {d.mode for d in compared.drifts} == set(rows.index)
    assert set(rows.verdict) == {"down", "steady"}
    for drift in compared.drifts:
        row = rows.loc[drift.mode]
        # The table has the digits that the intervals call for: hundredths of a cent here, and tenths of a per cent.
        assert (drift.verdict, drift.moved) == (row.verdict, row.moved)
        numbers = ("freq_change_cents", "cents_low", "cents_high", "common_low_cents", "common_high_cents",
                   "own_cents", "own_low_cents", "own_high_cents")  # fmt: skip
        assert [getattr(drift, name) for name in numbers] == pytest.approx([row[name] for name in numbers], abs=0.006)
        assert [drift.t60_low_pct, drift.t60_high_pct] == pytest.approx([row.t60_low_pct, row.t60_high_pct], abs=0.06)


def test_a_warm_day_moves_air_and_says_so_while_the_verdict_stays(shop: Shop) -> None:
    # From 20 to 24 degrees the air of a rigid box goes up by 11.7 cents (speed of sound), the top by nothing.
    notes = (
        "instrument,stage,date,temperature_c,string_pitch_hz\n"
        "cittern-07,01-a,2031-03-01,20,440\ncittern-07,02-b,2031-03-15,24,436.5\n"
    )
    tones = {"cittern-07_01-a": (262.0, 176.0), "cittern-07_02-b": (262.0, 176.0 * 2.0 ** (11.7 / 1200.0))}
    results, _ = shop(tones, {"cittern-07": LABELS}, notes)
    rows = _table(results, "cittern-07", "drift").set_index("mode")
    days, warmth = Caution("days", days=14), Caution("temperature", before_c=20.0, after_c=24.0)
    slack = Caution("string pitch", before_hz=440.0, after_hz=436.5, tension_pct=-1.6)
    assert rows.verdict["air"] == "up"
    assert rows.caution["air"] == cautions_text([days, replace(warmth, air_cents=11.7), slack])
    assert rows.freq_change_cents["air"] == pytest.approx(11.7, abs=0.05)
    assert rows.caution["r2"] == cautions_text([days, warmth, slack])


def test_a_kept_reading_that_is_set_aside_is_said_even_if_there_is_no_such_stage(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"lyre-2_01-joined_top_1.wav": taps(1)})
    tapbatch("run", shop)
    (kept,) = [path for path in (shop / "results" / FOLDER).glob("*.json") if len(path.stem) == 40]
    kept.write_bytes(b"")
    result = tapbatch("compare", "lyre-2", "01", "09", shop)
    assert result.status == 2
    assert f"refused-{kept.name}" in "".join(result.err.split())


def test_beginnings_that_several_stages_share_are_offered_as_a_list_spelled_as_everywhere(
    shop: Shop, tmp_path: Path
) -> None:
    tones = {"Cittern-07_08 Opened": (176.0,), "Cittern-07_08 Öffnung": (176.0,), "Cittern-07_09-b": (176.0,)}
    shop(tones)
    with pytest.raises(ShopError, match=r"Cittern-07/08: 2 stages begin with that; write one of '08 Opened', '08 Ö"):
        compare_in_shop(open_shop(tmp_path), "cittern-07", "08", "09-b")
    with pytest.raises(ShopError, match=r"expected one of 08 Opened, 08 Öffnung, 09-b; did you mean 08 Opened\?"):
        compare_in_shop(open_shop(tmp_path), "cittern-07", "08-opend", "09-b")


def test_two_instruments_say_which_modes_are_the_same_and_which_only_one_has(shop: Shop, tmp_path: Path) -> None:
    shop({"cittern-04_01-a": (176.0, 262.0, 700.0), "cittern-07_01-a": (181.0, 265.0, 520.0)})
    ((compared,), _) = compare_in_shop(open_shop(tmp_path), "cittern-04", "01-a", "cittern-07/01-a")
    text = " ".join(" ".join(line for line, _ in comparison_lines(compared)).split())
    # F3 is 174.6 Hz, C4 261.6, F5 698.5 and C5 523.3 at A4 = 440 Hz (ISO 16)
    assert "Taken for the same by nearness of note, not by label: F3, C4." in text
    assert "Only in cittern-04, 01-a: F5. Only in cittern-07, 01-a: C5." in text
    assert "no longer heard" not in text


# 246.94 Hz is B3 at A4 = 440 Hz (ISO 16): H in German, si in French; 233.08 Hz below it is A#3, B, la#.
@pytest.mark.parametrize(("spelling", "own", "below"), [("german", "H3", "B3"), ("solfege", "si3", "la#3")])
def test_faces_write_notes_as_the_country_does_and_tables_in_letters(
    shop: Shop, spelling: str, own: str, below: str
) -> None:
    target = (
        f'strings = ["{own}"]\n\n[[mode]]\nlabel = "air"\nnear_hz = 247\n\n[[target]]\nmode = "air"\nhz = 233.08\n'
    )
    settings = f'spelling = "{spelling}"\n{target}'
    results, outcome = shop({"cittern-07_01-a": (246.94,)}, {"cittern-07": settings})
    modes, targets = (_table(results, "cittern-07", name) for name in ("modes", "targets"))
    assert list(modes.note) == ["B3"]
    assert dict(zip(targets.landing, targets.landing_note, strict=True))["target"] == "A#3"
    said = " ".join(" ".join(outcome.lines).split())
    assert misses(said, f"air {own}", f"target {below}") == []
    history = load_readings(results.parent)["cittern-07"]
    slip = flat(pages_of(report_bytes(history, open_shop(results.parent).settings_of("cittern-07")))[0])
    assert misses(slip, own, f"Target {below}", f"{below} is 233.08 Hz") == []
