"""Texts that a builder may save as settings or notes while the tool runs: valid, half written, or hostile.

Conventions: ``GOOD`` has texts that the tool accepts, ``BAD`` those that it must refuse with a line. No text in
``GOOD`` changes where the recordings or the results are.
"""

from __future__ import annotations

import random

_DEEP = "x = " + "[" * 3000
GOOD = {
    "shop.toml": ("", "concert_pitch_hz = 431\n", "band_hz = [60, 1400]\n", "mains_hz = 60\n", 'spelling = "flat"\n',
                  'results = "results"\n', "# nothing\r\n", 'paper = "Letter"\nsteady_cents = 5\n'),
    "notes.csv": ("", "instrument,stage,work\nlyre-2,01-joined,first\n",
                  "instrument;stage;work;temperature_c\nlyre-2;02-thinned;=1+1;20,5\n",
                  'instrument,stage,work\nharp-1,01-joined,"two\nlines"\n',
                  "\ufeffinstrument,stage\nlyre-2,01-joined\n"),
    "instruments/lyre-2.toml": ("", "concert_pitch_hz = 415\n",
                                '[[mode]]\nlabel = "ring"\nnear_hz = 268\npart = "top"\n',
                                '[[stage]]\nname = "01-joined"\n[[stage]]\nname = "02-thinned"\n',
                                'strings = ["G3", "D4"]\n', "band_hz = [100, 900]\n"),
}  # fmt: skip
BAD = {
    "shop.toml": ('results = "."\n', 'results = ""\n', 'results = "recordings"\n', 'results = "recordings/x"\n',
                  'recordings = "~no-one-here"\n', 'results = "~no-one-here/x"\n', 'recordings = "results"\n',
                  "concert_pitch_hz =",
                  "concert_pitch_hz = nan\n", "unknown = 1\n", "band_hz = [1, 2]\n", "\0\0\0", 'paper = "A4\n', _DEEP,
                  "mains_hz = 1e400\n", 'recordings = "gone"\n', "concert_pitch_hz = 4" + "4" * 5000 + "\n",
                  'spelling = "\\u001b[31m"\n', "results = 5\n", 'recordings = "a\\u0000b"\n',
                  'results = "' + "a" * 300 + '"\n', 'recordings = ".."\n'),
    "notes.csv": ("instrument\n", '"', "\0", "a,b\n" * 3, "instrument,stage,work\n" + "x," * 9000, "\x1b[2J",
                  "instrument,stage,temperature_c\nlyre-2,01-joined,hot\n", "instrument,stage\n../x,..\n",
                  'instrument,stage\nlyre-2,"01\n',
                  "instrument,stage,work\nlyre-2,01-joined," + "y" * 200_000 + "\n"),
    "instruments/lyre-2.toml": ("[[mode]]\n", "results = 'x'\n", "concert_pitch_hz = '440'\n", _DEEP, "\udcff",
                                '[[target]]\nmode = "ring"\nlike = "lyre-2"\n', 'strings = ["H9"]\n',
                                '[[target]]\nmode = "a"\ncents_from = "a"\ncents = 1\n', "band_hz = [inf, -inf]\n"),
}  # fmt: skip


def text(rng: random.Random, place: str, *, good: bool) -> str:
    """Return a text for a file; lone surrogates in it are bytes that are not UTF-8."""
    return rng.choice((GOOD if good else BAD)[place])
