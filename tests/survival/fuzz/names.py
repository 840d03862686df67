"""Names of recordings: ordinary ones, and hostile ones.

Conventions: a name is a path below ``recordings/`` that Linux can create: no NUL, no part longer than 255 bytes.
"""

from __future__ import annotations

import os
import random

ORDINARY = ("lyre-2_01-joined_top", "lyre-2_02-thinned_top", "lyre-2_03-carved_top", "harp-1_01-joined_back",
            "harp-1_02-thinned_back", "NA_01-closed", "lyre-2_04-strung_strung_pluck",
            "1e5_01 a_body_step")  # fmt: skip
_MARKS = ("\x1b]0;owned\x07", "\x1b[2J\x1b[31m", "\r", "\n", "\t", "\x7f", "\x9b31m", "\u202e", "\u2066", "\u200b",
          "\ufeff", "\u2028", "\udcff\udcfe", "\udc80", "=1+1", "+cmd|' /C x'!A0", "-2+3", "@SUM(A1)", "a;=1+1",
          "\t=2", "<script>alert(1)</script>", "\"onload=x", "&amp;", "$(touch OWNED)", "`touch OWNED`", "%n%s",
          "{0}", "'", "\\", "..\\..\\x", "~nobody", "-rf", "--help", "*", "😀", "e\u0301", "ﬁ", "İ", "ß", "NUL",
          "con", "index.html", "attention.csv", "blanks.csv", ".readings", "modes.csv", "report.pdf", "page.json",
          "ledger.json", ".0123456789ab.part", "lock", "(new)", "lyre-2.xlsx")  # fmt: skip
_ENDINGS = (".wav", ".wav", ".wav", ".flac", ".WAV", ".m4a", ".mp3", ".wav.wav")


def ordinary(rng: random.Random) -> str:
    """Return a name that the tool accepts."""
    return f"{rng.choice(ORDINARY)}_{rng.randrange(1, 5)}.wav"


def hostile(rng: random.Random) -> str:
    """Return a name that no builder would choose on purpose."""
    mark = rng.choice(_MARKS)
    ending = rng.choice(_ENDINGS)
    match rng.randrange(9):
        case 0:
            name = f"{mark}_01-a_top{ending}"
        case 1:
            name = f"lyre-2_{mark}x_top{ending}"
        case 2:
            name = f"lyre-2_01-a_{mark}{ending}"
        case 3:
            name = f"{mark}/01-a/top/tap{ending}"
        case 4:
            name = f"lyre-2/{mark} a/{mark}/tap{ending}"
        case 5:
            name = f"{mark}{rng.choice(_MARKS)}_{rng.choice(_MARKS)}a_top{ending}"
        case 6:
            name = f"{rng.choice('aä😀.')}" * rng.randrange(40, 250) + f"_01-a_top{ending}"
        case 7:
            name = f"{rng.choice(('.', '..', ' .', '~', '-', '#'))}{mark}x_01-a_top{ending}"
        case _:
            name = "/".join(["lyre-2", "01-a", *["deep"] * rng.randrange(1, 60), f"tap{ending}"])
    return fitting(name)


def fitting(name: str) -> str:
    """Return a name with each part cut to 255 bytes, and without parts that lead out of the folder."""
    parts = [_cut(part) for part in name.split("/")]
    return "/".join(part for part in parts if part not in ("", ".", "..")) or "x_01-a_top.wav"


def _cut(part: str) -> str:
    raw = os.fsencode(part.replace("\0", ""))
    if len(raw) <= 255:
        return os.fsdecode(raw)
    stem, dot, ending = part.rpartition(".")
    while len(os.fsencode(f"{stem}.{ending}")) > 255:
        stem = stem[:-1]
    return f"{stem}{dot}{ending}"
