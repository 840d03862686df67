"""What a run prints: the three answers first, the rest on request, and words to whoever asks."""

from __future__ import annotations

from pathlib import Path

import pytest

from tapbatch.show.say import words
from tests.shops import make_shop, tapbatch, taps

pytestmark = pytest.mark.usefixtures("drawn")


def test_a_run_says_the_rest_only_on_request(tmp_path: Path) -> None:
    shop = make_shop(tmp_path / "shop", {"rebec-1_01 belly_top_free_1.wav": taps(41)})
    brief, again, full = tapbatch("run", shop), tapbatch("run", shop), tapbatch("run", shop, "--full")
    assert brief.out.splitlines()[:-1] == again.out.splitlines()[:-1]
    assert "T60 (s)" not in brief.out
    assert "T60 (s)" in full.out
    assert full.counts == [0, 1]
    # What is said at first stands in both, and the glossary in neither. 268 Hz is 41.7 cents over C4:
    # 1200 log2(268/261.6256), A4 = 440 Hz (ISO 16)
    for result in (brief, full):
        assert "rebec-1 top, 01 belly: strongest C4 +4" in result.said
        assert "first stage: nothing to compare with yet" in result.said
        assert not any(text in result.said for text in words.FLAGS.values())
        assert max(map(len, result.out.splitlines())) <= 80


def test_a_word_is_explained_to_whoever_asks() -> None:
    told = tapbatch("--explain", "Few-Taps")
    assert (told.status, told.err) == (0, "")
    assert told.said == f"few-taps: {words.FLAGS['few-taps']}"
    misspelt = tapbatch("--explain", "fewtaps")
    assert (misspelt.status, misspelt.out) == (2, "")
    assert "few-taps" in misspelt.said
