"""From a scene through the product's road to a verdict, and from verdicts to limits."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench_simulator import scenes
from tests.bench_simulator.judge import Verdict, judge
from tests.bench_simulator.recipes import RECIPES
from tests.benchmarks import rooms, rooms_limits, rooms_page, rooms_tables


@pytest.mark.slow
def test_a_clean_scene_is_read_whole(tmp_path: Path) -> None:
    played = scenes.play("dry", 1)
    verdict = judge(played, rooms.stage_of(played, tmp_path, rooms.Trial("dry", 1, "takes")), 1)
    assert verdict.found_20 == verdict.within_20 > 4
    assert (verdict.false, verdict.lead, verdict.taps_used) == (0, "true", 5)


def test_spots_are_named_as_the_product_knows_them() -> None:
    take = scenes.Take(samples=None, sample_rate_hz=8000, taps_s=(), others_s=(), direct_db=0.0, spot=1)  # type: ignore[arg-type]
    assert rooms.name_of(take, 2, "spot") == "lyre_01-voicing_spot-2_2.wav"
    assert rooms.name_of(take, 2, "again") == "lyre_01-voicing_again_2.wav"
    assert rooms.name_of(take, 2, "takes") == "lyre_01-voicing_2.wav"


def test_every_limit_is_of_a_scene_and_none_is_kept_by_nothing() -> None:
    assert {limit.scene for limit in rooms_limits.LIMITS} <= set(RECIPES)
    for limit in rooms_limits.LIMITS:
        assert not limit.kept([])
    judged = [Verdict(trial=0, within_20=10, found_20=6, lead="true", freq_held=(True,))]
    told = "\n".join(rooms_limits.lines("still-30", judged))
    assert "| still-30 | within 20 dB found, % | 60 | at least 60 | kept |" in told
    assert "| still-30 | T60 held, % |  | at least 93 | **left** |" in told


def test_a_page_keeps_the_rows_of_other_scenes(tmp_path: Path) -> None:
    path, found = tmp_path / "ROOMS.md", [rooms.Outcome(Verdict(trial=0, lead="false"), 0.5)]
    for name in ("pair", "still-30", "pair"):
        page = rooms_page.read(path)
        limits = rooms_limits.lines(name, [o.verdict for o in found])
        page.put(name, rooms_tables.row(name, found), rooms_tables.beside(name, found), limits)
        path.write_text(page.text("again"), encoding="utf-8")
    text = path.read_text(encoding="utf-8")
    assert text.index("| still-30 |") < text.index("| pair |") < text.index("- `pair`:") < text.index("## Limits")
    assert text.count("| pair |") == 1 + sum(limit.scene == "pair" for limit in rooms_limits.LIMITS)
    assert rooms_page.read(path).text("again") == text


def test_a_row_has_all_its_cells() -> None:
    row = rooms_tables.row("still-30", [rooms.Outcome(Verdict(trial=0, lead="false"), 0.5)])
    assert row.count("|") == len(rooms_tables.HEAD) + 1
    assert rooms_tables.left_out("still-30", "why").count("|") == len(rooms_tables.HEAD) + 1
