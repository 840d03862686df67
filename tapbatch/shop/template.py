"""An empty shop folder, with every setting in it as a comment that can be taken away.

Conventions: what is written here means the same as nothing at all, so a new shop has the defaults. A test takes the
comments away and reads what is left, so that texts and settings cannot drift apart.
"""

from __future__ import annotations

from pathlib import Path

from tapbatch.model.errors import ShopError
from tapbatch.shop.notes import COLUMNS

_SHOP = """\
# Settings for the whole shop. All are optional; take away the "#" in front of a line to change it.

# The A that you voice to, in hertz (380 to 470).
#concert_pitch_hz = 440.0

# How black keys are named: "sharp" (A#3) or "flat" (Bb3).
#spelling = "sharp"

# Where resonances are looked for, in hertz (20 to 12000).
#band_hz = [50, 1500]

# The mains, in hertz (50 or 60), whose hum is told from resonances.
#mains_hz = 50

# A resonance that moved by less than this, in cents, is called steady.
#steady_cents = 3

# The paper that reports are printed on: "A4" or "Letter".
#paper = "A4"

# Where recordings are and results go, if not in this folder (a cloud folder, say).
#recordings = "recordings"
#results = "results"
"""

_INSTRUMENT = """\
# Settings of one instrument. Copy this file, name it like the instrument (cittern-07.toml), and take away the "#" in
# front of the lines you need. All are optional; what stands in shop.toml may stand here too and then holds here.

#concert_pitch_hz = 440.0
#spelling = "sharp"
#band_hz = [50, 1500]
#mains_hz = 50
#steady_cents = 3
#paper = "A4"

# What kind of instrument it is, and the A it is played at where that is another than the A it is voiced at.
#family = "cittern"
#playing_pitch_hz = 440.0

# Open strings, the first counts as 1: by note, or with what their tension is worked out from. A string may have a
# scale_mm of its own. Strings further off than strings_off_cents when they are plucked cast doubt on the taps.
#strings_off_cents = 5
#scale_mm = 520
#strings = [
#"D5",
#{ note = "A4", diameter_mm = 0.30, material = "steel", double = true },
#{ note = "D4", unit_weight_g_m = 2.1 },
#]

# Stages in their order, where the number in front of their names does not say it.
#[[stage]]
#name = "01-top-joined"
#part = "top"
#state = "free"

#[[stage]]
#name = "08-strung"
#state = "strung"
#concert_pitch_hz = 440.0

# Your own names for resonances, so that they can be followed and aimed at. kind: "air", "plate" or "string".
#[[mode]]
#label = "air"
#near_hz = 185
#part = "body"
#kind = "air"

#[[mode]]
#label = "top"
#near_hz = 330
#part = "body"
#kind = "plate"

# Where a resonance is to come to rest: one of note, hz, nearest = true, like, cents_from with cents.
#[[target]]
#mode = "air"
#note = "F#3"
#tolerance_cents = 3

#[[target]]
#mode = "top"
#cents_from = "air"
#cents = 1000
"""

_RECORDINGS = """\
Drop your recordings here. They are never moved, renamed or changed.

NAMES
  Either name the file:    INSTRUMENT_STAGE.wav    cittern-07_03-bars-fitted_top_2.wav
  or sort into folders:    INSTRUMENT/STAGE/       cittern-07/03-bars-fitted/New Recording 12.m4a
  A number in front of the stage orders it. Fields are parted by underscores, or by hyphens with spaces around them.
  After the stage may follow, in any order:
    what is done    tap (understood), pluck, room
    what vibrates   top, back, neck, blank, body (understood)
    how it is held  free, rim, clamped, closed, strung
    where tapped    at-bridge, at-... (any name)
    step            every recording is a stage of its own, for a day on which wood comes off every few minutes
    again           the same stage, put down and set up anew
  and at the end of a file's name the number of the take.

RECORDING
  Strings damped, soft mallet, phone on a stand a hand or two away, always the same way. Switch off whatever the phone
  does to the sound (automatic gain, noise reduction); choose WAV or "lossless" where it is offered.
  One second of quiet first, then five taps or so, each left to die away. Nobody speaks.
"""


def init_shop(root: Path) -> list[Path]:
    """Make an empty shop folder with commented settings; nothing that is there is overwritten.

    Parameters
    ----------
    root : Path
        The folder, which may exist.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ShopError
        Where one of the files is already there (then none is written), or the folder cannot be written.
    """
    texts = {
        root / "shop.toml": _SHOP,
        root / "instruments" / "EXAMPLE.toml.txt": _INSTRUMENT,
        root / "recordings" / "README.txt": _RECORDINGS,
        root / "notes.csv": ",".join(COLUMNS) + "\n",
    }
    there = [path for path in texts if path.exists()]
    if there:
        what = f"{there[0].name} is already there, and nothing is overwritten"
        raise ShopError(str(root), what, "choose an empty folder, or use this shop as it is")
    try:
        for path, text in texts.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
    except OSError as error:
        reason = error.strerror or "no reason given"
        raise ShopError(
            str(root), f"cannot be written ({reason})", "choose a folder that you may write to"
        ) from error
    return list(texts)
