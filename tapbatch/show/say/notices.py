"""The words of notices; every face takes them from here.

Conventions: :func:`notice_text` gives the short phrase that stands in the column ``notice`` (several are separated by
``; ``) and after ``note:`` in the terminal. :func:`notice_explained` adds what it means for the maker.
"""

from __future__ import annotations

from collections.abc import Iterable

from tapbatch.model.history import Heard, History, Stage
from tapbatch.model.notice import Notice, NoticeKind

PARTED_BY = "; "

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
    "no tap": "taps.csv says of each transient why it was not used",
    "begins ringing": "the blow is missing: frequencies and decays are good, but fast modes have lost level",
    "crowded": "so many transients that it may be talk or work: cut the taps out into a file of their own",
    "too long": "more samples than are read of one file (4,000,000,000 over all channels): cut it into several files",
    "automatic gain": "the recorder turns its level up and down: switch that off, or no decay can be trusted",
}
"""What a notice means. Kinds that are not listed need no explanation."""


def heading(kind: NoticeKind) -> str:
    """Return how a notice of a recording begins, as the documentation lists it; that of more channels has a number.

    Examples
    --------
    >>> heading("cut"), heading("clipped")
    ('the file is cut', 'clipped')
    """
    return {"cut": "the file is cut", "channel": "stereo"}.get(kind, kind)


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
        case "missing" | "silence" | "clipped":
            return notice.kind
        case "other":
            return notice.text
        case "older method":
            return f"older method: version {notice.method}"
        case "lossy codec":
            return f"lossy codec ({notice.name})"
        case "no tap":
            return "no tap: nothing in it could be measured"
        case "begins ringing":
            return "begins ringing: measured from the beginning of the recording"
        case "automatic gain":
            return "automatic gain: the noise floor rises between taps"
        case "damaged":
            return f"damaged: {notice.count} of its pieces could not be decoded"
        case "non-finite samples":
            return f"non-finite samples ({notice.count} set to 0)"
        case "crowded":
            return f"crowded: what comes after {(notice.there_s or 0.0) / 60:.0f} minutes is left out"
        case "too long":
            return f"too long: what comes after {(notice.there_s or 0.0) / 3600:.1f} hours is left out"
        case "cut" | "channel" | "low sample rate":
            return _of_recording(notice)
        case "counted once" | "renamed" | "ordered by name" | "several states" | "no such string" | "target waits":
            return _of_instrument(notice)
        case "workbook full" | "new method" | "no recordings" | "not replaced" | "set aside":
            return _of_run(notice)


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
    """Return the notices of a recording, each once; that it is missing comes first."""
    gone = (Notice("missing"),) if heard.missing else ()
    return tuple(dict.fromkeys((*gone, *heard.reading.notices)))


def noticed_lines(history: History, stage: Stage | None) -> list[str]:
    """Return the notices of an instrument and of the recordings of one stage, explained, a line each."""
    lines = [notice_text(notice) for notice in history.notices]
    for heard in stage.heard if stage else ():
        lines += [f"{notice_explained(notice)} ({heard.recording.path})" for notice in notices_of(heard)]
    return lines


def _of_recording(notice: Notice) -> str:
    if notice.kind == "cut":
        if notice.promised_s is None:
            return f"the file is cut: {notice.there_s:.2f} s are there, and no end"
        return f"the file is cut: {notice.there_s:.2f} of {notice.promised_s:.2f} s are there"
    if notice.kind == "channel":
        if notice.count == 2:
            return f"stereo: the {'left' if notice.number == 1 else 'right'} channel is used"
        return f"{notice.count} channels: channel {notice.number} is used"
    if notice.highest_hz is not None:
        return f"low sample rate: heard up to {notice.highest_hz:.0f} Hz only"
    return f"low sample rate ({notice.rate_hz} Hz)"


def _of_instrument(notice: Notice) -> str:
    match notice.kind:
        case "counted once":
            return f"{notice.path} is the same sound as {notice.other_path}: counted once"
        case "renamed":
            return f"{notice.path} is now {notice.other_path}"
        case "ordered by name":
            return (
                f"{notice.part}: these stages have neither number nor date, so they are sorted by name: "
                f"{', '.join(notice.names)}; put a number in front of the name, or a date in the notes"
            )
        case "several states":
            states = " and ".join(name or "without a state" for name in notice.names)
            return f"{notice.stage} of {notice.part} was recorded {states}: they are compared separately"
        case "no such string":
            return (
                f"{notice.path}: the pluck at {notice.at_s:.1f} s sounds {notice.freq_hz:.1f} Hz, which is near no "
                "string of the settings"
            )
        case _:
            return f"the target of {notice.name} waits: {notice.other_name} is not heard at {notice.stage}"


def _of_run(notice: Notice) -> str:
    match notice.kind:
        case "workbook full":
            return (
                f"the workbook holds the first {notice.count} of {notice.total_count} rows of {notice.name}; "
                f"{notice.name}.csv holds all"
            )
        case "new method":
            versions = f"the method is now version {notice.method}, it was {notice.method_before}"
            said = f"{versions}: {notice.count} measured again"
            return f"{said}, {notice.kept_count} without their sound kept as they were" if notice.kept_count else said
        case "no recordings":
            return f"no recordings yet: drop them into {notice.path}, named by instrument and stage"
        case "set aside":
            return f"{notice.path} {notice.text}: the file is set aside as {notice.other_path}"
        case _:
            return (
                f"{notice.path} could not be replaced ({notice.text}): the new one is {notice.other_path}; close it "
                "and run again"
            )
