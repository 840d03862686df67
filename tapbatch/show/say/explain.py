"""What a word means, for whoever asks: flags, notices, cautions, verdicts, faults and a few words of the readings.

Conventions: the explanations are those of the modules that own the words; only words that none of them owns are
explained here. Case and spaces around a word do not matter.
"""

from __future__ import annotations

import difflib

from tapbatch.model.errors import ShopError
from tapbatch.show.say import cautions, faults, moves, notices, words

TERMS: dict[str, str] = {
    "untouched": "how sure the reading is while the instrument lies as it lies; the wider figure is that of the "
    "instrument put down and set up anew",
    "set-up": "the instrument put down, taken up and laid in place again, and the phone with it",
    "by itself": "this mode moved, and the others did not move along",
    "along with the others": f"all modes moved alike: {moves.alike_causes()} may do that",
    "alike": f"what all modes did together; {moves.alike_causes()} may do that, and the readings do not tell which",
    "weather": "the temperature and the humidity of the air, which move wood, air and strings",
    "covered": "a tap with the opening shut, which tells the air from the top; it is no step. Press a stiff card "
    "on all around, and hold it with low-tack tape, never on bare spruce or fresh finish",
    "in all": "how far the reading itself moved, with what all modes moved alike",
    "strongest": "the mode with the most energy in its free decay",
    "next such cut": "what one more cut like those before would do, with its 95 % interval",
    "chance to overshoot": "the chance that the next such cut ends past the target by more than its tolerance",
    "no forecast": "what the next cut would do cannot be said; the reason stands behind it",
    "rings longer": "how long it rings (T60), beside the stage before; a listener just notices a change of 5 %",
    "sure": "left untouched, it would read the same within steady_cents (3 cents, unless you set it), nothing casts "
    "doubt on it, and no fault stands",
    "fairly sure": "neither sure nor unsure: the interval is wider than steady_cents, or a fault stands",
    "only as it lies": "sure, but there was one set-up only: nobody knows what it would read set up anew",
    "not yet": "not to be trusted yet: strings rang, the gain was automatic or it was too loud; record it again",
    "unsure": "a flag casts doubt on it, or the interval is over four times steady_cents, or not known",
    "t60": "the time in which a sound falls by 60 dB, in seconds",
}
"""Words of the readings that belong to no list of their own."""


def explanations() -> dict[str, str]:
    """Return all words that can be explained, each with its explanation, in the order of the lists.

    Examples
    --------
    >>> explanations()["wide"]
    'the interval is wide: record more taps, with the phone closer, or in a quieter room'
    """
    verdicts = {verdict: f"{text}: {moves.MEANINGS[verdict]}" for verdict, text in moves.VERDICTS.items()}
    remedies = {kind: f"what to do: {text}" for kind, text in faults.REMEDIES.items()}
    return {
        **{str(kind): text for kind, text in remedies.items()},
        **{str(verdict): text for verdict, text in verdicts.items()},
        **{text: moves.MEANINGS[verdict] for verdict, text in moves.VERDICTS.items()},
        **{str(kind): text for kind, text in cautions.EXPLANATIONS.items()},
        **{str(kind): text for kind, text in notices.EXPLANATIONS.items()},
        **{words.flag_text(flag): text for flag, text in words.FLAGS.items()},
        **words.FLAGS,
        **TERMS,
    }


def explained(word: str) -> str:
    """Return a word with what it means.

    Raises
    ------
    ShopError
        If the word is not known; it names those that are spelled alike.

    Examples
    --------
    >>> explained(" T60 ")
    't60: the time in which a sound falls by 60 dB, in seconds'
    """
    known = explanations()
    name = " ".join(word.split()).casefold()
    if name not in known:
        near = " or ".join(f"'{each}'" for each in difflib.get_close_matches(name, known, n=3))
        remedy = f"did you mean {near}?" if near else "docs/words.md explains all words"
        raise ShopError(f"--explain {word}", "no such word", remedy)
    return f"{name}: {known[name]}"
