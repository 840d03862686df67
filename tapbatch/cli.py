"""The commands: parse, call, print. Nothing is computed here.

Exit status: 0; 1 if some file or instrument needs attention; 2 if the command could not run. A command imports
what it needs when it runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import gc
import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from tapbatch.model.errors import TapbatchError
    from tapbatch.model.history import History
    from tapbatch.model.settings import InstrumentSettings

app = typer.Typer(
    name="tapbatch",
    help="Measure recorded taps of instruments in the making: the note, the cents, how sure, and what moved.\n\n"
    "Record a few taps with a phone. Drop the file into the folder recordings/ of your shop, under a name that says "
    "which instrument and stage it is, such as cittern-07_03-bars-fitted_top_1.wav. Then run.\n\n"
    # A line with \b alone keeps the paragraph below it as it is.
    "\b\nExample:  tapbatch init my-shop      once\n"
    "          tapbatch read tap.m4a      what is in this file?\n"
    "          tapbatch run my-shop       after each session: tables and reports\n"
    "          tapbatch run --help        more about a command",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

# What the tab key offers: see tapbatch.shop.completion.


def _instruments(incomplete: str) -> list[str]:
    from tapbatch.shop import completion

    return completion.beginning(completion.instruments(), incomplete)


def _stages(ctx: typer.Context, incomplete: str) -> list[str]:
    from tapbatch.shop import completion

    found = completion.beginning(completion.stages(ctx.params.get("instrument") or ""), incomplete)
    if found or not incomplete:
        return found
    others = completion.instruments()
    return completion.beginning([f"{i}/{stage}" for i in others for stage in completion.stages(i)], incomplete)


def _gone(incomplete: str) -> list[str]:
    from tapbatch.shop import completion

    return completion.beginning(completion.gone(), incomplete)


def _examples(*lines: str) -> str:
    """Return the text below the options: one example on each line, none of them wrapped."""
    return "\b\n" + "\n".join(f"{'Example:' if n == 0 else '':<10}{line}" for n, line in enumerate(lines))


_FULL_HELP = "Also print the table of modes, the other faults and the other targets."
Full = Annotated[bool, typer.Option("--full", help=_FULL_HELP)]

ShopPath = Annotated[Path, typer.Argument(metavar="SHOP", help="The shop folder; the current folder by default.")]


InstrumentName = Annotated[
    str,
    typer.Argument(
        metavar="INSTRUMENT", help="The instrument, as its recordings name it.", autocompletion=_instruments
    ),
]


def _will_be(name: str, metavar: str, text: str) -> Any:
    """Return an option of ``whatif``."""
    return typer.Option(name, metavar=metavar, help=text)


@app.command(epilog=_examples("tapbatch init my-shop"))
def init(shop: ShopPath = Path()) -> None:
    """Make an empty shop folder with commented settings.

    At a terminal it asks what you build, the concert pitch and the paper. Every setting is in the files as a
    comment, with its default. No file is overwritten.
    """
    from tapbatch.shop.folder import init_shop
    from tapbatch.show.terminal.first_day import asked, next_lines

    first = asked()
    for line in (*(f"made {path}" for path in init_shop(shop, first)), *next_lines(shop, first)):
        _tell(line)


@app.command(epilog=_examples("tapbatch run my-shop", "tapbatch run my-shop --excel", "tapbatch run --jobs 2"))
def run(
    shop: ShopPath = Path(),
    results: Annotated[Path | None, typer.Option(metavar="DIR", help="Write the results to this folder.")] = None,
    jobs: Annotated[
        int | None,
        typer.Option(metavar="N", min=1, help="Measure in N processes; by default as many as are worth it."),
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Measure on the workers of this Dask scheduler.")
    ] = None,
    excel: Annotated[bool, typer.Option("--excel", help="Also write a workbook (.xlsx) of each instrument.")] = False,
    full: Full = False,
) -> None:
    """Measure what is new or changed, then update tables and reports.

    The folder results/ gets the tables and report.pdf of each instrument, and index.html, which shows all
    instruments in a browser. For each part, it prints where the note is that you work on, what changed since the
    stage before, and what is left. Recordings are never changed. Files that could not be used are named at the end
    and in attention.csv; the exit status is then 1.
    """
    from contextlib import ExitStack

    # Deep in the stack this import takes three times as long: CPython gets and frees a piece of memory at each call
    # across the end of a piece of its stack, and the import is thousands of short calls.
    import scipy.special  # noqa: F401

    from tapbatch.run.cluster import Cluster
    from tapbatch.run.one_pass import How, run_shop
    from tapbatch.run.telling import print_outcome
    from tapbatch.shop.folder import open_shop
    from tapbatch.show.terminal.readings import print_attention, progress

    opened = open_shop(shop, results)
    with ExitStack() as closing:
        crew = closing.enter_context(Cluster(cluster, opened.recordings_dir)) if cluster else None
        outcome = run_shop(opened, How(jobs=jobs, crew=crew, excel=excel, progress=progress, say=_note))
    print_outcome(outcome, opened if full else None)
    print_attention(outcome.attention)
    raise typer.Exit(1 if outcome.attention else 0)


@app.command(
    epilog=_examples(
        "tapbatch watch my-shop", "tapbatch watch my-shop --serve --phone", "tapbatch watch my-shop --poll 2"
    )
)
def watch(
    shop: ShopPath = Path(),
    poll: Annotated[
        float | None,
        typer.Option(
            metavar="SECONDS", min=0.2, max=3600, help="Look into the folder at this interval, for network drives."
        ),
    ] = None,
    serve: Annotated[
        bool, typer.Option("--serve", help="Serve the page of all instruments, which then updates itself.")
    ] = False,
    port: Annotated[
        int | None, typer.Option(metavar="N", min=0, max=65535, help="The port of the served page; 8017 by default.")
    ] = None,
    address: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS", help="The address at which the page is served; others than this machine need --phone."
        ),
    ] = None,
    connections: Annotated[
        int | None,
        typer.Option(metavar="N", min=1, max=1000, help="Serve at most N connections at a time; 32 by default."),
    ] = None,
    phone: Annotated[
        bool, typer.Option("--phone", help="Let a phone in this network send and see, with the key that is printed.")
    ] = False,
    keep_key: Annotated[
        bool, typer.Option("--keep-key", help="Keep the key of --phone for the next start; otherwise it is new.")
    ] = False,
    full: Full = False,
) -> None:
    """Do as run does whenever a file arrives; Ctrl-C ends it.

    When a recording has arrived completely, it is measured and its reading printed. Tables follow at once, reports
    when nothing has arrived for a moment. With --serve the page of all instruments is at http://127.0.0.1:8017/ and
    updates itself as readings arrive. Only this machine sees it. With --phone, a phone in the same network can
    choose, send and see, with the key in the link that is printed.
    """
    from tapbatch.watch.command import Served, watch_shop

    asked = serve or phone or keep_key or address or port is not None or connections is not None
    served = Served(address=address, port=port, connections=connections, phone=phone, keep_key=keep_key)
    try:
        watch_shop(shop, served if asked else None, poll_s=poll, full=full, say=_note)
    except KeyboardInterrupt:
        typer.echo("stopped; everything that was read is kept", err=True)


@app.command(epilog=_examples("tapbatch read tap.m4a", "tapbatch read *.wav --concert-pitch 431"))
def read(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="Recordings of taps.")],
    concert_pitch: Annotated[float | None, typer.Option(metavar="HZ", min=380, max=470, help="A4; else 440.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for programs.")] = False,
    blank: Annotated[str, typer.Option(metavar="SIZES", help="Sizes of a board in mm: its wood is told.")] = "",
    mass: Annotated[str, typer.Option(metavar="G", help="The mass of the board in grams.")] = "",
    full: Full = False,
) -> None:
    """Measure files and print the result; nothing is written.

    Any file will do, whatever its name. If something went wrong while tapping, the first line says what, and what to
    do. The first row is the strongest resonance: its note, how many cents off it is, how sure that is, and how long
    it rings. The others follow from strong to faint.
    """
    from tapbatch.model.errors import TapbatchError
    from tapbatch.model.settings import InstrumentSettings
    from tapbatch.run.files import read_files
    from tapbatch.run.telling import with_bar

    settings = InstrumentSettings(concert_pitch_hz=concert_pitch or 440.0)
    status = 0
    for path, result in with_bar(files, read_files(files, settings, blank, mass)):
        if isinstance(result, TapbatchError):
            _complain(result)
            status = 1
        else:
            _print_reading(path, result, settings, as_json=as_json, full=full)
    raise typer.Exit(status)


@app.command(
    short_help="Say what changed between two stages, with intervals.",
    epilog=_examples(
        "tapbatch compare lute-05 01-joined 02-thinned my-shop",
        "tapbatch compare lute-05 01 02 my-shop",
        "tapbatch compare lute-05 08-strung lute-04/08-strung my-shop",
        "tapbatch compare lute-05/08-strung --family my-shop",
    ),
)
def compare(
    instrument: InstrumentName,
    before: Annotated[
        str,
        typer.Argument(
            metavar="BEFORE",
            help="A stage, or enough of its beginning to tell it apart, or INSTRUMENT/STAGE of another.",
            autocompletion=_stages,
        ),
    ] = "",
    after: Annotated[
        str,
        typer.Argument(metavar="AFTER", help="Another stage, in the same way.", autocompletion=_stages),
    ] = "",
    shop: ShopPath = Path(),
    family: Annotated[
        bool,
        typer.Option("--family", help="Put it beside the others of its family at that stage; SHOP follows."),
    ] = False,
) -> None:
    """Say what changed between two stages: modes and sustain, with intervals.

    For each mode: whether it moved, and whether it rings longer, shorter or the same. Then the same for the whole
    sound, octave bands and plucked strings, and the balance. With --family: where each instrument of the family stood
    at the same stage, by default the latest. No table is written.
    """
    from tapbatch.run.comparing import compared_lines
    from tapbatch.show.terminal.readings import print_attention, print_lines

    lines, attention = compared_lines(instrument, (before, after), shop, family=family, say=_note)
    print_lines(lines)
    print_attention(attention)
    raise typer.Exit(1 if attention else 0)


@app.command(
    short_help="Say where the modes would come to rest, with intervals.",
    epilog=_examples(
        "tapbatch whatif cittern-12 --hole-to 40 my-shop",
        "tapbatch whatif cittern-12 --take-off-g 2 --temperature 24",
    ),
)
def whatif(
    instrument: InstrumentName,
    shop: ShopPath = Path(),
    hole_to: Annotated[float | None, _will_be("--hole-to", "MM", "How wide a round opening will be.")] = None,
    slot_to: Annotated[str | None, _will_be("--slot-to", "MMxMM", "Width and length of a slot or oval.")] = None,
    thickness_to: Annotated[float | None, _will_be("--thickness-to", "MM", "How thick the part will be.")] = None,
    take_off_g: Annotated[float | None, _will_be("--take-off-g", "G", "How many grams come off.")] = None,
    pitch: Annotated[float | None, _will_be("--pitch", "HZ", "The A4 to which strings will be tuned.")] = None,
    temperature: Annotated[float | None, _will_be("--temperature", "C", "Degrees Celsius.")] = None,
) -> None:
    """Say where the modes would come to rest, with intervals; nothing is written.

    Say what will be afterwards, in what you measure. Several options together add up. What cannot be said says why.
    Nothing is recommended: you decide, and you cut.
    """
    from tapbatch.model.what_if import Asked
    from tapbatch.run.whatif import slot_of, what_if
    from tapbatch.shop.folder import open_shop
    from tapbatch.show.terminal.readings import print_lines
    from tapbatch.show.terminal.what_if import what_if_lines

    asked = Asked(
        hole_mm=hole_to,
        slot_mm=None if slot_to is None else slot_of(slot_to),
        thickness_mm=thickness_to,
        take_off_g=take_off_g,
        pitch_hz=pitch,
        temperature_c=temperature,
    )
    print_lines(what_if_lines(what_if(open_shop(shop), instrument, asked, _note)))


@app.command(
    epilog=_examples(
        "tapbatch now cittern-12 06-voicing closed step --on air",
        "tapbatch now --next                     I have cut",
        "tapbatch now --undo                     that was a bad take",
        'tapbatch now cittern-12 05-closed --give "New Recording 4.m4a"',
        "tapbatch now                            what is on the bench?",
    )
)
def now(
    words: Annotated[
        list[str] | None,
        typer.Argument(metavar="[INSTRUMENT STAGE [WORD]...] [SHOP]", help="What is on the bench from now on."),
    ] = None,
    on: Annotated[
        list[str] | None, typer.Option("--on", metavar="MODE", help="The label of the mode that you work on.")
    ] = None,
    next_step: Annotated[bool, typer.Option("--next", help="I have cut: the next step begins.")] = False,
    undo: Annotated[bool, typer.Option("--undo", help="Take the last recording out of its place.")] = False,
    given: Annotated[
        list[str] | None,
        typer.Option("--give", metavar="NAME", help="Give this recording the place named, or what is on the bench."),
    ] = None,
    new: Annotated[bool, typer.Option("--new", help="The name is new, and not a slip for a known one.")] = False,
) -> None:
    """Say what is on the bench, for the recordings in the inbox.

    From then on, recordings that fall into the folder inbox/ are copied to their place, each by the time at which it
    was recorded, and the originals stay. This ends at night, or after four hours without a recording. With the word
    step, recordings join the present step until --next. Without any words, it says what is on the bench and where
    the last ten recordings went.
    """
    from tapbatch.run.inbox import attention_of
    from tapbatch.run.now import Asked, answer
    from tapbatch.shop.folder import open_shop
    from tapbatch.show.say.notices import notice_text
    from tapbatch.show.terminal.bench import bench_line, last_lines, moved_lines
    from tapbatch.show.terminal.readings import print_attention

    fields, shop = list(words or ()), Path()
    if fields and (Path(fields[-1]) / "recordings").is_dir():
        shop = Path(fields.pop())
    asked = Asked(
        fields=tuple(fields),
        on=tuple(on or ()),
        next_step=next_step,
        undo=undo,
        given=tuple(given or ()),
        new=new,
    )
    done = answer(open_shop(shop), asked, say=_note)
    for line in (notice_text(notice) for notice in done.looked.notices):
        _note(line)
    for line in moved_lines(done.taken_out, done.given):
        _tell(line)
    if done.is_new and done.bench is not None:
        _tell(f"{done.bench.stage} is a new stage of {done.bench.instrument}")
    _tell(bench_line(done.bench, done.lapsed, done.lapses_at))
    if not (fields or next_step or undo or given):
        for line in last_lines(done.looked.log.last()):
            _tell(line)
    waiting = attention_of(done.looked.waiting)
    print_attention(waiting)
    raise typer.Exit(1 if waiting else 0)


@app.command(epilog=_examples("tapbatch forget cittern-07_02-thinned_top_1.wav my-shop"))
def forget(
    recordings: Annotated[
        list[str],
        typer.Argument(metavar="RECORDING... [SHOP]", help="Names, as in recordings.csv.", autocompletion=_gone),
    ],
) -> None:
    """Drop the readings of recordings that are gone.

    Until then, a recording that disappears keeps its reading, marked missing in recordings.csv. If the last argument
    is a folder, it is the shop; otherwise the current folder is.
    """
    from tapbatch.run.forget import forget as let_go
    from tapbatch.shop.folder import open_shop
    from tapbatch.show.terminal.readings import print_attention

    names, shop = list(recordings), Path()
    if len(names) > 1 and Path(names[-1]).is_dir():
        shop = Path(names.pop())
    gone, refused = let_go(open_shop(shop), names, _note)
    for name in gone:
        _tell(f"forgotten: {name}")
    if gone:
        typer.echo("The next run leaves it out of the tables." if len(gone) == 1 else "The next run leaves them out.")
    print_attention(refused)
    raise typer.Exit(1 if refused else 0)


def _version(asked: bool) -> None:
    if asked:
        from tapbatch import __version__

        typer.echo(f"tapbatch {__version__}")
        raise typer.Exit


def _explain(word: str | None) -> None:
    if word is not None:
        from tapbatch.show.say.explain import explained
        from tapbatch.show.terminal.readings import print_lines, said

        print_lines(said(explained(word)))
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
    explain: Annotated[
        str | None,
        typer.Option(metavar="WORD", callback=_explain, is_eager=True, help="Say what a word means, and stop."),
    ] = None,
) -> None:
    pass


def main() -> None:
    """Run the command line; an expected error becomes one line on stderr and status 2."""
    from tapbatch.model.errors import TapbatchError

    for stream in (sys.stdout, sys.stderr):
        # If the terminal cannot show a letter of a name, it gets the code of the letter instead of an error.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    # Before the first import of a numeric library: nested threads slow small matrices down.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    try:
        app(prog_name="tapbatch")
    except TapbatchError as error:
        _complain(error)
        sys.exit(2)
    except KeyboardInterrupt:
        # Ctrl-C came before the command began.
        sys.exit(130)
    except SystemExit as stop:
        # Ctrl-C arrives here as a status, as shells have it: 128 + SIGINT.
        if stop.code == 130:
            typer.echo("stopped; what was measured is kept", err=True)
        raise
    finally:
        _make_an_end()


def _make_an_end() -> None:
    """Let the interpreter end at once, with the status that was given."""
    # Collecting garbage now would take a third of a second, for nothing.
    gc.freeze()
    # If Ctrl-C comes while exec runs a text (as dataclasses do on import), CPython remembers it as unhandled, even
    # if it was handled, and ends by the signal. Running exec once more makes it forget.
    exec("")


def _tell(line: str, *, err: bool = False) -> None:
    """Print a line that holds a name: what would steer the terminal is shown as a mark."""
    from tapbatch.show.say.words import shown

    typer.echo(shown(line), err=err)


def _complain(error: TapbatchError) -> None:
    _tell(f"tapbatch: {error}", err=True)


def _note(text: str) -> None:
    from tapbatch.show.terminal.readings import print_notices

    print_notices([text])


def _print_reading(path: Path, history: History, settings: InstrumentSettings, *, as_json: bool, full: bool) -> None:
    from tapbatch.show.terminal.readings import print_lines, reading_to_json
    from tapbatch.show.terminal.told import file_lines

    if not history.stages:
        _tell(f"tapbatch: {path}: nothing to show; record again", err=True)
        return
    if as_json:
        typer.echo(reading_to_json(history.stages[0]))
    else:
        print_lines(file_lines(history, settings.steady_cents, full=full))
