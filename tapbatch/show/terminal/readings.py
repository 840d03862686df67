"""What the terminal shows: readings that fit 80 columns, progress, and what needs attention.

Conventions: nothing here decides or measures. Plain text where the stream is not a terminal or ``NO_COLOR`` is set
(no-color.org); weight and dimness only, never colour alone, so that nothing is lost on paper or to the colour-blind.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

from tapbatch.model.history import History, Stage
from tapbatch.model.progress import listening
from tapbatch.model.reading import Attention
from tapbatch.show.say import figures, words
from tapbatch.show.say.notices import notice_text, notices_of
from tapbatch.show.tables import columns as tables
from tapbatch.show.tables import rows
from tapbatch.show.terminal.wrapping import padded, wrapped
from tapbatch.show.view.answers import NOTHING_READ, WHAT_TO_DO, turned_down
from tapbatch.show.view.stages import mode_rows
from tapbatch.show.view.working import spoken_name

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80

WHAT_IT_MEANS = "What a word means: tapbatch --explain WORD"

Line = tuple[str, str]
"""A line of at most 80 characters, and its weight: ``bold``, ``dim`` or none."""


def reading_lines(
    stage: Stage, steady_cents: float = 3.0, *, full: bool = False, history: History | None = None
) -> list[Line]:
    """Return what was read at one stage: what is worked on first, then the other modes from strong to faint.

    A pitch counts as sure within ``steady_cents``. ``full`` also names below each mode what was noticed of it.
    Without the instrument's history the strongest mode comes first.
    """
    lines = _headline(stage)
    if not stage.modes:
        return [*lines, *_nothing_heard(stage)]
    rows = mode_rows(stage, steady_cents, history)
    lines.append((_columns("", "note", "cents", "untouched", "Hz", "T60 (s)", "taps"), "dim"))
    # What all modes have in common is said once, at the end.
    common = set.intersection(*(set(m.flags) for m in stage.modes)) if len(stage.modes) > 1 else set()
    for row in rows:
        mode = row.mode
        figures = mode.note, words.cents_text(mode), words.untouched_text(mode), words.hz_text(mode)
        named = spoken_name(stage, mode.mode) or ("strongest" if mode.lead else "")
        cells = _columns(named, *figures, words.t60_text(mode), row.taps)
        lines.append((cells, "bold" if mode.lead else "dim" if row.unsure else ""))
        if full and (own := [words.flag_text(flag) for flag in mode.flags if flag not in common]):
            lines += said(f"noticed: {', '.join(own)}", "dim", first="           ")
    if played := ", ".join(words.played_note_text(row.mode) for row in rows if row.played):
        lines += said(f"Played at A4 = {stage.playing_pitch_hz:g} Hz: {played}.")
    return [*lines, *_whole_lines(stage), *_set_up_anew(stage), *_noticed(stage)]


def _set_up_anew(stage: Stage) -> list[Line]:
    """Return a line on how sure a reading is once the instrument is put down and set up anew; none if not known."""
    lead = next((m for m in stage.modes if m.lead), None)
    if lead is None or words.sure_text(lead) == words.untouched_text(lead):
        return []
    return said(f"Put down and set up anew, it would read the same within {words.sure_text(lead)[2:]}.", "dim")


def reading_to_json(stage: Stage) -> str:
    """Return what was read at one stage as one JSON object, for programs.

    Modes and sustain have the names, units and digits of ``modes.csv`` and ``sustain.csv``, and ``wood`` those of
    ``wood.csv`` if it is a blank; what is not known is ``null``. Plain ASCII, so that it comes whole through any
    terminal and any pipe.

    Examples
    --------
    >>> stage = Stage(part="top", state="free", stage="s", stage_shown="s", order=1, concert_pitch_hz=440.0,
    ...               heard=(), modes=(), decays=())
    >>> reading_to_json(stage)
    '{"part": "top", "state": "free", "stage": "s", "concert_pitch_hz": 440.0, "recordings": [], "modes": [], ...}'
    """
    document: dict[str, object] = {
        "part": stage.part,
        "state": stage.state,
        "stage": stage.stage_shown,
        "concert_pitch_hz": stage.concert_pitch_hz,
        "recordings": [
            {
                "recording": heard.recording.path,
                "sha256": heard.recording.sha256,
                "taps_found": len(heard.reading.taps),
                "taps_used": len(heard.reading.used_taps),
                "notices": [notice_text(notice) for notice in notices_of(heard)],
            }
            for heard in stage.heard
        ],
        "modes": [_plain("modes", row) for row in rows.mode_rows(stage)],
        "sustain": [_plain("sustain", row) for row in rows.sustain_rows(stage)],
        "flags": list(stage.flags),
    }
    if stage.wood is not None:
        document["wood"] = [_plain("wood", row) for row in rows.wood_rows(stage)]
    return json.dumps(document, allow_nan=False)


def print_attention(items: Sequence[Attention], *, file: TextIO | None = None) -> None:
    """Print, on standard error, each file or instrument that needs the builder: where, what is wrong, the remedy."""
    if not items:
        return
    lines = [("1 needs attention:" if len(items) == 1 else f"{len(items)} need attention:", "bold")]
    for item in items:
        lines += said(f"{item.where}: {item.what}; {item.remedy}", first="  ")
    print_lines(lines, file=file or sys.stderr)


def print_notices(notices: Sequence[str], *, file: TextIO | None = None) -> None:
    """Print, on standard error, what was noticed and needs no action, each behind ``note:``."""
    lines = [line for notice in notices for line in said(f"note: {notice}", later="    ")]
    print_lines(lines, file=file or sys.stderr)


@contextmanager
def progress(total: int, *, file: TextIO | None = None) -> Iterator[Callable[[str], None]]:
    """Show the progress of work in ``total`` pieces, with rate and time left, on a terminal; show nothing elsewhere.

    It goes to standard error by default. What it yields is called with the name of each piece when that is done.

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
            told = (f"{int(task.completed)}/{total}", pace_text(task.speed, task.time_remaining))
            return Text(", ".join(filter(None, told)))

    # Names from files are data: without markup, square brackets in them stay brackets.
    name_column = TextColumn("{task.description}", markup=False, style="dim")
    bar_column = BarColumn(bar_width=16, style="dim", complete_style="bold", finished_style="bold", pulse_style="dim")
    with Progress(bar_column, Said(), name_column, console=_console(stream), transient=True) as bar:
        task = bar.add_task("", total=total)
        finished = 0

        def done(name: str) -> None:
            nonlocal finished
            finished += 1
            text = words.shown(name)
            bar.update(task, completed=finished, description=text if len(text) <= 24 else f"…{text[-23:]}")

        # Within a recording of hours the bar moves, too.
        with listening(lambda share: bar.update(task, completed=min(finished + share, total))):
            yield done


def pace_text(pieces_a_second: float | None, left_s: float | None) -> str:
    """Say how fast work goes, and how long it will still take, as far as that is known.

    Examples
    --------
    >>> pace_text(12.34, 3.2), pace_text(0.4, 200.0), pace_text(None, None)
    ('12.3 a second, 4 s left', '2.5 s each, 4 min left', '')
    """
    told = []
    if pieces_a_second:
        told.append(
            f"{pieces_a_second:.1f} a second" if pieces_a_second >= 1 else f"{1 / pieces_a_second:.1f} s each"
        )
    if left_s is not None:
        told.append(f"{math.ceil(left_s)} s left" if left_s <= 90 else f"{math.ceil(left_s / 60)} min left")
    return ", ".join(told)


def said(text: str, weight: str = "", *, first: str = "", later: str | None = None, most: int = WIDTH) -> list[Line]:
    """Return text in lines of at most ``most`` characters.

    The first line is indented by ``first``, the others by ``later``; by default by two more than the first.
    """
    lines = wrapped(words.shown(text), most, first, first + "  " if later is None else later)
    return [(line, weight) for line in lines]


def _headline(stage: Stage) -> list[Line]:
    names = ", ".join(words.shown(heard.recording.path) for heard in stage.heard) or words.shown(stage.stage_shown)
    found = sum(len(h.reading.taps) for h in stage.heard)
    placed = " ".join(word for word in (stage.part, stage.state) if word)
    used = f"{_count(found, 'knock')} heard, {_count(stage.taps_used, 'tap')} used"
    facts = ", ".join(word for word in (placed, used, f"A4 = {stage.concert_pitch_hz:g} Hz") if word)
    return said(names, "bold") + said(facts)


def _columns(name: str, note: str, cents: str, sure: str, hz: str, rings: str, taps: str) -> str:
    cells = f"{note:<6}{cents:>8}   {sure:<10}{hz:>9}   {rings:<22}{taps:>5}"
    return f"{padded(words.shown(name), 10)} {cells}".rstrip()


def _nothing_heard(stage: Stage) -> list[Line]:
    lines = said(f"{NOTHING_READ}. {WHAT_TO_DO}")
    for reason, times in sorted(turned_down(stage).items()):
        lines += said(f"{times} not used: {reason or 'no reason given'}", first="  ")
    return lines + _noticed(stage)


def _whole_lines(stage: Stage) -> list[Line]:
    whole = next((d for d in stage.decays if d.band_low_hz is None and d.kind == "tap"), None)
    text = figures.seconds_text(whole.t60_s, whole.t60_low_s, whole.t60_high_s) if whole else ""
    return [(f"The whole sound dies away by 60 dB in {text} s.", "")] if text else []


def _noticed(stage: Stage) -> list[Line]:
    """Return what was noticed, in a word each, and where to ask what a word means."""
    flags = dict.fromkeys((*(flag for mode in stage.modes for flag in mode.flags), *stage.flags))
    notices = dict.fromkeys(notice_text(notice) for heard in stage.heard for notice in notices_of(heard))
    texts = (*map(words.flag_text, flags), *notices)
    return said(f"Noticed: {', '.join(texts)}. {WHAT_IT_MEANS}", "dim") if texts else []


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _plain(table: str, row: tables.Row) -> dict[str, object]:
    """Return a row as JSON can hold it, its numbers with the digits that the table gives them."""
    plain: dict[str, object] = {}
    for column in tables.SCHEMA[table]:
        value = row.get(column.name)
        if column.kind == "float" and value is not None:
            value = float(tables.cell_text(column, row)) if math.isfinite(float(value)) else None
        plain[column.name] = value
    return plain


def print_lines(lines: Iterable[Line | str], *, file: TextIO | None = None) -> None:
    """Print lines, plain or each with its weight, on standard output by default."""
    stream = file or sys.stdout
    console = _console(stream)
    # A stream that cannot write a letter gets a stand-in for it and not an error.
    encoding = getattr(stream, "encoding", None) or "utf-8"
    for each in lines:
        line, weight = (each, "") if isinstance(each, str) else each
        readable = line.encode(encoding, "replace").decode(encoding)
        # Rich honours NO_COLOR for colour only; here weight goes too, so that what is plain is wholly plain.
        console.print(readable, style=None if console.no_color else weight or None, soft_wrap=True)


def _console(stream: TextIO) -> Console:
    from rich.console import Console

    return Console(file=stream, highlight=False, markup=False, emoji=False, soft_wrap=True)
