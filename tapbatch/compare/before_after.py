"""Sustain before and after: what rings longer at one stage than at another, mode by mode, band by band, as a whole.

Conventions: changes are later over earlier, in percent, with a 95 % interval; decay times in seconds. Each change is
taken at the points that both stages have, as a difference of logarithms; over several points the changes are joined
as values that scatter (:mod:`tapbatch.compare.random_effects`). Modes come from :mod:`tapbatch.compare.drift`.

The verdict is ``same within 5 %`` if the whole interval lies within 5 % to either side. Otherwise it is ``longer`` or
``shorter`` if the interval excludes no change, with ``?`` if that may be chance among all modes of the part (Holm's
rule at 5 %), and ``unclear`` if it does not. The 5 % is the just noticeable
difference of the early decay time in rooms (ISO 3382-1:2009, table A.1). The standard does not say what a listener
notices of an instrument's decay, and no more is claimed here.

No verdict is given, and ``why`` says so, if the two stages differ in state, if they have no point in common, if
either has a single tap or pluck (its scatter is not known), or if a decay is too short for its band: with bandwidth
times T60 under 16 (Jacobsen & Rindel, J. Sound Vib. 117, 1987) the filter rings, not the wood. Taps alone do not tell
the room's own decay; what it adds shows as ``not-exponential``.

Balance: the energy of the free decay of the modes in the lower, middle and upper third (by octaves) of the band, each
as a share of all three in the same tap. A share does not depend on the recording's gain, on how hard the mallet
struck, or (to speak of) on the distance; it does depend on how hard the mallet is. Loudness itself is not compared: a
phone's level is not calibrated, and it depends on gain, distance and the blow.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from tapbatch.compare.absence import KeptOf
from tapbatch.compare.bench import Bench
from tapbatch.compare.conditions import cautions
from tapbatch.compare.drift import drift_between
from tapbatch.compare.frozen import Grounds
from tapbatch.compare.moves.between import whole_moves
from tapbatch.compare.moves.judge import FIRM
from tapbatch.compare.moves.priors import T60
from tapbatch.compare.open_strings import tones_by_string
from tapbatch.compare.random_effects import (
    Z_95,
    Mean,
    Sample,
    across_cells,
    cells_of,
    effective_dof,
    percent_change,
    random_effects,
    t_95,
)
from tapbatch.compare.same_mode import Paired, paired
from tapbatch.compare.setup_numbers import setup_numbers
from tapbatch.compare.stage import NOT_OF_THE_BODY
from tapbatch.compare.tap_sets import LN_T60_UNIT, t60_sets
from tapbatch.compare.weighing import weighed
from tapbatch.model.caution import Caution, NoVerdict, forbids_verdict
from tapbatch.model.history import Drift, Stage
from tapbatch.model.names import identity
from tapbatch.model.reading import Kind
from tapbatch.model.settings import InstrumentSettings

Rings = Literal["longer", "longer?", "shorter", "shorter?", "same within 5 %", "unclear", ""]
Subject = Literal["whole", "band", "mode", "string"]

SAME_PCT = 5.0
LEAST_BAND_TIMES_T60 = 16.0
_LEAST_SHARE = 1e-5
_NEW_STRINGS = re.compile(
    r"\b(new|fresh|other|changed?) (set of )?strings?\b|\bre-?string|\bre-?strung\b", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SustainChange:
    """How the T60 of one thing changed: the whole, a band (edges in hertz), a mode, or a string (its number).

    ``why`` is the reason if there is no verdict; ``flags`` are those of either side.
    """

    subject: Subject
    name: str
    kind: Kind
    before_s: float | None
    after_s: float | None
    change_pct: float | None
    low_pct: float | None
    high_pct: float | None
    verdict: Rings
    why: NoVerdict | None = None
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BalanceChange:
    """The share of a third of the band in all energy, in decibels, before and after, and its change."""

    name: str
    low_hz: float
    high_hz: float
    before_db: float
    after_db: float
    change_db: float
    low_db: float
    high_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two stages side by side: what moved, what rings longer, the balance, and what differs besides the wood.

    Between two instruments, ``by_note`` names the modes that only nearness of note makes the same, ``only_before``
    and ``only_after`` those that have no counterpart; within one, they are empty.
    """

    before: Stage
    after: Stage
    drifts: tuple[Drift, ...]
    sustain: tuple[SustainChange, ...]
    balance: tuple[BalanceChange, ...]
    cautions: tuple[Caution, ...]
    by_note: tuple[str, ...] = ()
    only_before: tuple[str, ...] = ()
    only_after: tuple[str, ...] = ()


def is_firm(chance: float | None) -> bool:
    """Tell whether a change is not by chance among the modes; so it is where only one thing is compared (``None``).

    Examples
    --------
    >>> is_firm(0.01), is_firm(0.2), is_firm(None)
    (True, False, True)
    """
    return chance is None or chance < FIRM


def rings_verdict(low_pct: float, high_pct: float, chance: float | None = None) -> Rings:
    """Return what an interval of a change of T60 says, with its p-value among all modes where it is that of a mode.

    Examples
    --------
    >>> rings_verdict(-2.0, 4.0), rings_verdict(1.0, 9.0), rings_verdict(-12.0, -3.0), rings_verdict(-3.0, 8.0)
    ('same within 5 %', 'longer', 'shorter', 'unclear')
    >>> rings_verdict(1.0, 9.0, 0.2)
    'longer?'
    """
    if low_pct >= -SAME_PCT and high_pct <= SAME_PCT:
        return "same within 5 %"
    if low_pct <= 0 <= high_pct:
        return "unclear"
    if is_firm(chance):
        return "longer" if low_pct > 0 else "shorter"
    return "longer?" if low_pct > 0 else "shorter?"


def side_by_side(
    before: Stage,
    after: Stage,
    settings: InstrumentSettings,
    settings_after: InstrumentSettings | None = None,
    drifts: Sequence[Drift] | None = None,
    grounds: Grounds | None = None,
    kept_of: KeptOf | None = None,
    passed: Sequence[Stage] = (),
) -> Comparison:
    """Compare two stages: of one part, or of two instruments.

    Parameters
    ----------
    before, after : Stage
        As :func:`tapbatch.compare.history.build_history` makes them.
    settings, settings_after : InstrumentSettings
        Those of the instrument of each stage; leave out the second if both are of one instrument. Between two
        instruments modes are paired by label, else by nearness of note (:mod:`tapbatch.compare.same_mode`).
    drifts : sequence of Drift, optional
        What moved between the two, where that is known already.
    grounds : Grounds, optional
        What the comparison rests on besides the taps: what setting up anew moves, and references.
    kept_of : KeptOf, optional
        What is kept of the taps of a recording of the later stage.
    passed : sequence of Stage, optional
        The stages of the part between the two, where identities may have come into doubt.

    Returns
    -------
    Comparison
        Sustain: the whole and the bands by kind, then modes by frequency, then strings by number.
    """
    pairs = Paired(before, after, (), (), ()) if settings_after is None else paired(before, after)
    before, after = pairs.before, pairs.after
    kinds = {m.label: m.kind for m in settings.mode if identity(m.part) == before.part}
    if drifts is None:
        drifts = drift_between(before, after, settings.steady_cents, kinds, grounds, kept_of, passed)
    found = tuple(drifts)
    air = any(kinds.get(m.mode) == "air" for m in after.modes)
    kind = "air" if air else ""
    differs = weighed(cautions(before, after, kind), before, after, kind)
    held = _held_alike(differs)
    bench = grounds.bench if grounds else Bench()
    sustain = [*_decays(before, after, held, bench), *(_of_mode(d, before, after, held) for d in found)]
    sustain += _strings(before, after, settings, settings_after or settings, held)
    references = [c for d in found for c in d.cautions if c.kind == "reference" and (air or not c.is_air)]
    return Comparison(
        before=before,
        after=after,
        drifts=found,
        sustain=tuple(sustain),
        balance=_balance(before, after, settings),
        cautions=(*differs, *references[:1], *_new_strings(before, after)),
        by_note=pairs.by_note,
        only_before=pairs.only_before,
        only_after=pairs.only_after,
    )


def log_change(before: Sequence[Sample], after: Sequence[Sample]) -> Mean | None:
    """Return the change of a logarithm from one stage to another at the points that both have; ``None`` without one.

    Examples
    --------
    >>> early, late = [Sample(0.0, 0.01), Sample(0.02, 0.01)], [Sample(0.10, 0.01), Sample(0.12, 0.01)]
    >>> round(log_change(early, late).value, 3), log_change(early, [Sample(0.1, 0.01, "bridge")])
    (0.1, None)
    """
    changes = []
    for point in sorted({s.point for s in before} & {s.point for s in after}):
        sides = [across_cells(cells_of([s for s in side if s.point == point])) for side in (before, after)]
        variances = [m.variance for m in sides]
        dof = effective_dof(variances, [m.dof for m in sides])
        changes.append(Mean(sides[1].value - sides[0].value, sum(variances), dof))
    if len(changes) < 2:
        return changes[0] if changes else None
    # Few taps at a point make its error itself unsure: its own factor of t goes in before the points are joined.
    return random_effects([c.value for c in changes], [math.sqrt(c.variance) * t_95(c.dof) / Z_95 for c in changes])


def _change(
    subject: Subject, name: str, kind: Kind, before: Sequence[Sample], after: Sequence[Sample], why: NoVerdict | None,
    flags: Sequence[str] = (), bench: Bench | None = None,
) -> SustainChange:  # fmt: skip
    """Return the change of T60 from samples of its logarithm, with a verdict unless something forbids one.

    With a ``bench``, what a new set-up does to decays is in the interval.
    """
    sides = [math.exp(across_cells(cells_of(s)).value) if s else None for s in (before, after)]
    change = log_change(before, after)
    if change is not None and bench is not None:
        (whole,) = whole_moves(t60_sets(before), t60_sets(after), T60, bench.t60)
        value, low, high = (v / LN_T60_UNIT for v in (whole.value, whole.low, whole.high))
    elif change is not None:
        value, low, high = change.value, change.low, change.high
    if why is None and change is None:
        why = NoVerdict("points" if before and after else "not at both")
    if why is None and min(len(before), len(after)) < 2:
        why = NoVerdict("one", sound=kind)
    low_pct, high_pct = (percent_change(low), percent_change(high)) if change else (None, None)
    return SustainChange(
        subject=subject,
        name=name,
        kind=kind,
        before_s=sides[0],
        after_s=sides[1],
        change_pct=percent_change(value) if change else None,
        low_pct=low_pct,
        high_pct=high_pct,
        verdict="" if why or low_pct is None or high_pct is None else rings_verdict(low_pct, high_pct),
        why=why,
        flags=tuple(dict.fromkeys(flags)),
    )


def _held_alike(cautions: Sequence[Caution]) -> NoVerdict | None:
    """Return why the way the part was held forbids a verdict; ``None`` where it does not."""
    return forbids_verdict(c for c in cautions if c.kind == "state")


# ------------------------------------------------------ the sound and its bands


def _decays(before: Stage, after: Stage, held: NoVerdict | None, bench: Bench) -> list[SustainChange]:
    sides = [_decay_samples(s) for s in (before, after)]
    flags = [{(d.kind, d.band_low_hz, d.band_high_hz): d.flags for d in s.decays} for s in (before, after)]
    keys = sorted({*sides[0], *sides[1]}, key=lambda k: (k[0] != "tap", k[1] is not None, k[1] or 0.0))
    rang = any("string" in m.flags for stage in (before, after) for m in stage.modes)
    rows = []
    for key in keys:
        kind, low, high = key
        samples = [side.get(key, []) for side in sides]
        noticed = [f for of_stage in flags for f in of_stage.get(key, ())]
        # Strings that rang along ring longer than the wood: the whole sound and its bands are theirs.
        why = held or (NoVerdict("strings rang") if rang and kind == "tap" else None)
        if low is not None and high is not None:
            shortest = min((math.exp(s.value) for side in samples for s in side), default=math.inf)
            if (high - low) * shortest < LEAST_BAND_TIMES_T60:
                noticed.append("band-too-narrow")
            why = why or (NoVerdict("too narrow") if "band-too-narrow" in noticed else None)
        why = why or (NoVerdict("empty band") if "empty-band" in noticed else None)
        name = "whole sound" if low is None or high is None else f"{math.sqrt(low * high):.0f} Hz octave"
        subject: Subject = "whole" if low is None else "band"
        # Strings are plucked where they are; how the box lies moves the decay of taps.
        setups = bench if kind == "tap" else None
        rows.append(_change(subject, name, kind, samples[0], samples[1], why, noticed, setups))
    return rows


def _decay_samples(stage: Stage) -> dict[tuple[Kind, float | None, float | None], list[Sample]]:
    """Return ``ln T60`` of the bands of a stage, tap by tap; only bands that most taps give."""
    found: dict[tuple[Kind, float | None, float | None], list[Sample]] = {}
    for h, setups in zip(stage.heard, setup_numbers(stage.heard), strict=True):
        taps = zip(h.reading.used_taps, setups, strict=True)
        for tap, setup in taps if h.recording.kind != "room" else ():
            for d in tap.decays:
                if d.t60_s is not None and d.t60_log_se is not None:
                    sample = Sample(math.log(d.t60_s), d.t60_log_se, h.recording.point, setup)
                    found.setdefault((h.recording.kind, d.band_low_hz, d.band_high_hz), []).append(sample)
    given = {(d.kind, d.band_low_hz, d.band_high_hz) for d in stage.decays if d.t60_s is not None}
    return {key: found[key] for key in found if key in given}


# --------------------------------------------------------------------- modes


def _of_mode(drift: Drift, before: Stage, after: Stage, held: NoVerdict | None) -> SustainChange:
    sides = [next((m for m in s.modes if m.mode == drift.mode), None) for s in (before, after)]
    why = held
    if drift.t60_change_pct is None:
        missing = {"unheard": "unheard", "gone": "gone"}.get(drift.verdict, "new")
        why = why or (NoVerdict("unresolved") if all(sides) else NoVerdict(missing))  # type: ignore[arg-type]
    else:
        why = why or forbids_verdict(drift.cautions)
    low, high = drift.t60_low_pct, drift.t60_high_pct
    return SustainChange(
        subject="mode",
        name=drift.mode,
        kind="tap",
        before_s=sides[0].t60_s if sides[0] else None,
        after_s=sides[1].t60_s if sides[1] else None,
        change_pct=drift.t60_change_pct,
        low_pct=low,
        high_pct=high,
        verdict="" if why or low is None or high is None else rings_verdict(low, high, drift.t60_chance),
        why=why,
        flags=tuple(dict.fromkeys(f for m in sides if m for f in m.flags)),
    )


# ------------------------------------------------------------------- strings


def _strings(
    before: Stage,
    after: Stage,
    settings: InstrumentSettings,
    settings_after: InstrumentSettings,
    held: NoVerdict | None,
) -> list[SustainChange]:
    sides = [tones_by_string(before, settings), tones_by_string(after, settings_after)]
    rows = []
    for number in sorted({*sides[0], *sides[1]}):
        notes = [s.strings[number - 1].note if number <= len(s.strings) else "" for s in (settings, settings_after)]
        samples = [
            [Sample(math.log(t.t60_s), t.t60_log_se) for t in side.get(number, []) if t.t60_s and t.t60_log_se]
            for side in sides
        ]
        why = held or (NoVerdict("another string") if notes[0] != notes[1] else None)
        name = f"string {number}, {notes[0] or notes[1]}"
        rows.append(_change("string", name, "pluck", samples[0], samples[1], why))
    return rows


def _new_strings(before: Stage, after: Stage) -> list[Caution]:
    """Return the caution that strings were changed, where the notes say so: new strings ring longer and go slack."""
    for stage in (after, before):
        if stage.note and _NEW_STRINGS.search(f"{stage.note.work} {stage.note.remark}"):
            return [Caution("new strings", is_before=stage is before)]
    return []


# ------------------------------------------------------------------- balance


def _balance(before: Stage, after: Stage, settings: InstrumentSettings) -> tuple[BalanceChange, ...]:
    edges = [settings.band_hz[0] * (settings.band_hz[1] / settings.band_hz[0]) ** (n / 3.0) for n in range(4)]
    rows = []
    for name, low, high in zip(("low", "middle", "high"), edges[:-1], edges[1:], strict=True):
        inside = _within(low, high)
        sides = [_share_samples(s, inside) for s in (before, after)]
        change = log_change(*sides)
        if change is None or min(map(len, sides)) < 2:
            continue
        means = [across_cells(cells_of(side)).value for side in sides]
        to_db = 10.0 / math.log(10.0)
        rows.append(
            BalanceChange(
                name=name,
                low_hz=low,
                high_hz=high,
                before_db=means[0] * to_db,
                after_db=means[1] * to_db,
                change_db=change.value * to_db,
                low_db=change.low * to_db,
                high_db=change.high * to_db,
            )
        )
    return tuple(rows)


def _within(low: float, high: float) -> Callable[[float], bool]:
    return lambda freq_hz: low <= freq_hz < high


def _share_samples(stage: Stage, inside: Callable[[float], bool]) -> list[Sample]:
    """Return ``ln`` of the share of the modes inside a band in the energy of each tap; under -50 dB it is none."""
    strange = {m.mode for m in stage.modes if NOT_OF_THE_BODY & set(m.flags)}
    samples = []
    for h, setups in zip(stage.heard, setup_numbers(stage.heard), strict=True):
        if h.recording.kind != "tap":
            continue
        for t, tap in enumerate(h.reading.used_taps):
            names = h.mode_names[t] if t < len(h.mode_names) else ("",) * len(tap.modes)
            body = [m for m, n in zip(tap.modes, names, strict=True) if n not in strange]
            total = sum(10.0 ** (m.energy_db / 10.0) for m in body)
            part = sum(10.0 ** (m.energy_db / 10.0) for m in body if inside(m.freq_hz))
            if total > 0 and part > _LEAST_SHARE * total:
                samples.append(Sample(math.log(part / total), 0.0, h.recording.point, setups[t]))
    return samples
