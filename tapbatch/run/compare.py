"""Compare two stages of a shop, found by name, and measure their recordings where needed.

Conventions: a stage is given by its shown name, its identity, or a beginning that no other stage of the instrument
has; a stage of another instrument is given as ``INSTRUMENT/STAGE``. The histories are those that the tables show
(:mod:`~tapbatch.run.histories`), including what was learned from the whole shop. Only readings are written, which the
next run uses.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping, Sequence

from tapbatch.compare.before_after import Comparison, side_by_side
from tapbatch.compare.frozen import Grounds, Judged, judged_as
from tapbatch.compare.kin import same_stage
from tapbatch.compare.kin import side_by_side as side_by_side_of_family
from tapbatch.compare.step_taught import family_name
from tapbatch.model.errors import ShopError
from tapbatch.model.history import History, Stage
from tapbatch.model.kin import SideBySide
from tapbatch.model.names import identity
from tapbatch.model.reading import Attention
from tapbatch.run.histories import histories_of
from tapbatch.shop.folder import Shop


def compare_in_shop(
    shop: Shop, instrument: str, before: str, after: str, say: Callable[[str], None] = lambda _line: None
) -> tuple[tuple[Comparison, ...], tuple[Attention, ...]]:
    """Compare two stages, part by part.

    Parameters
    ----------
    shop : Shop
        The shop, as opened.
    instrument : str
        Name of the instrument.
    before, after : str
        Its stages by name or beginning, or ``INSTRUMENT/STAGE`` for a stage of another instrument.
    say : callable
        Called as by :func:`tapbatch.run.histories.histories_of`.

    Returns
    -------
    comparisons : tuple of Comparison
        One for each part that both stages have. If a part was held in several ways, one for each way that both stages
        share.
    attention : tuple of Attention
        Recordings that could not be measured, of these instruments and of those that they learn from.

    Raises
    ------
    ShopError
        If the instrument or a stage is not found, several stages begin with the name, or there is no common part.
    """
    wanted = [_split(instrument, name) for name in (before, after)]
    found = histories_of(shop, {name for name, _ in wanted}, measuring=True, say=say)
    for error in found.failed.values():
        raise error
    sides = [_stages(found.of, name, stage) for name, stage in wanted]
    (one, _), (other, _) = wanted
    pairs = _pairs(*sides)
    if not pairs:
        parts = [", ".join(dict.fromkeys(s.part for s in side)) for side in sides]
        what = f"the first has {parts[0]}, the second {parts[1]}: no part in common"
        raise ShopError(f"{before}, {after}", what, "name two stages at which the same part was recorded")
    settings = shop.settings_of(one)
    settings_after = None if one == other else shop.settings_of(other)
    kept_of = found.kept[other].taps_of
    # Two instruments differ in more than the air between two days, so no reference is asked.
    judged = judged_as(found.of[one]) if one == other else Judged(Grounds(found.bench))
    compared = []
    for a, b in pairs:
        passed = _between(found.of[one], a, b) if one == other else ()
        grounds = judged.between(a, b)
        compared.append(side_by_side(a, b, settings, settings_after, grounds=grounds, kept_of=kept_of, passed=passed))
    return tuple(compared), found.attention


def family_in_shop(
    shop: Shop, named: str, say: Callable[[str], None] = lambda _line: None
) -> tuple[tuple[SideBySide, ...], tuple[Attention, ...]]:
    """Put an instrument beside the others of its family, part by part.

    Parameters
    ----------
    shop : Shop
        The shop, as opened.
    named : str
        The instrument, or ``INSTRUMENT/STAGE``; the name of a ``step`` series means its last step, and without a
        stage it is the latest one of each part.
    say : callable
        Called as by :func:`tapbatch.run.histories.histories_of`.

    Returns
    -------
    sides : tuple of SideBySide
        One for each part that others of the family have at the same stage (:mod:`tapbatch.compare.kin`).
    attention : tuple of Attention
        Recordings that could not be measured, of this family.

    Raises
    ------
    ShopError
        If the instrument or the stage is not found, or it has no family, or nobody in it has that stage.
    """
    name, slash, stage = (identity(word) for word in named.partition("/"))
    found = histories_of(shop, {name}, measuring=True, say=say)
    for error in found.failed.values():
        raise error
    if not slash:
        stage = ""
    wanted = _stages(found.of, name, stage, series=True) if stage else _latest(found.of, name)
    settings = shop.settings_of(name)
    if not family_name(settings):
        remedy = f'write family = "…" into instruments/{name}.toml, and into that of each like it'
        raise ShopError(name, "its settings name no family", remedy)
    if not found.of[name].kin:
        raise ShopError(name, f"no other {settings.family} was recorded", "give it to the settings of those like it")
    sides = [side_by_side_of_family(found.of[name], each, settings) for each in wanted]
    if not any(sides):
        shown = ", ".join(dict.fromkeys(each.stage_shown for each in wanted))
        what = f"no other {settings.family} has a stage like {shown}"
        raise ShopError(name, what, "the name must be the same, whatever the number in front, and part and state too")
    return tuple(filter(None, sides)), found.attention


def _latest(histories: Mapping[str, History], instrument: str) -> list[Stage]:
    """Return the latest stage of each part that has modes."""
    if instrument not in histories:
        raise _unknown(histories, instrument)
    history = histories[instrument]
    return [next(s for s in reversed(history.of_part(p)) if s.modes) for p in history.parts
            if any(s.modes for s in history.of_part(p))]  # fmt: skip


def _between(history: History, before: Stage, after: Stage) -> tuple[Stage, ...]:
    first, last = sorted((before.order, after.order))
    return tuple(s for s in history.of_part(before.part) if first < s.order < last)


def _split(instrument: str, stage: str) -> tuple[str, str]:
    """Return the identities of instrument and stage.

    Examples
    --------
    >>> _split("Cittern-07", "08-strung"), _split("Cittern-07", "cittern-04 / 08 Strung")
    (('cittern-07', '08-strung'), ('cittern-04', '08-strung'))
    """
    other, slash, named = stage.partition("/")
    return (identity(other), identity(named)) if slash else (identity(instrument), identity(stage))


def _stages(histories: Mapping[str, History], instrument: str, stage: str, *, series: bool = False) -> list[Stage]:
    """Return a stage as each part has it; with ``series``, the name of one means its last step."""
    if instrument not in histories:
        raise _unknown(histories, instrument)
    stages = histories[instrument].stages
    # Spelled as everywhere else, not as their identities.
    shown = {s.stage: s.stage_shown for s in reversed(stages)}
    known = list(dict.fromkeys(s.stage for s in stages))
    meant, where = stages_meant(stage, known), f"{histories[instrument].instrument_shown}/{stage}"
    if series and len({same_stage(s) for s in stages if s.stage in meant}) == 1:
        meant = meant[-1:]
    if len(meant) > 1:
        listed = ", ".join(f"'{shown[name]}'" for name in meant)
        raise ShopError(where, f"{len(meant)} stages begin with that", f"write one of {listed}")
    if not meant:
        raise ShopError(where, "there is no such stage", _nearest(stage, known, shown))
    return [s for s in stages if s.stage == meant[0]]


def _unknown(histories: Mapping[str, History], instrument: str) -> ShopError:
    return ShopError(instrument, "no recordings of such an instrument", _nearest(instrument, *_shown(histories)))


def _shown(histories: Mapping[str, History]) -> tuple[list[str], dict[str, str]]:
    return list(histories), {name: history.instrument_shown for name, history in histories.items()}


def stages_meant(named: str, known: Sequence[str]) -> list[str]:
    """Return the stages that a name may mean: the stage with exactly that name, otherwise those that begin with it.

    A match that ends at the end of a word or number takes precedence over one that ends inside it: ``1`` does not
    mean ``10`` if there is a stage ``1-joined``.

    Parameters
    ----------
    named
        The identity of the name as written.
    known
        The identities of all stages.

    Examples
    --------
    >>> stages = ["1-joined", "10-closed", "10-strung", "11-settled"]
    >>> stages_meant("10-closed", stages), stages_meant("1", stages), stages_meant("11", stages)
    (['10-closed'], ['1-joined'], ['11-settled'])
    >>> stages_meant("10", stages), stages_meant("2", stages), stages_meant("", stages)
    (['10-closed', '10-strung'], [], [])
    """
    if named in known or not named:
        return [named] if named else []
    begun = [name for name in known if name.startswith(named)]
    whole = [name for name in begun if not (named[-1].isalnum() and name[len(named)].isalnum())]
    return whole or begun


def _nearest(name: str, known: Sequence[str], shown: Mapping[str, str]) -> str:
    if not known:
        return "drop its recordings in, then run"
    near = difflib.get_close_matches(name, known, n=1)
    expected = f"expected one of {', '.join(shown[each] for each in known)}"
    return f"{expected}; did you mean {shown[near[0]]}?" if near else expected


def _pairs(before: Sequence[Stage], after: Sequence[Stage]) -> list[tuple[Stage, Stage]]:
    """Return the pairs of stages to compare: for each part those held alike, otherwise the last of each side."""
    pairs = []
    for part in dict.fromkeys(s.part for s in before):
        earlier, later = ([s for s in side if s.part == part] for side in (before, after))
        alike = [(a, b) for a in earlier for b in later if a.state == b.state]
        pairs += alike or [(a, b) for a in earlier[-1:] for b in later[-1:]]
    return pairs
