"""The words of notices; every face takes them from here.

Conventions: :func:`notice_text` gives the short phrase that stands in the column ``notice`` (several are separated by
``; ``) and after ``note:`` in the terminal. :func:`notice_explained` adds what it means for the maker.
"""

from __future__ import annotations

from collections.abc import Iterable

from tapbatch.compare.setup_numbers import taps_of_setups
from tapbatch.model.history import Heard, History, Stage
from tapbatch.model.notice import Notice, NoticeKind
from tapbatch.show.say.cautions import PARTED_BY

EXPLANATIONS: dict[NoticeKind, str] = {
    "missing": "the recording is gone from the folder; its reading is kept until you forget it",
    "older method": "measured by an older version of the method, and its sound is gone: do not compare it with newer "
    "readings",
    "cut": "measured as far as it goes: copy it again from the recorder",
    "damaged": "pieces of the file cannot be decoded and are left out: copy it again",
    "lossy codec": "fine for the note, less so for faint modes and long decays",
    "low sample rate": "what rings higher than half the rate is lost",
    "non-finite samples": "the file is damaged in places: record again if that is where the taps are",
    "silence": "nothing was recorded: look at the microphone and its permission",
    "clipped": "too loud for the recorder: tap softer or move it away",
    "no tap": "taps.csv says of each knock why it was not used",
    "begins ringing": "the blow is missing: frequencies and decays are good, but fast modes have lost level",
    "crowded": "so many knocks that it may be talk or work: cut the taps out into a file of their own",
    "too long": "more samples than are read of one file (4,000,000,000 over all channels): cut it into several files",
    "automatic gain": "the recorder turns its level up and down: turn that off, or no decay can be trusted",
    "mostly room": "what the room sends back is nearly as strong as the sound itself (direct_db in recordings.csv)",
    "some room": "the room moves frequencies and decay times a little (direct_db in recordings.csv)",
    "not asked": "the other recordings of the stage decided without it which modes there are",
    "set-ups": "a new set-up begins after each pause of five seconds or more between taps that are used",
}
"""What a notice means. Kinds that are not listed need no explanation."""


_TEXTS: dict[NoticeKind, str] = {
    "missing": "missing",
    "older method": "older method: version {0.method}",
    "damaged": "damaged: {0.count} of its pieces could not be decoded",
    "lossy codec": "lossy codec ({0.name})",
    "non-finite samples": "non-finite samples ({0.count} set to 0)",
    "silence": "silence",
    "clipped": "clipped",
    "no tap": "no tap: nothing in it could be measured",
    "begins ringing": "begins ringing: measured from the beginning of the recording",
    "automatic gain": "automatic gain: the noise floor rises between taps",
    "mostly room": "mostly room: go to 5-10 cm; decay times cannot be relied on",
    "some room": "some room: go to 5 cm, or repeat at three places",
    "not asked": "not asked: too little of its taps is kept",
    "other": "{0.text}",
    "counted once": "{0.path} is the same sound as {0.other_path}: counted once",
    "renamed": "{0.path} is now {0.other_path}",
    "no such string": "{0.path}: the pluck at {0.at_s:.1f} s sounds {0.freq_hz:.1f} Hz, which is near no "
    "string of the settings",
    "target waits": "the target of {0.name} waits: {0.other_name} is not heard at {0.stage}",
    "after frozen": "{0.path} was recorded after {0.day}, the day up to which its stage is frozen: it is left out",
    "workbook full": "the workbook holds the first {0.count} of {0.total_count} rows of {0.name}; {0.name}.csv "
    "holds all",
    "no recordings": "no recordings yet: drop them into {0.path}, named by instrument and stage",
    "placed": "{0.other_path} from the inbox is now {0.path}",
    "set aside": "{0.path} {0.text}: the file is set aside as {0.other_path}",
    "not replaced": "{0.path} could not be replaced ({0.text}): the new one is {0.other_path}; close it "
    "and run again",
}
"""The words of a notice, with the fields of it that they hold. The other kinds are put into words below."""


def notice_text(notice: Notice) -> str:
    """Return the words of one notice.

    Examples
    --------
    >>> notice_text(Notice("lossy codec", name="aac"))
    'lossy codec (aac)'
    >>> notice_text(Notice("renamed", path="a.wav", other_path="b.wav"))
    'a.wav is now b.wav'
    """
    match notice.kind:
        case "crowded":
            return f"crowded: what comes after {(notice.there_s or 0.0) / 60:.0f} minutes is left out"
        case "too long":
            return f"too long: what comes after {(notice.there_s or 0.0) / 3600:.1f} hours is left out"
        case "set-ups":
            several = "" if len(notice.counts) == 1 else "s"
            taps = "tap" if notice.counts == (1,) else "taps"
            return f"{len(notice.counts)} set-up{several}: {', '.join(map(str, notice.counts))} {taps}"
        case "cut":
            if notice.promised_s is None:
                return f"the file is cut: {notice.there_s:.2f} s are there, and no end"
            return f"the file is cut: {notice.there_s:.2f} of {notice.promised_s:.2f} s are there"
        case "channel":
            if notice.count == 2:
                return f"stereo: the {'left' if notice.number == 1 else 'right'} channel is used"
            return f"{notice.count} channels: channel {notice.number} is used"
        case "in line":
            near, far = ("left", "right") if notice.number == 1 else ("right", "left")
            return (
                f"in line: the {near} channel is used, less the room in the {far} one {notice.apart_cm:.0f} cm behind"
            )
        case "low sample rate":
            if notice.highest_hz is not None:
                return f"low sample rate: heard up to {notice.highest_hz:.0f} Hz only"
            return f"low sample rate ({notice.rate_hz} Hz)"
        case "ordered by name":
            return (
                f"{notice.part}: these stages have neither number nor date, so they are sorted by name: "
                f"{', '.join(notice.names)}; put a number in front of the name, or a date in the notes"
            )
        case "not frozen":
            return (
                f"these stages have no date, so their verdicts are not frozen: {', '.join(notice.names)}; "
                "put a date in the notes"
            )
        case "reference undated":
            return (
                f"these stages of a reference have no date, so nothing is compared with them: "
                f"{', '.join(notice.names)}; put a date in the notes"
            )
        case "several states":
            states = " and ".join(name or "without a state" for name in notice.names)
            return f"{notice.stage} of {notice.part} was recorded {states}: they are compared separately"
        case "new method":
            versions = f"the method is now version {notice.method}, it was {notice.method_before}"
            kept = f", {notice.kept_count} without their sound kept as they were" if notice.kept_count else ""
            return f"{versions}: {notice.count} measured again{kept}"
        case _:
            return _TEXTS[notice.kind].format(notice)


def notices_text(notices: Iterable[Notice]) -> str:
    """Return the words of several notices, as in a cell of ``recordings.csv``; empty if there is none."""
    return PARTED_BY.join(map(notice_text, notices))


def notice_explained(notice: Notice) -> str:
    """Return the words of one notice, and what it means.

    Examples
    --------
    >>> notice_explained(Notice("lossy codec", name="aac"))
    'lossy codec (aac): fine for the note, less so for faint modes and long decays'
    >>> notice_explained(Notice("other", text="came on tape"))
    'came on tape'
    """
    meaning = EXPLANATIONS.get(notice.kind, "")
    return f"{notice_text(notice)}: {meaning}" if meaning else notice_text(notice)


def notices_of(heard: Heard) -> tuple[Notice, ...]:
    """Return the notices of a recording, each once; that it is missing comes first, its set-ups last."""
    gone = (Notice("missing"),) if heard.missing else ()
    several = heard.recording.resets and heard.recording.kind != "room"
    parted = (Notice("set-ups", counts=taps_of_setups(heard)),) if several else ()
    return tuple(dict.fromkeys((*gone, *heard.reading.notices, *parted)))


def noticed_lines(history: History, stage: Stage | None) -> list[str]:
    """Return the notices of an instrument and of the recordings of one stage, explained, a line each."""
    lines = [notice_text(notice) for notice in history.notices]
    for heard in stage.heard if stage else ():
        lines += [f"{notice_explained(notice)} ({heard.recording.path})" for notice in notices_of(heard)]
    return lines
