"""What the terminal shows: readings that fit 80 columns, progress, and what needs attention.

Conventions: nothing here decides or measures. Plain text where the stream is not a terminal or ``NO_COLOR`` is set
(no-color.org); weight and dimness only, never colour alone, so that nothing is lost on paper or to the colour-blind.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

from tapbatch.model.history import History, Stage
from tapbatch.model.progress import listening
from tapbatch.model.reading import Attention
from tapbatch.show.say import words
from tapbatch.show.say.notices import notice_explained, notice_text, notices_of
from tapbatch.show.tables import columns as tables
from tapbatch.show.tables import rows
from tapbatch.show.terminal.wrapping import wrapped
from tapbatch.show.view.landings import landing_lines
from tapbatch.show.view.rows import mode_rows
from tapbatch.show.view.silence import NOTHING_READ, WHAT_TO_DO, turned_down
from tapbatch.show.view.stages import last_with_modes
from tapbatch.show.view.standing import standing_text

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80

Advance = Callable[[str], None]


def print_reading(stage: Stage, *, steady_cents: float = 3.0, file: TextIO | None = None) -> None:
    """Print what was read at one stage, the mode that leads first, then the others from strong to faint.

    Parameters
    ----------
    stage
        One or more recordings, joined.
    steady_cents
        The width in cents within which a pitch counts as sure and a mode as steady.
    file
        Where to print; standard output by default.
    """
    say_lines(reading_lines(stage, steady_cents), file or sys.stdout)


def reading_lines(stage: Stage, steady_cents: float = 3.0) -> list[tuple[str, str]]:
    """Return the lines of a reading, each at most 80 characters, with its weight: ``bold``, ``dim`` or none."""
    lines = _headline(stage)
    if not stage.modes:
        return [*lines, *((line, "") for line in _nothing_heard(stage))]
    rows = mode_rows(stage, steady_cents)
    lines.append((_columns("", "note", "cents", "how sure", "Hz", "T60 (s)", "taps"), "dim"))
    # What all modes have in common is said once, at the end.
    common = set.intersection(*(set(m.flags) for m in stage.modes)) if len(stage.modes) > 1 else set()
    for row in rows:
        mode = row.mode
        cells = _columns("leads" if mode.lead else "", mode.note, row.cents, row.sure, row.hz, row.rings, row.taps)
        lines.append((cells, "bold" if mode.lead else "dim" if row.unsure else ""))
        if own := [flag for flag in mode.flags if flag not in common]:
            lines.extend((line, "dim") for line in _wrapped(f"noticed: {', '.join(own)}", "        "))
    played = ", ".join(words.played_note_text(row.mode) for row in rows if row.played)
    said = _wrapped(f"Played at A4 = {stage.playing_pitch_hz:g} Hz: {played}.") if played else []
    return [*lines, *((line, "") for line in (*said, *_whole_lines(stage), *_noticed(stage)))]


def reading_to_json(stage: Stage) -> str:
    """Return what was read at one stage as one JSON object, for programs.

    Modes and sustain have the names, units and digits of ``modes.csv`` and ``sustain.csv``; what is not known is
    ``null``. Plain ASCII, so that it comes whole through any terminal and any pipe.

    Examples
    --------
    >>> stage = Stage(part="top", state="free", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=())
    >>> reading_to_json(stage)
    '{"part": "top", "state": "free", "stage": "s", "concert_pitch_hz": 440.0, "recordings": [], "modes": [], ...}'
    """
    recordings: list[dict[str, object]] = [
        {
            "recording": heard.recording.path,
            "sha256": heard.recording.sha256,
            "taps_found": len(heard.reading.taps),
            "taps_used": len(heard.reading.used_taps),
            "notices": [notice_text(notice) for notice in notices_of(heard)],
        }
        for heard in stage.heard
    ]
    document = {
        "part": stage.part,
        "state": stage.state,
        "stage": stage.stage_shown,
        "concert_pitch_hz": stage.concert_pitch_hz,
        "recordings": recordings,
        "modes": [_plain("modes", row) for row in rows.mode_rows(stage)],
        "sustain": [_plain("sustain", row) for row in rows.sustain_rows(stage)],
        "flags": list(stage.flags),
    }
    return json.dumps(document, allow_nan=False)


def print_lines(lines: Sequence[str], *, file: TextIO | None = None) -> None:
    """Print lines as they are, such as those that say where each instrument stands (:func:`history_lines`)."""
    say_lines([(line, "") for line in lines], file or sys.stdout)


def history_lines(history: History) -> list[str]:
    """Return where an instrument stands and how far it has to go, a sentence each a part, lines of 80 characters.

    Where the taps of the latest stage gave no mode, that is said too: else nobody would miss it.
    """
    lines: list[str] = []
    for part in history.parts:
        stage = last_with_modes(history, part)
        if stage:
            lines += [line for line, _ in _stage_lines(history, stage)]
        tapped = [s for s in history.of_part(part) if any(h.recording.kind == "tap" for h in s.heard)]
        if tapped and not tapped[-1].modes:
            told = standing_text(history, tapped[-1])
            lines += _wrapped(f"{told}; taps.csv says of each transient why it was not used", "", "    ")
    return lines


def _stage_lines(history: History, stage: Stage) -> list[tuple[str, str]]:
    """Return where a part stands and, from the last of its stages that has modes, how far it has to go."""
    far = landing_lines(history, stage.part) if stage is last_with_modes(history, stage.part) else []
    lines = [(line, "bold") for line in _wrapped(standing_text(history, stage), "", "    ")]
    return lines + [(line, "") for said in far for line in _wrapped(said, "  ", "    ")]


def arrival_lines(history: History, path: str, steady_cents: float = 3.0) -> list[tuple[str, str]]:
    """Return what a recording that just arrived says of its stage: the sentence first, then the modes.

    All recordings of its stage are joined in it, as in ``modes.csv``.
    """
    stage = next((s for s in history.stages if any(h.recording.path == path for h in s.heard)), None)
    if stage is None:
        return []
    stands = _stage_lines(history, stage) if stage.modes else []
    return [("", ""), *stands, *reading_lines(stage, steady_cents)]


def print_arrival(history: History, path: str, *, steady_cents: float = 3.0, file: TextIO | None = None) -> None:
    """Print what a recording that just arrived says of its stage."""
    say_lines(arrival_lines(history, path, steady_cents), file or sys.stdout)


def print_attention(items: Sequence[Attention], *, file: TextIO | None = None) -> None:
    """Print every file or instrument that needs the builder: where, what is wrong, how to mend it."""
    if not items:
        return
    lines = [("1 needs attention:" if len(items) == 1 else f"{len(items)} need attention:", "bold")]
    for item in items:
        lines += [(line, "") for line in _wrapped(f"{item.where}: {item.what}; {item.remedy}", "  ", "    ")]
    say_lines(lines, file or sys.stderr)


def print_notices(notices: Sequence[str], *, file: TextIO | None = None) -> None:
    """Print what was noticed and needs nobody: standard error by default, each behind ``note:``."""
    lines = [line for notice in notices for line in _wrapped(f"note: {notice}", "", "    ")]
    print_lines(lines, file=file or sys.stderr)


@contextmanager
def progress(total: int, *, file: TextIO | None = None) -> Iterator[Advance]:
    """Show how far long work has come, with rate and time left, on a terminal; nothing anywhere else.

    Parameters
    ----------
    total
        How many pieces there are to do.
    file
        Where to show it; standard error by default.

    Yields
    ------
    callable
        To be called with the name of each piece when it is done.

    Examples
    --------
    >>> import io
    >>> with progress(2, file=io.StringIO()) as done:
    ...     done("top.wav")
    """
    stream = file or sys.stderr
    if total < 1 or not stream.isatty():
        yield lambda name: None
        return
    from rich.progress import BarColumn, Progress, ProgressColumn, TextColumn
    from rich.progress import Task as Piece
    from rich.text import Text

    class Said(ProgressColumn):
        def render(self, task: Piece) -> Text:
            said = (f"{int(task.completed)}/{total}", rate_text(task.speed), left_text(task.time_remaining))
            return Text(", ".join(word for word in said if word))

    # Names from files are data: without markup, square brackets in them stay brackets.
    name_column = TextColumn("{task.description}", markup=False, style="dim")
    bar_column = BarColumn(bar_width=16, style="dim", complete_style="bold", finished_style="bold", pulse_style="dim")
    with Progress(bar_column, Said(), name_column, console=_console(stream), transient=True) as bar:
        task = bar.add_task("", total=total)
        finished = 0

        def done(name: str) -> None:
            nonlocal finished
            finished += 1
            bar.update(task, completed=finished, description=_short(words.shown(name), 24))

        # Within a recording of hours the bar moves, too.
        with listening(lambda share: bar.update(task, completed=min(finished + share, total))):
            yield done


def rate_text(pieces_a_second: float | None) -> str:
    """Say how fast work goes, a second where many are done in it, else seconds each.

    Examples
    --------
    >>> rate_text(12.34), rate_text(0.4), rate_text(None)
    ('12.3 a second', '2.5 s each', '')
    """
    if not pieces_a_second:
        return ""
    return f"{pieces_a_second:.1f} a second" if pieces_a_second >= 1 else f"{1 / pieces_a_second:.1f} s each"


def left_text(seconds: float | None) -> str:
    """Say how long work will take yet; nothing where that is not known.

    Examples
    --------
    >>> left_text(3.2), left_text(200.0), left_text(None)
    ('4 s left', '4 min left', '')
    """
    if seconds is None:
        return ""
    return f"{math.ceil(seconds)} s left" if seconds <= 90 else f"{math.ceil(seconds / 60)} min left"


# ----------------------------------------------------------------- lines


def _headline(stage: Stage) -> list[tuple[str, str]]:
    names = ", ".join(words.shown(heard.recording.path) for heard in stage.heard) or words.shown(stage.stage_shown)
    found = sum(len(h.reading.taps) for h in stage.heard)
    placed = " ".join(word for word in (stage.part, stage.state) if word)
    used = f"{_count(found, 'transient')} heard, {_count(stage.taps_used, 'tap')} used"
    facts = ", ".join(word for word in (placed, used, f"A4 = {stage.concert_pitch_hz:g} Hz") if word)
    return [*((line, "bold") for line in _wrapped(names)), *((line, "") for line in _wrapped(facts))]


def _columns(lead: str, note: str, cents: str, sure: str, hz: str, rings: str, taps: str) -> str:
    return f"{lead:<7}{note:<6}{cents:>8}   {sure:<10}{hz:>9}   {rings:<22}{taps:>5}".rstrip()


def _nothing_heard(stage: Stage) -> list[str]:
    lines = _wrapped(f"{NOTHING_READ}. {WHAT_TO_DO}")
    for reason, times in sorted(turned_down(stage).items()):
        lines += _wrapped(f"{times} not used: {reason or 'no reason given'}", "  ", "    ")
    return [*lines, *_noticed(stage)]


def _whole_lines(stage: Stage) -> list[str]:
    whole = next((d for d in stage.decays if d.band_low_hz is None and d.kind == "tap"), None)
    text = words.seconds_text(whole.t60_s, whole.t60_low_s, whole.t60_high_s) if whole else ""
    return [f"The whole sound dies away by 60 dB in {text} s."] if text else []


def _noticed(stage: Stage) -> list[str]:
    flags = dict.fromkeys((*(flag for mode in stage.modes for flag in mode.flags), *stage.flags))
    notices = dict.fromkeys(notice for heard in stage.heard for notice in notices_of(heard))
    lines: list[str] = []
    for said in (*map(words.explain, flags), *map(notice_explained, notices)):
        lines += _wrapped(said, "  ", "    ")
    return ["Noticed:", *lines] if lines else []


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def say_lines(lines: Sequence[tuple[str, str]], stream: TextIO) -> None:
    """Print lines, each with its weight: ``bold``, ``dim`` or none."""
    console = _console(stream)
    # A stream that cannot write a letter gets a stand-in for it and not an error.
    encoding = getattr(stream, "encoding", None) or "utf-8"
    for line, style in lines:
        readable = line.encode(encoding, "replace").decode(encoding)
        # Rich honours NO_COLOR for colour only; here weight goes too, so that what is plain is wholly plain.
        console.print(readable, style=None if console.no_color else style or None, soft_wrap=True)


def wrapped_lines(text: str, most: int = WIDTH) -> list[str]:
    """Return text in lines of at most so many characters, later ones set in by two."""
    return wrapped(words.shown(text), most, later="  ")


def _wrapped(text: str, first: str = "", later: str | None = None) -> list[str]:
    return wrapped(words.shown(text), WIDTH, first, first + "  " if later is None else later)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else f"…{text[1 - most :]}"


def _plain(table: str, row: tables.Row) -> dict[str, object]:
    """Return a row as JSON can hold it, its numbers with the digits that the table gives them."""
    plain: dict[str, object] = {}
    for column in tables.SCHEMA[table]:
        value = row.get(column.name)
        if column.kind == "float" and value is not None:
            value = float(tables.cell_text(column, row)) if math.isfinite(float(value)) else None
        plain[column.name] = value
    return plain


# --------------------------------------------------------------- console


def _console(stream: TextIO) -> Console:
    from rich.console import Console

    return Console(file=stream, highlight=False, markup=False, emoji=False, soft_wrap=True)
