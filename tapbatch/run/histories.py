"""The histories of a shop's instruments: the one road from readings to what they say.

Conventions: a history follows from the instrument's own readings, settings and notes (:class:`Inputs`), and from what
all instruments of the shop teach together (:class:`~tapbatch.compare.across.Common`): how far setting up anew moves a
mode, where modes rest that a target is to be like, and what cuts did on the others of its family. So no history is
made before the whole shop was asked. ``run`` makes them instrument by instrument, several at a time, with
:func:`history_of`; ``compare`` and ``import tapbatch`` ask for several at once with :func:`histories_of`, which goes
the same way and so gives the same numbers.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from tapbatch.compare.across import Common, Learned, Then, common, families, learned_from, liked_by, teaches
from tapbatch.compare.bench import Bench
from tapbatch.compare.blank import boards_of, with_wood, without_boards, wood_now
from tapbatch.compare.blank_scores import planings_came
from tapbatch.compare.history import compare_stages, gather_history
from tapbatch.compare.kin import set_up_anew
from tapbatch.compare.step_scores import forecasts_came
from tapbatch.compare.step_taught import family_name
from tapbatch.compare.targets import with_landings
from tapbatch.compare.what_if_slide import slide_of
from tapbatch.compare.working_on import said_of_stages, with_working_on
from tapbatch.measure.method import METHOD
from tapbatch.model.errors import UNFORESEEN, ShopError, TapbatchError
from tapbatch.model.history import History, Note
from tapbatch.model.notice import Notice
from tapbatch.model.reading import Attention, Reading, Recording
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import WoodFigures
from tapbatch.results.lock import hold, name_of_command
from tapbatch.results.marks import Mark, read_marks
from tapbatch.results.store import ReadingStore
from tapbatch.run.inventory import Inventory, is_missing, take_stock
from tapbatch.run.lines import without_lines
from tapbatch.run.measuring import jobs_of, measure
from tapbatch.run.stamp import tool_stamp
from tapbatch.run.together import Together
from tapbatch.run.workers import Alone
from tapbatch.shop.folder import Shop
from tapbatch.shop.notes import NoteKey
from tapbatch.show.say.notices import notice_text

Item = tuple[Recording, str, bool]
"""A recording, the key of its reading, and whether it is missing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inputs:
    """All of an instrument's own on which its tables and report rest.

    ``boards`` are those of the boards that a target of a blank is to be as stiff as.
    """

    instrument: str
    items: tuple[Item, ...]
    settings: InstrumentSettings
    notes: Mapping[NoteKey, Note]
    said: tuple[tuple[str, int, tuple[str, ...]], ...] = ()
    boards: tuple[Inputs, ...] = ()

    @property
    def fingerprint(self) -> str:
        """Hash of the inputs, of the method and of the tool."""
        notes = sorted(self.notes.items())
        boards = [board.fingerprint for board in self.boards]
        told = (
            METHOD,
            tool_stamp(),
            self.instrument,
            self.items,
            self.settings.model_dump_json(),
            notes,
            self.said,
            boards,
        )
        return hashlib.sha256(repr(told).encode("utf-8", "backslashreplace")).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known of a shop before any of its instruments is compared.

    Attributes
    ----------
    inputs, own
        The inputs of each instrument, and their fingerprints.
    learned, common
        What each instrument teaches that has something to teach, and all of it together.
    hurt
        Instruments that were read for the others' sake and of which a kept reading could not be read.
    """

    inputs: Mapping[str, Inputs]
    own: Mapping[str, str]
    learned: Mapping[str, Learned]
    common: Common
    hurt: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Worked:
    """The history of an instrument and what came with it.

    Attributes
    ----------
    readings
        All that could be read, whether missing or not.
    attention
        What in the recordings and settings needs the builder.
    damaged, lost
        Keys of readings that could not be read: of recordings that are there, and of such as are gone. Among the
        first are those of which too little is kept for a second pass.
    """

    history: History
    readings: tuple[tuple[Recording, Reading, bool], ...]
    attention: tuple[Attention, ...]
    damaged: tuple[str, ...]
    lost: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Histories:
    """The histories of a shop's instruments, by instrument.

    Attributes
    ----------
    bench
        What is believed of what setting up anew moves, learned from the whole shop; all intervals hold it.
    failed
        Why an instrument has no history, where its readings cannot be compared.
    attention
        Recordings that could not be measured.
    kept
        What is kept of the taps of each instrument's recordings.
    common
        What all instruments teach together.
    """

    of: Mapping[str, History]
    bench: Bench
    failed: Mapping[str, TapbatchError]
    attention: tuple[Attention, ...] = ()
    kept: Mapping[str, Together] = field(default_factory=dict)
    common: Common = field(default_factory=Common)


def histories_of(
    shop: Shop,
    only: Collection[str] | None = None,
    *,
    measuring: bool = False,
    lines: bool = False,
    say: Callable[[str], None] = lambda _line: None,
) -> Histories:
    """Return the histories of a shop's instruments, each with what the whole shop teaches.

    Parameters
    ----------
    shop
        As opened.
    only
        The instruments whose histories are wanted; default all.
    measuring
        Whether to measure first what has no reading yet, of these instruments and of those that teach them. Without
        it such recordings are left out, and nothing is written.
    lines
        Whether the readings have their spectra and traces, which fill most of the memory that they take.
    say
        Called with one line where another run is waited for, and for each kept file that was set aside.

    Raises
    ------
    ShopError
        Where a reading cannot be kept.
    """
    store = ReadingStore(shop.results_dir)
    stock = take_stock(shop, store)
    refused = _measure_first(shop, store, stock, only, say) if measuring else ()
    known = what_is_known(shop, stock, store, read_marks(shop.results_dir).of)
    histories: dict[str, History] = {}
    failed: dict[str, TapbatchError] = {}
    for name, inputs in known.inputs.items():
        if only is not None and name not in only:
            continue
        try:
            worked = history_of(inputs, known.common.of(inputs.settings, name), store, lines=lines)
        except TapbatchError as error:
            failed[name] = error
        except UNFORESEEN as error:
            what = f"its readings cannot be compared ({type(error).__name__}: {error})"
            failed[name] = ShopError(name, what, "keep its recordings and report it")
        else:
            if worked.readings:
                histories[name] = worked.history
    kept = {name: together_of(known.inputs[name], store) for name in histories}
    return Histories(
        of=histories,
        bench=known.common.now.bench,
        failed=failed,
        attention=tuple(refused),
        kept=kept,
        common=known.common,
    )


def _measure_first(
    shop: Shop, store: ReadingStore, stock: Inventory, only: Collection[str] | None, say: Callable[[str], None]
) -> list[Attention]:
    """Measure what has no reading, and return what could not be measured."""
    inputs = inputs_of(shop, stock)
    named = {name for name in inputs if only is None or name in only}
    liked = {other for name in named for other in liked_by(inputs[name].settings)}
    teachers = {name for name, each in inputs.items() if teaches((r for r, _, _ in each.items), each.settings)}
    kin = families(each.settings for each in inputs.values()) & {family_name(inputs[name].settings) for name in named}
    relatives = {name for name, each in inputs.items() if family_name(each.settings) in kin}
    boards = {board.instrument for name in named for board in inputs[name].boards}
    asked = named | liked | teachers | relatives | boards
    jobs = jobs_of(shop, store, stock, asked)
    before = len(stock.attention)
    if jobs:
        with hold(shop.results_dir, name_of_command(), say):
            measure(jobs, stock, store, Alone(), None)
        for notice in stock.notices:
            if notice.kind == "set aside":
                say(notice_text(notice))
    return stock.attention[before:]


def what_is_known(shop: Shop, stock: Inventory, store: ReadingStore, marks: Mapping[str, Mark]) -> Known:
    """Return the inputs of all instruments, and what they teach one another.

    What an instrument taught is in its mark; it is read anew only where its inputs changed since.
    """
    inputs = inputs_of(shop, stock)
    own = {name: each.fingerprint for name, each in inputs.items()}
    liked = {other for each in inputs.values() for other in liked_by(each.settings)}
    kin = families(each.settings for each in inputs.values())
    days = {each.settings.frozen for each in inputs.values() if each.settings.frozen is not None}
    learned, hurt = {}, set()
    for name, each in inputs.items():
        asked = name in liked or family_name(each.settings) in kin
        if not asked and not teaches((recording for recording, _, _ in each.items), each.settings):
            continue
        mark = marks.get(name)
        if mark is not None and mark.learned is not None and mark.inputs == own[name] and mark.learned.knows(days):
            learned[name] = mark.learned
            continue
        learned[name], whole = _learn(each, store, days)
        if not whole:
            hurt.add(name)
    return Known(inputs=inputs, own=own, learned=learned, common=common(learned), hurt=frozenset(hurt))


def _learn(inputs: Inputs, store: ReadingStore, days: Collection[date]) -> tuple[Learned, bool]:
    """Return what an instrument teaches, now and up to some days, and whether all its readings could be read.

    It teaches nothing where its stages cannot be gathered; what is wrong is told when its own tables are made.
    """
    try:
        read = _read_back(inputs, store)
        together = together_of(inputs, store)

        def gathered(until: date | None) -> History:
            return gather_history(inputs.instrument, read.items, inputs.settings, inputs.notes, together, until)[0]

        then = {day: gathered(day) for day in days}
        return learned_from(gathered(None), inputs.settings, then), not (read.damaged or read.lost)
    except (TapbatchError, *UNFORESEEN):
        return Learned(then=tuple(Then(day.isoformat()) for day in sorted(days))), True


def history_of(inputs: Inputs, shared: Common, store: ReadingStore, *, lines: bool = False) -> Worked:
    """Return the history of an instrument.

    Parameters
    ----------
    inputs
        The instrument's own.
    shared
        What the shop's instruments teach together.
    store
        Where the readings are kept.
    lines
        Whether the readings have their spectra and traces; charts can also read them when they draw a stage
        (:class:`~tapbatch.run.lines.KeptLines`).
    """
    read = _read_back(inputs, store, lines=lines)
    together = together_of(inputs, store)
    gathered, attention = gather_history(inputs.instrument, read.items, inputs.settings, inputs.notes, together)
    compared = compare_stages(gathered, inputs.settings, shared.scatter, shared.judged, together.taps_of)
    said = said_of_stages(compared, inputs.settings, inputs.said)
    settings = without_boards(inputs.settings)
    worked_on = with_working_on(compared, settings, shared.rests, said)
    landed, unresolved = with_landings(worked_on, settings, shared.rests, shared.steps)
    came = planings_came(gathered, inputs.settings, forecasts_came(gathered, settings, shared.steps))
    history = with_wood(landed, inputs.settings, _boards_now(inputs, shared, store))
    kin = set_up_anew(shared.stages, shared.now.bench)
    slide = slide_of(history, settings, shared.steps)
    return Worked(
        history=replace(history, forecasts=came, kin=kin, slide=slide),
        readings=tuple(read.items),
        attention=(*attention, *unresolved, *_cut(read.items), *read.told),
        damaged=tuple(dict.fromkeys([*read.damaged, *together.lacking])),
        lost=tuple(dict.fromkeys(read.lost)),
    )


def _boards_now(inputs: Inputs, shared: Common, store: ReadingStore) -> dict[str, WoodFigures]:
    """Return what is known of the boards that a target is to be as stiff as."""
    found = {}
    for board in inputs.boards:
        # It is asked for its own wood only, whatever it is to be as stiff as itself.
        wood = wood_now(history_of(replace(board, boards=()), shared, store).history)
        if wood is not None:
            found[board.instrument] = wood
    return found


def together_of(inputs: Inputs, store: ReadingStore) -> Together:
    """Return what lets the recordings of an instrument decide together, and gives what is kept of their taps."""
    return Together(store, {recording.path: key for recording, key, _ in inputs.items})


def inputs_of(shop: Shop, stock: Inventory) -> dict[str, Inputs]:
    """Return the inputs of all instruments that have a recording, in the order of their names."""
    items: dict[str, list[Item]] = defaultdict(list)
    for shown, entry in sorted(stock.ledger.items()):
        recording = stock.recordings[shown]
        items[recording.instrument].append((recording, entry.key, is_missing(entry)))
    notes: dict[str, dict[NoteKey, Note]] = defaultdict(dict)
    for key, note in shop.notes.items():
        notes[key[0]][key] = note
    found = {
        name: Inputs(
            instrument=name,
            items=tuple(items[name]),
            settings=shop.settings_of(name),
            notes=notes.get(name, {}),
            said=shop.log.said_of(name),
        )
        for name in sorted(items)
    }
    named = {name: sorted(boards_of(each.settings) & set(found) - {name}) for name, each in found.items()}
    return {name: replace(each, boards=tuple(found[b] for b in named[name])) for name, each in found.items()}


# ---------------------------------------------------------- readings


@dataclass(slots=True)
class _Read:
    items: list[tuple[Recording, Reading, bool]]
    damaged: list[str]
    lost: list[str]
    told: list[Attention]


def _read_back(inputs: Inputs, store: ReadingStore, *, lines: bool = False) -> _Read:
    """Return what could be read, and what not: to be measured anew or, where the sound is gone, to be told."""
    read = _Read([], [], [], [])
    for recording, key, missing in inputs.items:
        reading = store.get(key)
        if reading is not None:
            kept = reading if lines else without_lines(reading)
            read.items.append((recording, _with_method(kept), missing))
            continue
        what, remedy = "its kept reading cannot be read", "run again to measure it anew"
        if missing:
            read.lost.append(key)
            remedy = "bring the recording back, or let go of it with tapbatch forget"
        else:
            read.damaged.append(key)
        read.told.append(Attention(where=recording.path, what=what, remedy=remedy))
    return read


def _with_method(reading: Reading) -> Reading:
    if reading.method == METHOD:
        return reading
    return replace(reading, notices=(*reading.notices, Notice("older method", method=reading.method)))


def _cut(items: Collection[tuple[Recording, Reading, bool]]) -> Iterator[Attention]:
    """Yield what needs attention of recordings that lack a part: they are measured as far as they go."""
    for recording, reading, missing in items:
        for notice in reading.notices:
            if notice.kind == "cut" and not missing:
                what, remedy = notice_text(notice), "copy it again from the recorder"
                yield Attention(where=recording.path, what=what, remedy=remedy)
