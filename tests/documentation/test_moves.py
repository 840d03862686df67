"""What docs/method.md says of places and of next steps is what the tables of the benchmarks say."""

from __future__ import annotations

import re

from tests.documentation.pages import page, section, table

SAID = " ".join(section(page("docs/method.md"), "## From stage to stage").split())
ELSEWHERE, THE_SAME = ("carried",), ("once more", "moved by 2 cm")


def test_how_often_two_places_are_taken_for_one() -> None:
    places = page("tests/benchmarks/PLACES.md")
    trials = re.search(r"Trials 0 to (\d+)\.", places)
    assert trials is not None

    def called_the_same(kinds: tuple[str, ...]) -> str:
        rows = [row for row in table(places) if row[0].startswith(kinds)]
        return f"{sum(int(row[3]) for row in rows)} of {sum(int(row[2]) for row in rows)}"

    far, near = called_the_same(ELSEWHERE), called_the_same(THE_SAME)
    assert f"In {int(trials[1]) + 1} simulated rooms, {far} pairs from places a metre or more apart" in SAID
    assert f"passed this test, and {near} from the same place or 2 cm away" in SAID


def test_how_often_next_steps_lie_where_they_are_said_to() -> None:
    moves = page("tests/benchmarks/MOVES.md")
    *kinds, together = table(section(moves, "## Next steps, three to seven seen"))
    stages = re.search(r"(\d+) stages a case", moves)
    assert stages is not None
    assert f"{int(stages[1]) * len(kinds):,} next steps were simulated" in SAID
    holds, off = ([float(row[column]) for row in kinds] for column in (1, 2))
    assert f"{min(holds)} to {max(holds)} % of the intervals of each kind held" in SAID
    points = f"within {together[2]} percentage points of the prediction, and within {max(off)}"
    assert points in SAID
