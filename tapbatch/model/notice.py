"""What was noticed on the way and needs nobody at once, as values: of a sound, a recording, an instrument, a run.

Conventions: a notice says what happened and to what; each number has its unit in its field's name. No code decides
anything by the words of a notice: it asks its ``kind``. Notices of recordings are kept with their readings.

To add a kind: name it in :data:`NoticeKind`, add the fields it needs to :class:`Notice`, and give it words (and, for
a recording's, an explanation) in :mod:`tapbatch.show.say.notices`. Tests fail until the words are there, and until
the documentation explains the kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

OfRecording = Literal[
    "missing",
    "older method",
    "cut",
    "damaged",
    "channel",
    "in line",
    "lossy codec",
    "low sample rate",
    "non-finite samples",
    "silence",
    "clipped",
    "no tap",
    "begins ringing",
    "crowded",
    "too long",
    "automatic gain",
    "mostly room",
    "some room",
    "set-ups",
    "not asked",
    "other",
]
"""What may be noticed of one recording: these stand in the column ``notice`` of ``recordings.csv``."""

OfInstrument = Literal[
    "counted once",
    "renamed",
    "ordered by name",
    "several states",
    "no such string",
    "target waits",
    "after frozen",
    "not frozen",
    "reference undated",
    "workbook full",
]
"""What may be noticed of all recordings of an instrument."""

OfRun = Literal["new method", "no recordings", "not replaced", "set aside", "placed"]
"""What may be noticed of a whole run."""

NoticeKind = Literal[OfRecording, OfInstrument, OfRun]


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that was noticed; which fields a kind bears, the others stay as they are by default.

    ==================  ==============================================================================
    kind                what it carries
    ==================  ==============================================================================
    missing             nothing: the recording is gone, its reading is kept
    older method        ``method``: the version it was measured by
    cut                 ``there_s`` of ``promised_s`` seconds; ``None`` where the file names no length
    damaged             ``count``: pieces that could not be decoded
    channel             ``number`` (from 1) of ``count`` channels is used
    in line             ``number`` (from 1) of the nearer of two channels; the other is ``apart_cm`` farther away
    lossy codec         ``name`` of the codec
    low sample rate     ``rate_hz``, or ``highest_hz``: up to where it was heard
    non-finite samples  ``count``: samples set to 0
    silence, clipped    nothing
    no tap              nothing
    begins ringing      nothing: the blow is missing, its decay is measured
    crowded, too long   ``there_s``: what comes after is left out
    automatic gain      nothing
    mostly, some room   nothing: the reading says how much
    set-ups             ``counts``: the used taps of each set-up in it
    not asked           nothing: the other recordings of its stage were asked together without it
    other               ``text``: what a file of another version said
    counted once        ``path`` is the same sound as ``other_path``
    renamed             ``path`` is now ``other_path``
    ordered by name     ``part``; ``names``: its stages
    several states      ``part``, ``stage``; ``names``: its states, empty where none was given
    no such string      ``path``, ``at_s``, ``freq_hz`` of a pluck that is near no string of the settings
    target waits        ``name``: mode of the target; ``other_name``: mode that is not heard at ``stage``
    after frozen        ``path`` of a recording that is left out of a stage frozen on ``day``
    not frozen          ``names``: stages without a date
    reference undated   ``names``: likewise, of a reference
    workbook full       ``name`` of the table; ``count`` rows of ``total_count`` are held
    new method          ``method``, ``method_before``; ``count`` measured anew, ``kept_count`` kept without sound
    no recordings       ``path``: where to drop them
    not replaced        ``path``, ``other_path``: the name of the new file beside it; ``text``: the reason
    placed              ``path`` of a recording below recordings/, ``other_path`` of its original in the inbox
    set aside           ``path`` of a recording or a kept file, ``other_path``: the new name, ``text``: why
    ==================  ==============================================================================

    Examples
    --------
    >>> Notice("renamed", path="a.wav", other_path="b.wav").kind
    'renamed'
    """

    kind: NoticeKind
    path: str = ""
    other_path: str = ""
    part: str = ""
    stage: str = ""
    name: str = ""
    other_name: str = ""
    names: tuple[str, ...] = ()
    counts: tuple[int, ...] = ()
    text: str = ""
    day: str = ""
    method: str = ""
    method_before: str = ""
    number: int | None = None
    count: int | None = None
    total_count: int | None = None
    kept_count: int | None = None
    at_s: float | None = None
    there_s: float | None = None
    promised_s: float | None = None
    freq_hz: float | None = None
    rate_hz: int | None = None
    highest_hz: float | None = None
    apart_cm: float | None = None


KINDS_OF_RECORDING: tuple[str, ...] = get_args(OfRecording)
KINDS: tuple[str, ...] = (*KINDS_OF_RECORDING, *get_args(OfInstrument), *get_args(OfRun))
