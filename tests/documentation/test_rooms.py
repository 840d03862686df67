"""What the pages say of rooms is what the tables of the benchmarks say; the figures are copied from there."""

from __future__ import annotations

import pytest

from tests.documentation.pages import page, section, table

ROOMS = page("tests/benchmarks/ROOMS.md")
HEAD = next([c.strip() for c in line.strip("|").split("|")] for line in ROOMS.splitlines() if line.startswith("|"))
ROWS = {row[0]: row for row in table(ROOMS) if len(row) == len(HEAD)}
DISTANCES = ("30 cm", "10 cm", "5 cm")


def measured(scene: str, column: str) -> float:
    """Return a figure of a scene; of counts, the per cent in front."""
    return float(ROWS[scene][HEAD.index(column)].split(" ")[0])


def said(name: str, heading: str) -> dict[str, list[str]]:
    """Return the cells behind each distance."""
    return {row[0]: row[1:] for row in table(section(page(name), heading)) if row[0] in DISTANCES and len(row) > 2}


@pytest.mark.parametrize("distance", DISTANCES)
def test_what_distance_does(distance: str) -> None:
    scene = f"still-{distance.removesuffix(' cm')}"
    assert said("docs/recording.md", "## How near")[distance] == [
        f"{measured(scene, 'within 20 dB found, %'):.0f} %",
        f"{measured(scene, 'f off, cents: median'):.1f} cents",
        f"{measured(scene, 'T60 bias, %'):.0f} %",
    ]
    assert measured(scene, "trials") == 24


@pytest.mark.parametrize("distance", DISTANCES)
def test_what_three_spots_do(distance: str) -> None:
    scene = f"spots3-{distance.removesuffix(' cm')}"
    assert said("docs/method.md", "## One stage")[distance] == [
        f"{measured(scene, 'within 20 dB found, %'):.0f} %",
        f"{measured(scene, 'f off, cents: median'):.1f} cents",
        f"{measured(scene, 'f held, %'):.0f}, {measured(scene, 'T60 held, %'):.0f} %",
    ]
    assert measured(scene, "trials") == 24


def test_what_two_microphones_do() -> None:
    text = " ".join(section(page("docs/recording.md"), "## Two microphones").split())
    off = {
        scene: f"{measured(scene, 'f off, cents: median'):.1f}"
        for scene in ("line-30", "still-30", "line-10", "still-10", "line-5", "still-5")
    }
    assert f"at 10 cm, frequencies were wrong by {off['line-10']} cents instead of {off['still-10']} (median)" in text
    assert f"at 5 cm by {off['line-5']} instead of {off['still-5']}; at 30 cm by {off['line-30']} instead of" in text
    assert f"instead of {off['still-30']}. " in text
    found = [f"{measured(scene, 'within 20 dB found, %'):.0f}" for scene in ("line-10", "still-10")]
    assert f"{found[0]} % of the modes within 20 dB were found instead of {found[1]};" in text
