"""The shop that trials run on, and what must hold for it whatever happened."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from shutil import copytree
from unittest import mock

from tapbatch.listen.files import hash_file
from tapbatch.run import histories
from tapbatch.run import job as measuring
from tapbatch.run.job import Job
from tapbatch.run.one_pass import How, run_shop
from tapbatch.shop.folder import open_shop
from tests.shops import bytes_below, make_shop, taps, write_wav

NAMES = ("lyre-2_01-joined_top_1.wav", "lyre-2_02-thinned_top_1.wav", "NA/01 closed/voice note.wav")


@dataclass
class Tally:
    """How often a trial disturbed a run, and a line for each thing wrong afterwards; ``note`` goes into the table."""

    tried: int = 0
    lost: list[str] = field(default_factory=list)
    note: str = ""


@dataclass(frozen=True)
class Undisturbed:
    """A shop, and what an undisturbed run leaves: results by path, hidden names, recordings with time and mode."""

    shop: Path
    results: dict[str, bytes]
    hidden: frozenset[str]
    recordings: dict[str, tuple[bytes, int, int]]

    def amiss(self, results: Path) -> str:
        """Return what differs after the next run; empty if nothing does."""
        whole = bytes_below(results, hidden=True)
        found = {name: data for name, data in whole.items() if not name.startswith(".")}
        if found != self.results:
            differ = sorted(n for n in {*found, *self.results} if found.get(n) != self.results.get(n))
            return f"results differ: {', '.join(differ)}"
        stray = (whole.keys() - found.keys()) ^ self.hidden
        if stray:
            return f"kept files differ: {', '.join(sorted(stray))}"
        return "" if recordings_of(self.shop) == self.recordings else "a recording was touched"


def undisturbed(shop: Path, scratch: Path, before: Path | None = None) -> Undisturbed:
    """Run a shop once, from ``before`` if given, with its results in ``scratch``, and record what it leaves."""
    recordings = recordings_of(shop)
    results = begin(scratch, before)
    run(shop, results)
    return Undisturbed(shop, bytes_below(results), hidden_names(results), recordings)


def begin(results: Path, before: Path | None) -> Path:
    """Return a results folder that does not exist yet, or a copy of an earlier one, with the times of its files."""
    return Path(copytree(before, results)) if before else results


def run(shop: Path, results: Path, jobs: int = 1) -> None:
    """Run a shop in this process."""
    run_shop(open_shop(shop, results), How(jobs=jobs))


def recordings_of(shop: Path) -> dict[str, tuple[bytes, int, int]]:
    """Return the bytes, modification time and mode of each recording."""
    folder = shop / "recordings"
    found = bytes_below(folder, hidden=True)
    facts = {name: (folder / name).stat() for name in found}
    return {n: (data, facts[n].st_mtime_ns, facts[n].st_mode) for n, data in found.items()}


def hidden_names(results: Path) -> frozenset[str]:
    """Return the names of all files kept between runs; half-written files anywhere would also show here."""
    return frozenset(name for name in bytes_below(results, hidden=True) if name.startswith("."))


def new_shop(root: Path) -> Path:
    """Return a shop of three recordings and one file that needs attention."""
    shop = make_shop(root / "shop", {name: taps(40 + n, count=2) for n, name in enumerate(NAMES)})
    (shop / "recordings" / "lyre-2_03 x_tpo.wav").write_bytes(b"RIFF")
    return shop


def change(shop: Path) -> None:
    """Change its recordings in every way: one new, one replaced, one renamed, one deleted."""
    folder = shop / "recordings"
    write_wav(folder / "lyre-2_03-carved_top_1.wav", taps(50, count=2, cents=-20))
    write_wav(folder / NAMES[0], taps(51, count=2, cents=5))
    (folder / NAMES[1]).rename(folder / "Lyre-2 - 02-thinned - free - top.wav")
    (folder / NAMES[2]).unlink()


@contextmanager
def quick() -> Iterator[None]:
    """Do the same work only once, draw no report, and do not wait for the disk: trials check files.

    The same bytes are measured once, the same readings compared once, and the same history made into a card once. A
    run still reads what is kept, and writes the same files in the same order. Whether the disk itself keeps a flush,
    no test can tell.
    """
    from tapbatch.show.browser import article
    from tapbatch.show.pdf import report

    measured = _measured_once(measuring.measure_to_text)
    with (
        mock.patch("tapbatch.run.measuring.measure_to_text", measured),
        mock.patch("tapbatch.watch.measuring.measure_to_text", measured),
        mock.patch.object(histories, "gather_history", _once(histories.gather_history, 4)),
        mock.patch.object(histories, "compare_stages", _once(histories.compare_stages, 3)),
        # The third argument reads back what the history was made from.
        mock.patch.object(article, "card_of", _once(article.card_of, 2)),
        mock.patch.object(os, "fsync", return_value=None),
        mock.patch.object(report, "report_bytes", lambda history, *_: b"%PDF " + repr(history).encode()),
    ):
        yield


def _once(work: Callable[..., object], told_by: int) -> Callable[..., object]:
    """Return ``work`` that is done once for the same values of its first ``told_by`` arguments."""
    done: dict[str, object] = {}

    def worked(*arguments: object) -> object:
        key = repr(arguments[:told_by])
        if key not in done:
            done[key] = work(*arguments)
        return done[key]

    return worked


def _measured_once(measure: Callable[[Job], object]) -> Callable[[Job], object]:
    @cache
    def by_bytes(sha256: str, job: Job) -> object:
        return measure(job)

    def measured(job: Job) -> object:
        # The path does not matter, as long as the file exists.
        assert os.path.exists(job.path)  # noqa: PTH110
        # Nor does when it was written, which only a watch tells.
        return by_bytes(hash_file(job.path), replace(job, size=-1, mtime_ns=-1))

    return measured
