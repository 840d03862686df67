"""How far the modes of a part moved from stage to stage and from the first to the last, and whether they did.

Conventions: changes in cents, hertz and per cent, later over earlier; :mod:`tapbatch.compare.change` works out the
change of one mode. Each interval of 95 % is that of its mode alone. The verdict is judged over all modes that two
stages share (:mod:`tapbatch.compare.multiple_testing`): it is ``up`` or ``down`` only if Holm's rule holds at 5 % for
the whole family. Otherwise one unmoved mode in twenty would be said to have moved. ``chance`` is the adjusted
p-value.

If the verdict is ``unclear``, ``more_taps`` says how many more taps at the later stage (the earlier is past) would
settle it, if the change stays where it is: until the interval excludes zero, or lies within what counts as steady. It
is ``None`` if no number up to 40 would, because the earlier stage or the set-ups limit the interval.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from tapbatch.compare.absence import KeptOf, absence_judge
from tapbatch.compare.change import Change, Members, change_by_taps, change_of, with_setup_scatter
from tapbatch.compare.conditions import cautions
from tapbatch.compare.multiple_testing import holm, moderated, p_value
from tapbatch.compare.random_effects import CENTS
from tapbatch.compare.setups import SetupScatter
from tapbatch.compare.stage import NOT_OF_THE_BODY, members_by_mode
from tapbatch.model.caution import Caution
from tapbatch.model.history import Drift, Stage, StageMode, Verdict

__all__ = ["Change", "change_of", "drift_between", "drifts_of_part", "members_by_mode", "verdict_of"]

Kinds = Mapping[str, str]

FAMILY_ERROR = 0.05
MOST_MORE_TAPS = 40


def drifts_of_part(
    stages: Sequence[Stage],
    steady_cents: float,
    kinds: Kinds | None = None,
    scatter: SetupScatter | None = None,
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
    scatter : SetupScatter, optional
        What setting up again moves.
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
    of_part = _Part(tapped, [members_by_mode(s) for s in tapped], steady_cents, kinds or {}, scatter, kept_of)
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
    scatter: SetupScatter | None = None,
    kept_of: KeptOf | None = None,
) -> tuple[Drift, ...]:
    """Return the drift of every mode between any two stages of one part.

    Parameters
    ----------
    before, after : Stage
        With ``mode_names`` filled, as :func:`tapbatch.compare.history.build_history` makes them.
    steady_cents : float
        Within which a mode counts as steady.
    kinds, scatter, kept_of
        As for :func:`drifts_of_part`.

    Returns
    -------
    tuple of Drift
        For each mode of either stage, by frequency. Modes flagged ``hum`` or ``string`` at either stage are left out:
        they are not the instrument's.
    """
    pair = [before, after]
    return _Part(pair, [members_by_mode(s) for s in pair], steady_cents, kinds or {}, scatter, kept_of).between(0, 1)


def verdict_of(low: float, high: float, steady: float, chance: float = 0.0) -> Verdict:
    """Return the verdict on an interval within its family; the rule stands here and nowhere else.

    Parameters
    ----------
    low, high : float
        A 95 % interval of a change, in any unit.
    steady : float
        What counts as steady, in the same unit.
    chance : float
        The p-value adjusted for the family, 0 to 1; default 0, that of a change judged alone.

    Returns
    -------
    Verdict
        ``up`` or ``down`` if the interval excludes zero and ``chance`` is below 5 %; otherwise ``steady`` if all of
        it lies within ``steady``, and ``unclear`` if not. So "could not tell" never passes for "nothing happened".

    Examples
    --------
    >>> verdict_of(0.5, 9.0, 3.0), verdict_of(-1.0, 2.0, 3.0), verdict_of(-1.0, 4.0, 3.0)
    ('up', 'steady', 'unclear')
    """
    if chance < FAMILY_ERROR and (low > 0 or high < 0):
        return "up" if low > 0 else "down"
    return "steady" if -steady <= low and high <= steady else "unclear"


# --------------------------------------------------------------- family


class _Part:
    """The stages of one part, the taps of each mode, and what it takes to compare any two of the stages."""

    def __init__(
        self,
        stages: Sequence[Stage],
        members: Sequence[Mapping[str, Members]],
        steady_cents: float,
        kinds: Kinds,
        scatter: SetupScatter | None,
        kept_of: KeptOf | None,
    ) -> None:
        self.stages, self.members = stages, members
        self.steady_cents, self.kinds, self.scatter, self.kept_of = steady_cents, kinds, scatter, kept_of

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
        changes = judge(
            [
                change_by_taps(self.members[i][n], self.members[j][n], self.steady_cents, self.scatter is not None)
                for n in both
            ],
            self.scatter,
        )
        judged = dict(zip(both, changes, strict=True))
        kinds = {self.kinds.get(name, "") for name in names}
        differing = {kind: cautions(before, after, kind) for kind in kinds}
        is_gone = absence_judge(before, after, self.kept_of)
        rows = []
        for name in names:
            differs = differing[self.kinds.get(name, "")]
            if name in judged:
                modes = earlier[name], later[name]
                rows.append(_moved(before, after, modes, judged[name], differs, self.steady_cents))
            else:
                verdict: Verdict = "new" if name in later else "gone" if is_gone(name) else "unheard"
                rows.append(_appeared(before, after, name, verdict, differs))
        return tuple(rows)


@dataclass(frozen=True, slots=True)
class Judged:
    """A change judged within its family.

    ``of_one_tap`` is the variance that one tap adds to it (``ln f``); ``alone`` is the p-value of the change by
    itself, ``chance`` that within its family.
    """

    change: Change
    of_one_tap: float
    alone: float
    chance: float


def judge(changes: Sequence[Change], scatter: SetupScatter | None) -> list[Judged]:
    """Return the changes of a family, each with its p-values, their scatter estimated together.

    Parameters
    ----------
    changes : sequence of Change
        Of all modes between two stages; without the part of set-ups if ``scatter`` is given.
    scatter : SetupScatter or None
        What setting up again moves; it is added.
    """
    per_tap = [c.freq.variance / c.per_tap for c in changes]
    # A variance learned from several set-ups does not tell how taps scatter; one borrowed for a single tap does.
    # The spots of a room tell even less.
    own = [(scatter is not None or max(c.setups) == 1) and not c.by_room for c in changes]
    dofs = [c.freq.dof if alone else math.inf for c, alone in zip(changes, own, strict=True)]
    leaning, leaning_dofs = moderated(per_tap, dofs)
    settled = []
    for change, alone, variance, dof in zip(changes, own, leaning, leaning_dofs, strict=True):
        freq = replace(change.freq, variance=variance * change.per_tap, dof=dof) if alone else change.freq
        leant = replace(change, freq=freq)
        settled.append(leant if scatter is None else with_setup_scatter(leant, scatter))
    alone_p = [p_value(c.freq.value, c.freq.variance, c.freq.dof) for c in settled]
    of_one_tap = [0.0 if c.by_room else v for c, v in zip(changes, leaning, strict=True)]
    return [Judged(*one) for one in zip(settled, of_one_tap, alone_p, holm(alone_p), strict=True)]


def more_taps(judged: Judged, steady_cents: float) -> int | None:
    """Return how many more taps at the later stage would settle a change; ``None`` if up to 40 would not.

    Parameters
    ----------
    judged : Judged
        A change whose verdict is ``unclear``.
    steady_cents : float
        Within which a mode counts as steady.
    """
    freq, later = judged.change.freq, judged.change.taps[1]
    # How much harder the family makes it to tell the change from zero.
    times = judged.chance / judged.alone if judged.alone > 0 else 1.0
    for more in range(1, MOST_MORE_TAPS + 1):
        fewer = judged.of_one_tap * (1.0 / later - 1.0 / (later + more))
        narrowed = replace(freq, variance=max(freq.variance - fewer, 1e-24), dof=freq.dof + more)
        low, high = narrowed.low * CENTS, narrowed.high * CENTS
        told = times * p_value(narrowed.value, narrowed.variance, narrowed.dof) < FAMILY_ERROR
        if told or (-steady_cents <= low and high <= steady_cents):
            return more
    return None


# ----------------------------------------------------------------- rows


def _moved(
    before: Stage,
    after: Stage,
    modes: tuple[StageMode, StageMode],
    judged: Judged,
    differs: Sequence[Caution],
    steady_cents: float,
) -> Drift:
    change, chance, was = judged.change, judged.chance, modes[0]
    freq, t60 = change.freq, change.t60
    ringing = all(m.t60_s is not None for m in modes)
    low, high = freq.low * CENTS, freq.high * CENTS
    verdict = verdict_of(low, high, steady_cents, chance)
    own = [] if change.same_points or any(c.kind == "points" for c in differs) else [Caution("points")]
    own += [Caution("one tap")] if change.one_tap else []
    return Drift(
        part=after.part,
        mode=was.mode,
        from_stage=before.stage,
        to_stage=after.stage,
        freq_change_hz=was.freq_hz * math.expm1(freq.value),
        freq_change_cents=freq.value * CENTS,
        cents_low=low,
        cents_high=high,
        t60_change_pct=100.0 * math.expm1(t60.value) if ringing else None,
        t60_low_pct=100.0 * math.expm1(t60.low) if ringing else None,
        t60_high_pct=_percent(t60.high) if ringing else None,
        verdict=verdict,
        cautions=(*differs, *own),
        chance=chance,
        more_taps=more_taps(judged, steady_cents) if verdict == "unclear" else None,
    )


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
        first_cautions=since.cautions,
    )


def _percent(log_ratio: float) -> float:
    # With two taps the factor is 12.7, which can overflow a float; a millionfold is as good as unbounded.
    return 100.0 * math.expm1(min(log_ratio, math.log(1e6)))
