"""What a phone sees of a shop: what can be chosen, what is on the bench, the last recordings, and what waits.

Conventions: everything is read anew from the folder, the log and the tables, so that two phones and the terminal see
the same. Instruments and stages come in the order in which they were used last. Texts are made in ``show``.
"""

from __future__ import annotations

import csv
import shutil
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from tapbatch.compare.setup_numbers import parted_by_pauses
from tapbatch.model.bench_log import BenchLog, Event, OnBench, is_of_one_recording
from tapbatch.model.errors import NamingError, SettingsError
from tapbatch.model.names import KINDS, PARTS, STATES, identity
from tapbatch.model.reading import Recording
from tapbatch.results.files import facts_of
from tapbatch.run.inbox import attention_of, look_at
from tapbatch.run.known import recordings_of, step_reached, steps_of
from tapbatch.shop.folder import Shop
from tapbatch.show.say.phone import (
    WHY_RESETS,
    WHY_SPOT,
    caution_lines,
    full_text,
    place_text,
    setups_text,
)

LEAST_ROOM_BYTES = 500_000_000
"""How much room the disk must have left after a recording was sent: results and tables need some too."""

ASKED_TAPS = 3
"""From how many taps on a recording is asked about its set-ups."""

_MOST_TABLE_BYTES = 50_000_000


def room_in(folder: Path) -> int:
    """Return how many bytes are free on the disk of a folder, or of the nearest folder above it that is there."""
    there = next((each for each in (folder, *folder.parents) if each.exists()), folder)
    return shutil.disk_usage(there).free


def state_of(shop: Shop, log: BenchLog, room_bytes: int, now: datetime) -> dict[str, Any]:
    """Return all that the page shows, ready for JSON.

    Parameters
    ----------
    shop
        The shop, as opened.
    log
        Its log, as it is now.
    room_bytes
        How many bytes are free on the disk of the results.
    now
        The time, aware.
    """
    bench = log.on_bench(now)
    lapses = log.lapses_at(now)
    known = recordings_of(shop)
    last = log.last()
    taps = _taps_of(shop, last)
    at_hand = bench or (last[0].bench if last else None)
    return {
        "shop": shop.root.resolve().name,
        "full": full_text(room_bytes, LEAST_ROOM_BYTES),
        "bench": None if bench is None else as_destination(bench),
        "lapses": "" if lapses is None else f"lapses at {lapses.astimezone():%H:%M}",
        "instruments": _instruments(shop, log, known),
        "steps": [as_destination(series) for series in _series(shop, log, known)],
        "states": list(STATES),
        "kinds": list(KINDS),
        "parts": list(dict.fromkeys((*PARTS, *shop.extra_parts))),
        "points": _words(known, lambda r: f"at-{r.point}" if r.point else "", "at-bridge"),
        "spots": _words(known, lambda r: f"spot-{r.spot}" if r.spot else "", "spot-bench"),
        "last": [_told(event, taps) for event in last],
        "waiting": [
            {"original": item.where.removeprefix("inbox/"), "why": item.what}
            for item in attention_of(look_at(shop, log, now))
        ],
        "cautions": cautions_at(shop, at_hand),
        "ask": _question(shop, last, taps),
    }


def cautions_at(shop: Shop, bench: OnBench | None) -> list[str]:
    """Return the cautions of the step at hand; none if nothing is at hand."""
    return caution_lines(bench, _work(shop, bench))


def as_destination(bench: OnBench) -> dict[str, Any]:
    """Return where recordings belong, as the page writes it."""
    return {
        "instrument": bench.instrument,
        "stage": bench.stage,
        "words": list(bench.words),
        "step": bench.step,
        "on": list(bench.on),
    }


def _instruments(shop: Shop, log: BenchLog, known: Iterable[Recording]) -> list[dict[str, Any]]:
    stages: dict[str, dict[str, str]] = {}
    parts: dict[str, set[str]] = {}
    names: dict[str, str] = {}
    said = [e.bench for e in reversed(log.events) if e.bench is not None and e.what in ("now", "sent", "placed")]
    for bench in said:
        names.setdefault(identity(bench.instrument), bench.instrument)
        stages.setdefault(identity(bench.instrument), {}).setdefault(identity(bench.stage), bench.stage)
    for recording in known:
        names.setdefault(recording.instrument, recording.instrument_shown)
        stages.setdefault(recording.instrument, {}).setdefault(recording.stage, recording.stage_shown)
        parts.setdefault(recording.instrument, set()).add(recording.part or "body")
    for name in shop.instruments:
        names.setdefault(name, name)
    return [
        {
            "name": shown,
            "stages": list(stages.get(name, {}).values()),
            "labels": _labels(shop, name),
            "parts": sorted(parts.get(name, set())),
        }
        for name, shown in names.items()
    ]


def _labels(shop: Shop, instrument: str) -> list[str]:
    try:
        return [mode.label for mode in shop.settings_of(instrument).mode]
    except SettingsError:
        return []


def _series(shop: Shop, log: BenchLog, known: Iterable[Recording]) -> list[OnBench]:
    """Return how far each series is, of which something was said or sent, the one used last first."""
    steps = steps_of(known)
    found = dict(log.steps)
    for event in log.last(len(log.placed)):
        if event.bench is not None and event.bench.step:
            found.setdefault(event.bench.series, event.bench)
    series = []
    for bench in reversed(found.values()):
        try:
            reached = step_reached(bench, log, steps, shop.extra_parts)
        except NamingError:
            # Someone edited the log, or the settings no longer name its part.
            continue
        words = tuple(word for word in bench.words if not is_of_one_recording(word))
        series.append(replace(bench, words=words, step=reached))
    return series[:50]


def _words(known: Iterable[Recording], word: Callable[[Recording], str], usual: str) -> list[str]:
    return list(dict.fromkeys([*filter(None, map(word, known)), usual]))[:30]


# ------------------------------------------------------- the last recordings


def _told(event: Event, taps: Mapping[str, list[float]]) -> dict[str, Any]:
    heard = taps.get(event.recording)
    count = "" if heard is None else f"{len(heard)} tap{'' if len(heard) == 1 else 's'}"
    assert event.bench is not None
    return {
        "recording": event.recording,
        "original": event.original,
        "place": place_text(event.bench),
        "destination": as_destination(event.bench),
        "arrived": f"{event.at.astimezone():%H:%M}",
        "taps": count,
    }


def _taps_of(shop: Shop, last: Iterable[Event]) -> dict[str, list[float]]:
    """Return when each used tap of the last recordings came, in seconds, of those that are measured."""
    found: dict[str, list[float]] = {}
    for name in dict.fromkeys(identity(e.bench.instrument) for e in last if e.bench is not None):
        folder = shop.results_dir / name
        found.update({row["recording"]: [] for row in _rows(folder / "recordings.csv") if "recording" in row})
        for row in _rows(folder / "taps.csv"):
            if row.get("used") == "true" and row.get("recording") in found:
                # A spreadsheet may have saved the table in its own way.
                with suppress(KeyError, TypeError, ValueError):
                    found[row["recording"]].append(float(row["onset_s"]))
    return found


def _rows(path: Path) -> tuple[dict[str, str], ...]:
    facts = facts_of(path)
    return () if facts is None or facts[0] > _MOST_TABLE_BYTES or path.is_symlink() else _rows_of(path, facts)


# A phone asks again after every reading, and most tables are as they were.
@lru_cache(maxsize=40)
def _rows_of(path: Path, facts: tuple[int, int]) -> tuple[dict[str, str], ...]:
    try:
        with path.open(encoding="utf-8", newline="") as text:
            return tuple(csv.DictReader(text))
    except (OSError, ValueError, csv.Error):
        return ()


def _question(shop: Shop, last: tuple[Event, ...], taps: Mapping[str, list[float]]) -> dict[str, Any] | None:
    """Return what to ask about the last recording, if it has enough taps to be asked about."""
    event = last[0] if last else None
    if event is None or event.bench is None or len(taps.get(event.recording, ())) < ASKED_TAPS:
        return None
    words = [identity(word) for word in event.bench.words]
    if not {"pluck", "room"}.isdisjoint(words):
        return None
    counts = list(Counter(parted_by_pauses(sorted(taps[event.recording]))).values())
    return {
        "recording": event.recording,
        "groups": len(counts),
        "setups": setups_text(counts, resets="resets" in words),
        "resets": "resets" in words,
        "spot": next((w for w in words if w.startswith("spot-")), ""),
        "why": WHY_RESETS,
        "why_spot": WHY_SPOT,
    }


def _work(shop: Shop, bench: OnBench | None) -> str:
    if bench is None:
        return ""
    stages = (f"{bench.stage} step {bench.step}", bench.stage) if bench.step else (bench.stage,)
    notes = (shop.notes.get((identity(bench.instrument), identity(stage))) for stage in stages)
    return next((note.work for note in notes if note is not None and note.work), "")
