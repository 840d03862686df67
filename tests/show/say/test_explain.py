"""Every word that a reading may hold is explained to whoever asks, and a misspelt one finds the nearest."""

from __future__ import annotations

from typing import get_args

import pytest

from tapbatch.model.errors import ShopError
from tapbatch.show.say import cautions, faults, moves, notices, words
from tapbatch.show.say.explain import TERMS, explained

OWNED = [*words.FLAGS, *cautions.EXPLANATIONS, *notices.EXPLANATIONS, *moves.VERDICTS, *TERMS]
PRINTED = [*get_args(words.Sureness), *moves.VERDICTS.values(), *faults.REMEDIES]


@pytest.mark.parametrize("word", [*OWNED, *PRINTED])
def test_every_word_has_an_explanation(word: str) -> None:
    name, parted, text = explained(word.upper()).partition(": ")
    assert (name, parted) == (word, ": ")
    assert text


@pytest.mark.parametrize("flag", words.FLAGS)
def test_a_flag_is_explained_as_everywhere_else(flag: str) -> None:
    # By the name that faces give it, and by that of the tables.
    assert explained(words.flag_text(flag)) == words.explain(flag)
    assert explained(flag).endswith(words.FLAGS[flag])


def test_a_misspelt_word_finds_the_nearest() -> None:
    with pytest.raises(ShopError, match=r"did you mean 'few taps'"):
        explained("few tapz ")
    with pytest.raises(ShopError, match=r"no such word; docs/words\.md"):
        explained("zzzzzzz")
