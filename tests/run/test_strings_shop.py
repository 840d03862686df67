"""A strung instrument through the whole tool: plucked and tapped at two stages, its strings slack at the second."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pytest

from tapbatch.model.caution import Caution
from tapbatch.show.pdf import report
from tapbatch.show.say.cautions import PARTED_BY, caution_text
from tapbatch.show.say.moves import NO_LOUDNESS
from tapbatch.simulate import taps as sim
from tests.refusals import misses
from tests.shops import BODY, RATE_HZ, make_shop, rows_of, tapbatch, taps

STAGES = ("08-strung", "09-bridge-thinned")
SLACK = Caution("strings", after_cents=-14.0)
STRINGS_HZ = (196.0, 293.66, 440.0)
SETTINGS = """
scale_mm = 450
playing_pitch_hz = 415
strings = [
{ note = "G3", unit_weight_g_m = 3.0, double = true },
{ note = "D4", diameter_mm = 0.35, material = "brass" },
{ note = "A4", diameter_mm = 0.25, material = "steel" },
]
"""


@functools.cache
def plucks(number: int, cents: float, longer: float = 1.0) -> np.ndarray:
    """Return the open strings sounded one after another, the first of them a course 4 cents apart."""
    rng = np.random.default_rng([17, number])
    strikes = []
    for i, hz in enumerate(STRINGS_HZ):
        freq_hz = hz * 2 ** (cents / 1200)
        t60_s = 3.0 * longer
        string = sim.string_modes(freq_hz, t60_s) if i else sim.course_modes(freq_hz, t60_s, 4.0)
        heard = tuple(m for m in string if m.freq_hz < 0.45 * RATE_HZ)
        strikes.append(sim.Strike(onset_s=1.0 + 3.5 * i, modes=heard + BODY, contact_s=0.0006))
    duration_s = 1.0 + 3.5 * len(STRINGS_HZ)
    noise = sim.white_noise(round(duration_s * RATE_HZ), rng, rms=3e-4)
    return sim.recording(strikes, duration_s=duration_s, sample_rate_hz=RATE_HZ, noise=noise)[0]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sounds = {
        "cittern-07_08-strung_strung_at-bridge_1.wav": taps(1),
        "cittern-07_08-strung_strung_pluck_1.wav": plucks(1, 0.0),
        "cittern-07_09-bridge-thinned_strung_at-bridge_1.wav": taps(2, cents=-9.0),
        "cittern-07_09-bridge-thinned_strung_pluck_1.wav": plucks(2, -14.0, 1.3),
    }
    made = make_shop(tmp_path_factory.mktemp("strings") / "shop", sounds, {"instruments/cittern-07.toml": SETTINGS})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(report, "report_bytes", lambda *_: b"%PDF stand-in")
        assert tapbatch("run", made).status == 0
    return made


@pytest.mark.slow
def test_every_string_is_a_row_with_its_cents_and_its_tension(shop: Path) -> None:
    rows = rows_of(shop / "results" / "cittern-07" / "strings.csv")
    assert [(r["stage"], r["string"], r["expected_note"]) for r in rows] == [
        (stage, str(n), note)
        for stage in ("08-strung", "09-bridge-thinned")
        for n, note in ((1, "G3"), (2, "D4"), (3, "A4"))
    ]
    for row, cents in zip(rows, (0, 0, 0, -14, -14, -14), strict=True):
        assert float(row["cents_off"]) == pytest.approx(cents, abs=0.5)
        assert float(row["tension_n"]) > 0
    assert [float(r["pair_cents"]) for r in rows if r["pair_cents"]] == pytest.approx([4.0, 4.0], abs=0.5)


@pytest.mark.slow
def test_slack_strings_stand_beside_what_the_taps_say(shop: Path) -> None:
    drifts = rows_of(shop / "results" / "cittern-07" / "drift.csv")
    assert drifts
    # All fell alike by 9 cents, and a set-up can do the same: no firm verdict on any, and none that says up.
    assert {row["verdict"] for row in drifts} <= {"down?", "unclear"}
    for row in drifts:
        assert float(row["freq_change_cents"]) == pytest.approx(-9.0, abs=1.5)
        assert float(row["cents_low"]) < -9.0 < float(row["cents_high"])
        assert float(row["common_low_cents"]) < -9.0 < float(row["common_high_cents"])
    assert all(caution_text(SLACK) in row["caution"].split(PARTED_BY) for row in drifts)


@pytest.mark.slow
def test_compare_says_what_rings_longer_and_writes_no_table(shop: Path) -> None:
    before = {p: p.read_bytes() for p in (shop / "results").rglob("*.csv")}
    done = tapbatch("compare", "Cittern-07", "08", "cittern-07/09 Bridge", shop)
    assert done.status == 0
    assert max(len(line) for line in done.out.splitlines()) <= 80
    assert misses(done.out.splitlines()[0], "cittern-07", "body", "08-strung", "09-bridge-thinned") == []
    assert caution_text(SLACK) in done.said
    for string in ("string 1, G3", "string 2, D4", "string 3, A4"):
        line = next(line for line in done.out.splitlines() if line.startswith(string))
        assert misses(line, "no verdict", "one pluck") == []
    assert NO_LOUDNESS in done.said
    assert {p: p.read_bytes() for p in (shop / "results").rglob("*.csv")} == before


@pytest.mark.slow
@pytest.mark.parametrize(
    ("arguments", "where", "known"),
    [
        (("cittern-07", "08-strung", "10-sold"), "cittern-07/10-sold", STAGES),
        (("cittern-07", "0", "09"), "cittern-07/0", STAGES),
        (("cittern-07", "08", ""), "compare", ("BEFORE", "AFTER", "--family")),
        (("lute-1", "08-strung", "09-bridge-thinned"), "lute-1", ()),
        (("cittern-07", "08-strung", "lute-1/01"), "lute-1", ("cittern-07",)),
    ],
)
def test_a_stage_that_is_not_there_is_told_in_one_line(
    shop: Path, arguments: tuple[str, ...], where: str, known: tuple[str, ...]
) -> None:
    done = tapbatch("compare", *arguments, shop)
    assert (done.status, done.out) == (2, "")
    (line,) = done.err.splitlines()
    assert line.startswith(f"tapbatch: {where}: ")
    assert misses(line, *known) == []
