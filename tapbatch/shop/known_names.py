"""What is known of a shop's instruments and stages, and which misspelt name means which of them.

Conventions: a name is known if a recording, a settings file or, for the names of recordings, a row of the notes has
it. Names are compared by identity. Of a misspelt name the nearest known one is offered, never taken.
"""

from __future__ import annotations

import difflib
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import PurePosixPath

from tapbatch.model.errors import NamingError
from tapbatch.model.names import NAMED, identity, parse_name
from tapbatch.model.reading import Attention, Recording
from tapbatch.model.settings import InstrumentSettings
from tapbatch.shop.notes import NoteKey

_TOKEN = re.compile(r"[^\W_]+")


@dataclass(slots=True)
class Known:
    """The instruments that are known, and the stages of each, as they are spelled, by identity."""

    instruments: dict[str, str] = field(default_factory=dict)
    stages: defaultdict[str, dict[str, str]] = field(default_factory=lambda: defaultdict(dict))

    def add(self, instrument: str, stage: str = "") -> None:
        """Add an instrument, and a stage of it if one is given; the first spelling of each is kept."""
        if not instrument:
            return
        self.instruments.setdefault(identity(instrument), instrument)
        if stage:
            self.stages[identity(instrument)].setdefault(identity(stage), stage)

    def without(self, instrument: str) -> Known:
        """Return the same without one instrument."""
        stages = {name: of for name, of in self.stages.items() if name != instrument}
        instruments = {name: shown for name, shown in self.instruments.items() if name != instrument}
        return Known(instruments, defaultdict(dict, stages))


def known_names(
    recordings: Iterable[Recording], settings: Mapping[str, InstrumentSettings], notes: Iterable[NoteKey] = ()
) -> Known:
    """Return what is known from the names of recordings, from the settings of instruments, and from the notes.

    Examples
    --------
    >>> known_names([parse_name("Cittern-07_03-bars-fitted_top.wav")], {}).stages["cittern-07"]
    {'03-bars-fitted': '03-bars-fitted'}
    """
    known = Known()
    steps: Counter[tuple[str, str]] = Counter()
    for recording in sorted(recordings, key=lambda r: r.path):
        known.add(recording.instrument_shown, recording.stage_shown)
        if recording.step:
            # Every recording of a series is a stage of its own.
            steps[recording.instrument, recording.stage] += 1
            count = steps[recording.instrument, recording.stage]
            known.add(recording.instrument_shown, f"{recording.stage_shown} step {count}")
    for name, of_instrument in settings.items():
        known.add(name)
        for setting in of_instrument.stage:
            known.add(name, setting.name)
    for instrument, stage in notes:
        known.add(instrument, stage)
    return known


# ------------------------------------------------------------------- notes


def unknown_instruments(notes: Iterable[NoteKey], known: Known) -> tuple[Attention, ...]:
    """Return one item for each instrument of the notes that is not known, with the nearest that is.

    Examples
    --------
    >>> known = known_names([parse_name("cittern-12_07-strung.wav")], {})
    >>> unknown_instruments([("citern-12", "07-strung")], known)[0].remedy
    "did you mean 'cittern-12'? If it is still to be recorded, give it a file in instruments/"
    """
    stages = defaultdict(list)
    for instrument, stage in notes:
        if instrument not in known.instruments:
            stages[instrument].append(stage)
    return tuple(
        Attention(
            where="notes.csv",
            what=f"found the instrument '{instrument}' ({', '.join(stages[instrument])}), which has no recording",
            remedy=_meant(instrument, known.instruments) + "give it a file in instruments/",
        )
        for instrument in sorted(stages)
    )


def unknown_stages(notes: Iterable[NoteKey], known: Known) -> tuple[Attention, ...]:
    """Return one item for each stage of the notes that is not known, with the nearest that is.

    Examples
    --------
    >>> known = known_names([parse_name("cittern-12_07-strung.wav")], {})
    >>> unknown_stages([("cittern-12", "07-strng")], known)[0].what
    "found the stage '07-strng' of cittern-12, which has no recording"
    """
    return tuple(
        Attention(
            where="notes.csv",
            what=f"found the stage '{stage}' of {instrument}, which has no recording",
            remedy=_meant(stage, known.stages[instrument])
            + f"list it as a [[stage]] in instruments/{instrument}.toml",
        )
        for instrument, stage in sorted(notes)
        if stage not in known.stages[instrument]
    )


def _meant(name: str, known: Mapping[str, str]) -> str:
    nearest = difflib.get_close_matches(name, known, n=1, cutoff=0.0)
    meant = f"did you mean '{known[nearest[0]]}'? " if nearest else ""
    return f"{meant}If it is still to be recorded, "


# -------------------------------------------------------- names of recordings


def right_form(path: str, known: Known, taken: Iterable[str] = (), extra_parts: tuple[str, ...] = ()) -> str:
    """Return the name that a recording should have whose instrument and stage are known but parted oddly.

    Parameters
    ----------
    path
        Path below ``recordings/``, with ``/``.
    known
        What is known of the shop.
    taken
        Paths that other recordings have; the name that is returned is none of them.
    extra_parts
        Parts that the settings add.

    Returns
    -------
    str
        The path with a name of the form ``INSTRUMENT_STAGE[_WORD ...][_TAKE]``; empty if the name does not begin with
        a known instrument and a stage of it, or if what follows is not understood.

    Examples
    --------
    >>> known = known_names([parse_name("Cittern-12_05-box-closed_at-bridge.wav")], {})
    >>> right_form("Cittern-12-05-box-closed.wav", known)
    'Cittern-12_05-box-closed.wav'
    >>> right_form("cittern 12 05 box closed at bridge 2.wav", known)
    'Cittern-12_05-box-closed_at-bridge_2.wav'
    """
    place = PurePosixPath(path)
    instrument, stage = _says(path, extra_parts)
    if len(place.parts) > 2 or stage in known.stages.get(instrument, {}):
        return ""
    tokens = _tokens(place.stem)
    for instrument, shown in _longest_first(known.instruments):
        rest = _without(tokens, instrument)
        if rest is None:
            continue
        for stage, stage_shown in _longest_first(known.stages.get(instrument, {})):
            words = _without(rest, stage)
            if words is None:
                continue
            stem = "_".join((shown, stage_shown, *_joined(words)))
            form = _free(place, stem, frozenset(taken))
            if _says(form, extra_parts) == (instrument, stage):
                return form
    return ""


def _tokens(text: str) -> list[str]:
    return _TOKEN.findall(identity(text))


def _longest_first(names: Mapping[str, str]) -> list[tuple[str, str]]:
    return sorted(names.items(), key=lambda item: (-len(_tokens(item[0])), item[0]))


def _without(tokens: Sequence[str], name: str) -> Sequence[str] | None:
    """Return what follows a name, ``None`` if the tokens do not begin with it."""
    own = _tokens(name)
    return tokens[len(own) :] if own and list(tokens[: len(own)]) == own else None


def _joined(words: Sequence[str]) -> Iterator[str]:
    """Yield the words, with ``at`` and ``spot`` joined to the name behind them."""
    starts = {start.removesuffix("-") for start in NAMED}
    left = list(words)
    while left:
        word = left.pop(0)
        yield f"{word}-{left.pop(0)}" if word in starts and left else word


def _free(place: PurePosixPath, stem: str, taken: frozenset[str]) -> str:
    """Return a path of that stem, with a take number if the name is taken."""
    take, free = 1, str(place.with_name(stem + place.suffix))
    while free in taken:
        take += 1
        free = str(place.with_name(f"{stem}_{take}{place.suffix}"))
    return free


def _says(path: str, extra_parts: tuple[str, ...]) -> tuple[str, str]:
    try:
        recording = parse_name(path, extra_parts)
    except NamingError:
        return "", ""
    return recording.instrument, recording.stage
