"""How far the modes of a part moved from stage to stage and from the first to the last, and whether they did.

Conventions: changes in cents, hertz and per cent, later over earlier. What a new set-up moves is in every interval
from the first recording on (:mod:`tapbatch.compare.moves`): in ``cents_low`` and ``cents_high``, which bound the
whole change as read, and in what a mode moved by itself. The verdict is judged over all modes that two stages
share: of the stages at which nothing moved, at most one in twenty has a mode that is said to have moved. ``moved``
says what it rests on, and ``chance`` is its p-value adjusted for all modes.

If a reference was tapped on the days of both stages (:mod:`tapbatch.compare.reference`), what it moved is taken off
``freq_change_cents`` and the common move, and a caution says so.

If a verdict is open, ``more_taps`` and ``more_setups`` say how many more taps or set-ups at the later stage (the
earlier is past) would decide it, if the readings stay where they are. They are ``None`` where that is not likely.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from tapbatch.compare.absence import KeptOf, absence_judge
from tapbatch.compare.bench import Bench
from tapbatch.compare.conditions import cautions
from tapbatch.compare.frozen import Grounds, Judged
from tapbatch.compare.moves.between import moves_between, whole_moves
from tapbatch.compare.moves.judge import Interval, Move, Moves
from tapbatch.compare.moves.priors import FREQ, T60
from tapbatch.compare.random_effects import percent_change
from tapbatch.compare.reference import ByReference, by_reference
from tapbatch.compare.same_room import SAME_FREQ, SAME_T60, Places
from tapbatch.compare.spots import is_heard
from tapbatch.compare.stage import DOUBTFUL, NOT_OF_THE_BODY, TapAt, members_by_mode
from tapbatch.compare.tap_sets import FREQ_OF, LN_T60_UNIT, T60_OF, Members, tap_sets
from tapbatch.compare.weighing import unnoted, weighed
from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift, Extent, Stage, StageMode, Verdict
from tapbatch.model.pitch import CENTS
from tapbatch.model.reading import Mode

Kinds = Mapping[str, str]


def drifts_of_part(
    stages: Sequence[Stage],
    steady_cents: float,
    kinds: Kinds | None = None,
    judged: Judged | None = None,
    kept_of: KeptOf | None = None,
) -> tuple[Drift, ...]:
    """Return the drift from each stage of a part to the next, with that from the stage that first had the mode.

    Parameters
    ----------
    stages : sequence of Stage
        The stages of one part, in order, with ``mode_names`` filled. Those without a used tap (only plucks, or only
        the room) tell nothing about modes and are left out.
    steady_cents : float
        Within which a mode counts as steady.
    kinds : mapping of str to str, optional
        The kind of each labelled mode (``air``, ``plate``, ``string``).
    judged : Judged, optional
        What the comparisons rest on besides the taps; by default only the priors.
    kept_of : KeptOf, optional
        What is kept of the taps of a recording, to ask for modes that are missing.

    Returns
    -------
    tuple of Drift
        By pair of stages, then by frequency.

    Examples
    --------
    >>> drifts_of_part([], 3.0)
    ()
    """
    tapped = [s for s in stages if s.taps_used]
    members = [members_by_mode(s) for s in tapped]
    grounds = judged or Judged(Grounds(Bench()))
    of_part = _Part(tapped, members, steady_cents, kinds or {}, grounds, kept_of, Places(kept_of))
    first = _first_heard(tapped)
    rows: list[Drift] = []
    for i in range(1, len(tapped)):
        found = of_part.between(i - 1, i)
        begun = sorted({first[d.mode] for d in found if first.get(d.mode, i) < i})
        since = {f: {d.mode: d for d in (found if f == i - 1 else of_part.between(f, i))} for f in begun}
        rows += [_with_first(d, since.get(first.get(d.mode, i), {}).get(d.mode)) for d in found]
    return tuple(rows)


def drift_between(
    before: Stage,
    after: Stage,
    steady_cents: float,
    kinds: Kinds | None = None,
    grounds: Grounds | None = None,
    kept_of: KeptOf | None = None,
    passed: Sequence[Stage] = (),
) -> tuple[Drift, ...]:
    """Return the drift of every mode between any two stages of one part.

    Parameters
    ----------
    before, after : Stage
        With ``mode_names`` filled, as :func:`tapbatch.compare.history.build_history` makes them.
    steady_cents : float
        Within which a mode counts as steady.
    kinds, kept_of
        As for :func:`drifts_of_part`.
    grounds : Grounds, optional
        What the comparison rests on besides the taps; by default only the priors.
    passed : sequence of Stage, optional
        The stages of the part between the two: where the identity of a mode came into doubt there, it stays in doubt.

    Returns
    -------
    tuple of Drift
        For each mode of either stage, by frequency. Modes flagged ``hum`` or ``string`` at either stage are left out:
        they are not the instrument's.
    """
    pair = [before, after]
    members = [members_by_mode(s) for s in pair]
    judged = Judged(grounds or Grounds(Bench()))
    of_part = _Part(pair, members, steady_cents, kinds or {}, judged, kept_of, Places(kept_of), tuple(passed))
    return of_part.between(0, 1)


# --------------------------------------------------------------- family


@dataclass(frozen=True, slots=True)
class _Part:
    """The stages of one part, the taps of each mode, and what it takes to compare any two of the stages."""

    stages: Sequence[Stage]
    members: Sequence[Members]
    steady_cents: float
    kinds: Kinds
    judged: Judged
    kept_of: KeptOf | None
    places: Places
    others: Sequence[Stage] = ()

    def between(self, i: int, j: int) -> tuple[Drift, ...]:
        """Return the drift of every mode from stage ``i`` to stage ``j``."""
        before, after = self.stages[i], self.stages[j]
        earlier = {m.mode: m for m in before.modes}
        later = {m.mode: m for m in after.modes}
        names = [
            name
            for name in sorted({*earlier, *later}, key=lambda n: (earlier.get(n) or later[n]).freq_hz)
            if not any(NOT_OF_THE_BODY & set(side[name].flags) for side in (earlier, later) if name in side)
        ]
        both = [name for name in names if name in earlier and name in later]
        grounds = self.judged.between(before, after)
        reference = by_reference(before, after, grounds.references, grounds.bench)
        moves = self._moves(i, j, both, grounds.bench, reference)
        kinds = {self.kinds.get(name, "") for name in names}
        differing = {kind: _differing(before, after, kind, reference) for kind in kinds}
        untold = {kind: unnoted(before, after, differing[kind], kind) for kind in kinds}
        is_gone = absence_judge(before, after, self.kept_of)
        doubted = self._doubted(i, j)
        rows = []
        for name in names:
            kind = self.kinds.get(name, "")
            differs = differing[kind]
            if name in moves:
                own = weighed(_of_the_mode(self.members[i][name], self.members[j][name], differs), before, after)
                row = _moved(before, after, earlier[name], moves[name], (*differs, *own))
                row = replace(row, setups_learned=grounds.bench.freq.anew, unnoted=untold[kind])
                rows.append(_without_verdict(row) if name in doubted else row)
            else:
                verdict: Verdict = "new" if name in later else "gone" if is_gone(name) else "unheard"
                rows.append(_appeared(before, after, name, verdict, differs))
        return tuple(rows)

    def _doubted(self, i: int, j: int) -> set[str]:
        """Return the names that may have passed to a neighbour between stages ``i`` and ``j``."""
        # Two stages may be compared in either order; the flags of a stage speak of those before it.
        first, last = sorted((i, j), key=lambda at: self.stages[at].order)
        passed = self.stages[first + 1 : last + 1] if first < last else [self.stages[last]]
        return {m.mode for s in (*self.others, *passed) for m in s.modes if DOUBTFUL in m.flags}

    def _moves(
        self, i: int, j: int, names: Sequence[str], bench: Bench, reference: ByReference | None
    ) -> dict[str, _Moved]:
        """Return how the modes that both stages have moved, by name."""
        if not names:
            return {}
        compared = _at_common_spots(names, self.members[i], self.members[j])
        sides = [(self.stages[at], members) for at, members in zip((i, j), compared, strict=True)]
        room = self.places.alike((self.stages[i], self.stages[j]), compared)
        freqs = [room.in_sets(tap_sets(stage, members, names, FREQ_OF), names, SAME_FREQ) for stage, members in sides]
        alike = None if reference is None else reference.alike
        is_air = np.array([self.kinds.get(name) == "air" for name in names])
        freq = moves_between(freqs[0], freqs[1], FREQ, bench.freq, self.steady_cents, alike=alike, is_air=is_air)
        silent = {m.mode for stage, _ in sides for m in stage.modes if m.t60_s is None}
        ringing = [name for name in names if name not in silent]
        t60s = [
            room.in_sets(tap_sets(stage, members, ringing, T60_OF), ringing, SAME_T60) for stage, members in sides
        ]
        rings: dict[str, Interval] = {}
        if ringing:
            moves = whole_moves(t60s[0], t60s[1], T60, bench.t60)
            rings = dict(zip(ringing, moves, strict=True))
        return {name: _Moved(freq, one, rings.get(name)) for name, one in zip(names, freq.modes, strict=True)}


@dataclass(frozen=True, slots=True)
class _Moved:
    """How one mode moved, in cents, and its decay time, in hundredths of a logarithm; ``None`` if it is not known."""

    all_modes: Moves
    freq: Move
    t60: Interval | None


def _differing(before: Stage, after: Stage, kind: str, reference: ByReference | None) -> tuple[Caution, ...]:
    """Return the cautions that hold for all modes of a kind, with what each can do to one."""
    told = () if reference is None else (reference.caution(is_air=kind == "air"),)
    return weighed((*cautions(before, after, kind), *told), before, after, kind)


def _at_common_spots(names: Sequence[str], before: Members, after: Members) -> tuple[Members, Members]:
    """Return the taps of each mode at the spots that both stages have, so that the room is in both alike.

    A mode keeps all its taps where no room is heard, or where the stages have no spot in common.
    """
    kept: tuple[dict[str, Sequence[tuple[TapAt, Mode]]], ...] = ({}, {})
    for name in names:
        both = (before[name], after[name])
        spots = [{t.spot for t, _ in side} for side in both]
        heard = any(is_heard(t.direct_db) for side in both for t, _ in side)
        common = spots[0] & spots[1] if heard and spots[0] & spots[1] else spots[0] | spots[1]
        for side, taps in zip(kept, both, strict=True):
            side[name] = [(t, m) for t, m in taps if t.spot in common]
    return kept[0], kept[1]


def _of_the_mode(
    before: Sequence[tuple[TapAt, Mode]], after: Sequence[tuple[TapAt, Mode]], differs: Sequence[Caution]
) -> list[Caution]:
    """Return the cautions that hold for one mode only."""
    points = [{t.point for t, _ in side} for side in (before, after)]
    common = points[0] & points[1]
    found = [] if common or any(c.kind == "points" for c in differs) else [Caution("points")]
    fewest = min(sum(not common or t.point in common for t, _ in side) for side in (before, after))
    return found + ([Caution("one tap")] if fewest == 1 else [])


# ----------------------------------------------------------------- rows


def _moved(before: Stage, after: Stage, was: StageMode, moved: _Moved, differs: Sequence[Caution]) -> Drift:
    freq, t60 = moved.freq, moved.t60
    common = moved.all_modes.common
    alone = len(moved.all_modes.modes) == 1
    return Drift(
        part=after.part,
        mode=was.mode,
        from_stage=before.stage,
        to_stage=after.stage,
        freq_change_hz=was.freq_hz * math.expm1(freq.whole.value / CENTS),
        freq_change_cents=freq.whole.value,
        cents_low=freq.whole.low,
        cents_high=freq.whole.high,
        t60_change_pct=None if t60 is None else percent_change(t60.value / LN_T60_UNIT),
        t60_low_pct=None if t60 is None else percent_change(t60.low / LN_T60_UNIT),
        t60_high_pct=None if t60 is None else percent_change(t60.high / LN_T60_UNIT),
        t60_chance=None if t60 is None else t60.chance,
        verdict=_hedged(freq.verdict, differs),
        cautions=tuple(differs),
        chance=freq.chance,
        more_taps=freq.more_taps,
        more_setups=freq.more_setups,
        moved=freq.moved,
        extent=Extent(freq.printed.value, freq.printed.low, freq.printed.high),
        parted=freq.parted,
        common_cents=None if alone else common.value,
        common_low_cents=None if alone else common.low,
        common_high_cents=None if alone else common.high,
        own_cents=None if alone else freq.own.value,
        own_low_cents=None if alone else freq.own.low,
        own_high_cents=None if alone else freq.own.high,
    )


def _without_verdict(drift: Drift) -> Drift:
    """Return a row whose mode may be a neighbour of the one before: as read, and nothing said of a move."""
    return replace(
        drift,
        verdict="unclear",
        cautions=(*drift.cautions, Caution("identity")),
        chance=None,
        more_taps=None,
        more_setups=None,
        moved="",
        extent=None,
        parted=False,
    )


def _hedged(verdict: Verdict, differs: Sequence[Caution]) -> Verdict:
    """Return a verdict that is not firm if the stages were measured by two versions of the method."""
    if not any(caution.kind == "method" for caution in differs):
        return verdict
    return {"up": "up?", "down": "down?"}.get(verdict, verdict)  # type: ignore[return-value]


def _appeared(before: Stage, after: Stage, name: str, verdict: Verdict, differs: Sequence[Caution]) -> Drift:
    return Drift(
        part=after.part, mode=name, from_stage=before.stage, to_stage=after.stage,
        freq_change_hz=None, freq_change_cents=None, cents_low=None, cents_high=None,
        t60_change_pct=None, t60_low_pct=None, t60_high_pct=None,
        verdict=verdict, cautions=tuple(differs),
    )  # fmt: skip


def _first_heard(stages: Sequence[Stage]) -> dict[str, int]:
    first: dict[str, int] = {}
    for i, stage in enumerate(stages):
        for mode in stage.modes:
            if not NOT_OF_THE_BODY & set(mode.flags):
                first.setdefault(mode.mode, i)
    return first


def _with_first(drift: Drift, since: Drift | None) -> Drift:
    if since is None or since.freq_change_cents is None:
        return drift
    return replace(
        drift,
        first_stage=since.from_stage,
        first_change_cents=since.freq_change_cents,
        first_cents_low=since.cents_low,
        first_cents_high=since.cents_high,
        first_verdict=since.verdict,
        first_moved=since.moved,
        first_extent=since.extent,
        first_cautions=since.cautions,
    )
