"""What the pages say of rooms is what the tables of the benchmarks say; the figures are copied from there."""

from __future__ import annotations

import pytest

from tests.documentation.pages import page, section, table

ROOMS = page("tests/benchmarks/ROOMS.md")
HEAD = next([c.strip() for c in line.strip("|").split("|")] for line in ROOMS.splitlines() if line.startswith("|"))
ROWS = {row[0]: row for row in table(ROOMS) if len(row) == len(HEAD)}
DISTANCES = ("30 cm", "10 cm", "5 cm")


def cell(scene: str, column: str) -> str:
    """Return what the table has of a scene."""
    return ROWS[scene][HEAD.index(column)]


def measured(scene: str, column: str) -> float:
    """Return a figure of a scene; of counts, the per cent in front."""
    return float(cell(scene, column).split(" ")[0])


def found(scene: str) -> str:
    """Return how many of the modes within 20 dB are found in a scene of 24 rooms, as the pages say it."""
    assert measured(scene, "trials") == 24
    return f"{measured(scene, 'within 20 dB found, %'):.0f} %"


def off(scene: str) -> str:
    """Return by how much frequencies are wrong in a scene, in the median, as the pages say it."""
    return f"{measured(scene, 'f off, cents: median'):.1f} cents"


def held(scene: str) -> str:
    """Return how many intervals hold in a scene, as the pages say it."""
    return f"{measured(scene, 'f held, %'):.0f}, {measured(scene, 'T60 held, %'):.0f} %"


def said(name: str, heading: str) -> dict[str, list[str]]:
    """Return the cells behind each distance."""
    return {row[0]: row[1:] for row in table(section(page(name), heading)) if row[0] in DISTANCES and len(row) > 2}


@pytest.mark.parametrize("distance", DISTANCES)
def test_what_distance_and_three_spots_do(distance: str) -> None:
    still, spots = (f"{scene}-{distance.removesuffix(' cm')}" for scene in ("still", "spots3"))
    too_long = f"{measured(still, 'T60 bias, %'):.0f} %"
    assert said("docs/recording.md", "## How near")[distance] == [found(still), off(still), too_long]
    assert said("docs/method.md", "## One stage")[distance] == [found(spots), off(spots), held(spots)]


def test_what_two_microphones_do() -> None:
    text = " ".join(section(page("docs/recording.md"), "## Two microphones").split())
    line, still = (
        {cm: off(f"{scene}-{cm}").removesuffix(" cents") for cm in (30, 10, 5)} for scene in ("line", "still")
    )
    assert f"at 10 cm, frequencies were wrong by {line[10]} cents instead of {still[10]} (median)" in text
    assert f"at 5 cm by {line[5]} instead of {still[5]}; at 30 cm by {line[30]} instead of {still[30]}. " in text
    few = found("still-10").removesuffix(" %")
    assert f"{found('line-10')} of the modes within 20 dB were found instead of {few};" in text


def test_how_many_modes_taps_of_uneven_level_give_together() -> None:
    modes, of = cell("scatter", "within 30 dB, %").partition("(")[2].rstrip(")").split("/")
    text = " ".join(section(page("docs/method.md"), "## One stage").split())
    assert f"Of {of} simulated modes within 30 dB of the strongest, in {cell('scatter', 'trials')} stages of" in text
    assert f"{modes} are found this way" in text
