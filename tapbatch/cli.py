"""The commands: parse, call, print. Nothing is computed here.

Exit status: 0; 1 where some file or instrument needs attention; 2 where the command could not run. What a command
needs is imported when it runs, so that ``--help`` answers at once.
"""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tapbatch.errors import TapbatchError
    from tapbatch.pipeline import Outcome
    from tapbatch.settings import InstrumentSettings
    from tapbatch.shop import Shop
    from tapbatch.values import Attention, History

app = typer.Typer(
    name="tapbatch",
    help="Measure recorded taps of instruments in the making: the note, the cents, how sure, and what moved.\n\n"
    "Record a few taps with a phone, drop the file into the shop's recordings folder under a name that says "
    "instrument and stage, and run. Example:  tapbatch run my-shop",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

# Four minutes of WAV, most of an hour of what a phone compresses.
_LONG_BYTES = 20_000_000

ShopPath = Annotated[Path, typer.Argument(metavar="SHOP", help="The shop folder; this one by default.")]


@app.command()
def init(shop: ShopPath = Path()) -> None:
    """Make an empty shop folder with commented settings.

    Example:  tapbatch init my-shop
    """
    from tapbatch.shop import init_shop

    for path in init_shop(shop):
        typer.echo(f"made {path}")


@app.command()
def run(
    shop: ShopPath = Path(),
    results: Annotated[Path | None, typer.Option(metavar="DIR", help="Write results here instead.")] = None,
    jobs: Annotated[
        int | None, typer.Option(metavar="N", min=1, help="Processes that measure; as many as pay by default.")
    ] = None,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Measure on the workers of this Dask scheduler.")
    ] = None,
    excel: Annotated[
        bool, typer.Option("--excel", help="Write each instrument's tables as one workbook (.xlsx), too.")
    ] = False,
) -> None:
    """Measure what is new or changed, then refresh tables and reports.

    Example:  tapbatch run my-shop
    """
    from contextlib import ExitStack

    from tapbatch.cluster import Cluster
    from tapbatch.pipeline import How, run_shop
    from tapbatch.shop import open_shop
    from tapbatch.show.terminal import print_attention, progress

    opened = open_shop(shop, results)
    with ExitStack() as closing:
        crew = closing.enter_context(Cluster(cluster, opened.recordings_dir)) if cluster else None
        outcome = run_shop(opened, How(jobs=jobs, crew=crew, excel=excel, progress=progress, say=_note))
    _print_outcome(outcome)
    print_attention(outcome.attention)
    raise typer.Exit(1 if outcome.attention else 0)


@app.command()
def watch(
    shop: ShopPath = Path(),
    poll: Annotated[
        float | None,
        typer.Option(
            metavar="SECONDS", min=0.2, max=3600, help="Look every so many seconds, without hints from the system."
        ),
    ] = None,
) -> None:
    """Do as run for every file as soon as it has wholly arrived, and print its reading; Ctrl-C ends it.

    Example:  tapbatch watch my-shop
    """
    try:
        _watch(shop, poll)
    except KeyboardInterrupt:
        typer.echo("stopped; all that was read is kept", err=True)


def _watch(root: Path, poll: float | None) -> None:
    import time

    from tapbatch.listen.hints import FolderHints, NoHints
    from tapbatch.shop import open_shop
    from tapbatch.show.terminal import progress
    from tapbatch.watching import LOOK_EVERY_S, Watch

    shop = open_shop(root)
    Watch(
        opened=lambda: open_shop(root),
        root=root,
        hints=NoHints() if poll else FolderHints(shop.recordings_dir, _note),
        clock=time.monotonic,
        teller=_Bench(),
        look_every_s=poll or LOOK_EVERY_S,
        progress=progress,
    ).go_on()


class _Bench:
    """Prints what a watch tells."""

    def began(self, outcome: Outcome) -> None:
        from tapbatch.show.terminal import print_attention

        _print_outcome(outcome)
        print_attention(outcome.attention)
        typer.echo("watching; drop recordings in, Ctrl-C ends")
        sys.stdout.flush()

    def arrived(self, history: History, path: str, shop: Shop) -> None:
        from tapbatch.show.terminal import print_arrival

        print_arrival(history, path, steady_cents=shop.settings_of(history.instrument).steady_cents)
        sys.stdout.flush()

    def attention(self, items: tuple[Attention, ...]) -> None:
        from tapbatch.show.terminal import print_attention

        print_attention(items)

    def note(self, text: str) -> None:
        _note(text)


@app.command()
def read(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="Recordings of taps.")],
    concert_pitch: Annotated[
        float | None, typer.Option(metavar="HZ", min=380, max=470, help="A4 in hertz; 440 by default.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON, for programs.")] = False,
) -> None:
    """Measure files and print; nothing is written.

    Example:  tapbatch read tap.m4a --concert-pitch 431
    """
    from tapbatch.errors import TapbatchError
    from tapbatch.pipeline import read_files
    from tapbatch.settings import InstrumentSettings

    settings = InstrumentSettings(concert_pitch_hz=concert_pitch or 440.0)
    status = 0
    for path, result in _with_bar(files, read_files(files, settings)):
        if isinstance(result, TapbatchError):
            _complain(result)
            status = 1
        else:
            _print_reading(path, result, settings, as_json)
    raise typer.Exit(status)


@app.command()
def compare(
    instrument: Annotated[
        str, typer.Argument(metavar="INSTRUMENT", help="The instrument, as its recordings name it.")
    ],
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="A stage, or INSTRUMENT/STAGE of another.")],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="A stage, or INSTRUMENT/STAGE of another.")],
    shop: ShopPath = Path(),
) -> None:
    """Say what changed between two stages: modes and sustain, with intervals.

    Example:  tapbatch compare kantele-03 01-top-joined 02-top-thinned sample_data
    """
    from tapbatch.comparison import compare_in_shop
    from tapbatch.shop import open_shop
    from tapbatch.show.comparison import print_comparison
    from tapbatch.show.terminal import print_attention

    comparisons, attention = compare_in_shop(open_shop(shop), instrument, before, after)
    for comparison in comparisons:
        print_comparison(comparison)
    print_attention(attention)
    raise typer.Exit(1 if attention else 0)


@app.command()
def forget(
    recordings: Annotated[
        list[str], typer.Argument(metavar="RECORDING... [SHOP]", help="As recordings.csv names them.")
    ],
) -> None:
    """Let go of the readings of recordings that are gone.

    A folder named last is the shop; this folder is without one.
    Example:  tapbatch forget cittern-07_02-thinned_top_1.wav my-shop
    """
    from tapbatch.pipeline import forget as let_go
    from tapbatch.shop import open_shop
    from tapbatch.show.terminal import print_attention

    names, shop = list(recordings), Path()
    if len(names) > 1 and Path(names[-1]).is_dir():
        shop = Path(names.pop())
    gone, refused = let_go(open_shop(shop), names, _note)
    for name in gone:
        typer.echo(f"forgotten: {name}")
    if gone:
        typer.echo("The next run leaves it out of the tables." if len(gone) == 1 else "The next run leaves them out.")
    print_attention(refused)
    raise typer.Exit(1 if refused else 0)


def _version(asked: bool) -> None:
    if asked:
        from tapbatch import __version__

        typer.echo(f"tapbatch {__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line; an expected error is one line on stderr and status 2."""
    from tapbatch.errors import TapbatchError

    for stream in (sys.stdout, sys.stderr):
        # A terminal that cannot show a letter of a name gets its code instead of an error.
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
    except SystemExit as stop:
        # Ctrl-C arrives here as the status that the parser gives it, by the custom of shells: 128 + SIGINT.
        if stop.code == 130:
            typer.echo("stopped; what was measured is kept", err=True)
        raise


def _complain(error: TapbatchError) -> None:
    typer.echo(f"tapbatch: {error}", err=True)


def _note(text: str) -> None:
    typer.echo(f"note: {text}", err=True)


def _print_outcome(outcome: Outcome) -> None:
    from tapbatch.show.terminal import print_lines

    print_lines(outcome.lines)
    for notice in outcome.notices:
        _note(notice)
    measured, shown = _count(outcome.measured, "recording"), _count(len(outcome.instruments), "instrument")
    typer.echo(f"{measured} measured, {shown} up to date.")


def _with_bar(
    files: list[Path], results: Iterator[tuple[Path, History | TapbatchError]]
) -> Iterator[tuple[Path, History | TapbatchError]]:
    """Yield the results; while a file that may hold hours is read, a bar shows how far it is."""
    from tapbatch.show.terminal import progress

    for path in files:
        try:
            long = path.stat().st_size > _LONG_BYTES
        except (OSError, ValueError):
            long = False
        with progress(1 if long else 0):
            result = next(results)
        yield result


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _print_reading(path: Path, history: History, settings: InstrumentSettings, as_json: bool) -> None:
    from tapbatch.show.terminal import print_reading, reading_to_json

    if not history.stages:
        typer.echo(f"tapbatch: {path}: nothing to show; record again", err=True)
        return
    if as_json:
        typer.echo(reading_to_json(history.stages[0]))
    else:
        print_reading(history.stages[0], steady_cents=settings.steady_cents)


if __name__ == "__main__":
    main()
