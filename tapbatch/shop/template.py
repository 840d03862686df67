"""An empty shop folder, with every setting in it as a comment.

Conventions: every setting is commented out, so a new shop has the defaults. A test removes the comment signs and
reads the result, so that the texts and the settings cannot drift apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from tapbatch.model.errors import ShopError
from tapbatch.shop.notes import COLUMNS

_SHOP = """\
# Settings for the whole shop. All are optional. To change one, remove the "#" in front of its line.

# The A that you voice to, in hertz (380 to 470).
#concert_pitch_hz = 440.0

# How notes are written: "sharp" (A#3), "flat" (Bb3), "german" (B3, and H3) or "solfege" (la#3).
#spelling = "sharp"

# Where to look for resonances, in hertz (20 to 12000).
#band_hz = [50, 1500]

# The frequency of the mains, in hertz (50 or 60), so that hum is not taken for a resonance.
#mains_hz = 50

# A resonance that moved by less than this against the others, in cents, is called steady.
#steady_cents = 3

# The paper for printed reports: "A4" or "Letter".
#paper = "A4"

# Where the recordings are, where the results go, and where recordings arrive that have no place yet (see docs/inbox),
# if not in this folder (for example a cloud folder).
#recordings = "recordings"
#results = "results"
#inbox = "inbox"

# How much a phone may send (tapbatch watch --serve --phone), in megabytes: one file, and all files of a day.
#phone_file_mb = 200
#phone_day_mb = 2000
"""

_INSTRUMENT = """\
# Settings for one instrument. Copy this file and give the copy the name of the instrument (cittern-07.toml). Then
# remove the "#" in front of the lines that you need. All are optional. The settings of shop.toml may also stand here,
# for this instrument only.

#concert_pitch_hz = 440.0
#spelling = "sharp"
#band_hz = [50, 1500]
#mains_hz = 50
#steady_cents = 3
#paper = "A4"

# What kind of instrument it is (those of one family teach one another what a cut does), its wood, and the A at which
# it is played, if it is voiced at another.
#family = "cittern"
#species = "spruce top, maple back and sides"
#blank = { top = "board-07", back = "board-09" }   # which boards it was made from
#playing_pitch_hz = 440.0

# Verdicts on stages up to this day no longer change. And true for what is never cut, an uncut bar or an old
# instrument, which is tapped first and last on a day to tell air and phone from wood.
#frozen = "2026-11-30"
#reference = false

# The air in the box, in litres. Without it, it is learned.
#box_volume_l = 9.5

# How much of the report is printed: "short", or "full" with spectra, decays, tables and method.
#pages = "full"

# The open strings, counted from 1: either a note, or a note with what is needed to work out the tension. A string may
# have a scale_mm of its own. If a plucked string is further out of tune than strings_off_cents, a caution says so
# beside the taps of that stage.
#strings_off_cents = 5
#scale_mm = 520
#strings = [
#"D5",
#{ note = "A4", diameter_mm = 0.30, material = "steel", double = true },
#{ note = "D4", unit_weight_g_m = 2.1 },
#]

# The stages in their order, if no number in front of their names gives it.
#[[stage]]
#name = "01-top-joined"
#part = "top"
#state = "free"

#[[stage]]
#name = "08-strung"
#state = "strung"
#concert_pitch_hz = 440.0

# The openings of a box: with them physics tells what a larger one does. shape: "round", "oval" or "slot". count: so
# many alike. edge_mm: how thick the wood is there. Sizes in the notes of a stage are those of the first one here.
#[[opening]]
#shape = "round"
#length_mm = 78
#edge_mm = 2.8

#[[opening]]
#shape = "slot"
#length_mm = 60
#width_mm = 4
#count = 2

# Your own names for resonances, so that you can follow them and set targets. kind: "air", "plate" or "string".
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

# Where a resonance should end up: give note, or hz, or nearest = true, or like, or cents_from with cents.
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
  A number in front of the stage puts it in order. Separate the fields by underscores, or by hyphens with spaces
  around them. These words may follow the stage, in any order:
    kind               tap (if nothing is said), pluck, room
    part that vibrates top, back, neck, blank, body (if nothing is said)
    how it is held     free, rim, clamped, closed, covered (the opening shut), strung
    where you tap      at-bridge, at-... (any name)
    where in the room  spot-window, spot-... (any name): carried a metre or more, and set up again
    step               every recording is a stage of its own, for a day on which wood comes off every few minutes;
                       a folder called "step 3" holds all recordings of the third step
    again              the same stage, put down and set up again
    along, across, twist  what the taps of a blank aim at
    resets             put down and set up again in each pause of five seconds or more
  At the end of a file's name there may be the number of the take.

RECORDING
  Damp the strings. Use a soft mallet. Put the phone on a stand, always in the same place: 5 to 10 cm from a plate,
  but at least 20 cm from an opening, or beside it. Switch off everything that the phone does to the sound (automatic
  gain, noise reduction). Choose WAV or "lossless" if you can.
  Begin with one second of silence, then tap about five times and let each tap die away. Nobody speaks.
"""


_INBOX = """\
Let recordings fall in here under any name. Say what is on the bench, and they are copied to their place:

  tapbatch now INSTRUMENT STAGE [WORD ...]    for example: tapbatch now cittern-12 06-voicing closed step
  tapbatch now --next                         I have cut: the next step begins
  tapbatch now --undo                         take the last recording out of its place

What lies here is never moved, renamed or changed.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstDay:
    """What is known of a new shop: what it builds, its concert pitch (A4 in hertz), and its paper."""

    builds: str = "instrument"
    concert_pitch_hz: float = 440.0
    paper: Literal["A4", "Letter"] = "A4"


def init_shop(root: Path, first: FirstDay | None = None) -> list[Path]:
    """Make an empty shop folder with commented settings; no file is overwritten.

    Parameters
    ----------
    root : Path
        The folder; it may exist already.
    first : FirstDay, optional
        What is known of the shop; what differs from the defaults is set in ``shop.toml``.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    ShopError
        If one of the files exists already (then none is written), or if the folder cannot be written.
    """
    texts = {
        root / "shop.toml": _settings(first or FirstDay()),
        root / "instruments" / "EXAMPLE.toml.txt": _INSTRUMENT,
        root / "recordings" / "README.txt": _RECORDINGS,
        root / "inbox" / "README.txt": _INBOX,
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


def _settings(first: FirstDay) -> str:
    text = _SHOP
    if first.concert_pitch_hz != FirstDay().concert_pitch_hz:
        text = text.replace("#concert_pitch_hz = 440.0", f"concert_pitch_hz = {first.concert_pitch_hz}")
    if first.paper != FirstDay().paper:
        text = text.replace('#paper = "A4"', f'paper = "{first.paper}"')
    return text
