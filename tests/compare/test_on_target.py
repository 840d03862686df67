"""On target or not, and how many more taps would make it sure, against taps that were then added."""

from __future__ import annotations

import numpy as np
import pytest

from tapbatch.compare.on_target import MOST_TAPS, on_target
from tapbatch.model.history import Landing
from tests.compare.builds import item, mode, reading
from tests.compare.voicing import target_of, up

TOLERANCE = 3.0


def _even(count: int, sd_cents: float) -> np.ndarray:
    """Return cents of zero mean and of exactly this standard deviation."""
    raw = np.linspace(-1.0, 1.0, count)
    return np.asarray(raw * sd_cents / raw.std(ddof=1))


def _read(cents: np.ndarray, off: float, point: str = "") -> Landing:
    taps = [[mode(up(176.0, off + c), freq_se_hz=1e-4)] for c in cents]
    return target_of(item("c_01-a.wav", reading(taps), point=point), hz=176.0, tolerance_cents=TOLERANCE)


@pytest.mark.parametrize("off", [0.0, -1.2, 1.8])
@pytest.mark.parametrize("sd_cents", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("taps", [4, 5, 8])
def test_as_many_more_taps_as_it_says_make_it_sure(taps: int, sd_cents: float, off: float) -> None:
    now = _read(_even(taps, sd_cents), off)
    more = now.taps_to_sure
    if now.on_target == "sure":
        assert more is None
        return
    if more is None:
        # Not likely: the textbook half-width, t s / sqrt(n) with t = 2.0 for 40 and more, is still too wide.
        assert 2.0 * sd_cents / np.sqrt(taps + MOST_TAPS) > 0.85 * (TOLERANCE - abs(off))
        return
    # "About": with a quarter more it is sure, and with half as many it is not.
    assert _read(_even(taps + int(np.ceil(1.25 * more)) + 1, sd_cents), off).on_target == "sure"
    assert more < 3 or _read(_even(taps + more // 2, sd_cents), off).on_target != "sure"


def test_wanting_taps_within_the_tolerance_are_asked_for_too() -> None:
    # One tap in five lies within; the reading does. By the textbook, t s / sqrt(n) with s = 4.016 and t from GUM
    # (JCGM 100, table G.2): 2.306 x 4.016 / 3 = 3.09 with nine taps, 2.262 x 4.016 / 3.162 = 2.87 with ten.
    landing = _read(np.array([-4.5, -3.5, 0.0, 3.9, 4.1]), 0.0)
    assert (landing.on_target, landing.taps_within) == ("no", 1)
    assert landing.taps_to_sure == 5


def test_off_the_landing_no_number_of_taps_is_named() -> None:
    assert _read(_even(5, 1.0), 3.5).taps_to_sure is None


def test_two_taps_do_not_tell_how_well_they_repeat() -> None:
    assert _read(np.array([-1.0, 1.0]), 0.0).taps_to_sure is None


def test_points_that_differ_are_not_mended_by_more_taps() -> None:
    hand = (-0.2, -0.1, 0.0, 0.1, 0.2)
    items = [
        item(f"c_01-a_at-{n}.wav", reading([[mode(up(176.0, off + c))] for c in hand]), point=f"p{n}")
        for n, off in enumerate((-2.0, 2.1))
    ]
    landing = target_of(*items, hz=176.0, tolerance_cents=TOLERANCE)
    assert (landing.on_target, landing.taps_to_sure) == ("likely", None)


def test_the_edges_of_the_rule() -> None:
    assert on_target(-1.0, 2.0, 3.0, 0, 5) == "sure"
    assert on_target(-1.0, 2.1, 3.0, 4, 6) == "likely"
    assert on_target(3.1, 0.1, 3.0, 6, 6) == "no"
