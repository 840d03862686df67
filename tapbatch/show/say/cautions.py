"""The words of cautions, and of the reasons why no verdict is given; every face takes them from here.

Conventions: a caution is a short phrase, ``what a, then b``, as in the column ``caution``; several are separated by
``; ``. :data:`EXPLANATIONS` says what each kind means, as the documentation does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from tapbatch.compare.conditions import never_noted
from tapbatch.compare.weighing import COMMON_K, COMMON_PCT
from tapbatch.model.caution import Caution, CautionKind, NoVerdict, NoVerdictKind
from tapbatch.model.history import History
from tapbatch.show.say.lists import count_text, joined_text

PARTED_BY = "; "
NOT_GIVEN = "not given"

EXPLANATIONS: dict[CautionKind, str] = {
    "state": "the part was held differently, or only one of the two stages says how",
    "points": "the two stages have no tapping point in common",
    "codec": "one stage was recorded with a lossy codec and the other was not",
    "sample rate": "the two stages were recorded at different sample rates",
    "recorder": "the files of the two stages name different recorders",
    "method": "one stage was measured by an older version of the method, and its recordings are gone",
    "level": "the taps are louder or softer by 5 dB or more: a harder blow, or a nearer phone",
    "concert pitch": "the two stages have different concert pitches",
    "strings": "a string was out of tune by more than `strings_off_cents`; the one furthest off is named",
    "days": "two or more days lie between the stages; by themselves they matter where glue or finish cures",
    "temperature": "the notes give different temperatures. For each degree, an air mode in a rigid box rises by 2.95 "
    "cents at equal moisture of the air, by 3.15 at equal relative humidity; wood falls by 2 at equal moisture",
    "humidity": "the notes give different humidities; within days, wood falls by some 3 cents for each per cent more",
    "string pitch": "the notes give different string pitches; tension changes by 0.116 % a cent",
    "new strings": "the notes speak of new strings, which ring longer and go slack for days",
    "one tap": "one of the stages has a single tap, so how much taps differ is taken from the other stage",
    "reference": "a reference was tapped on the days of both stages; what it moved, by air or phone, is taken off, "
    "and its error is in the intervals. Nothing is taken off an air mode",
    "identity": "the mode may be another than the one that had its name before; so there is no verdict",
}

_REASONS: dict[NoVerdictKind, str] = {
    "points": "no point in common",
    "new": "new here",
    "gone": "no longer heard",
    "unheard": "not heard, may be there",
    "unresolved": "decay not known at both",
    "not at both": "not measured at both",
    "too narrow": "shorter than the band's own decay",
    "empty band": "holds nothing of its own",
    "another string": "another string",
    "identity": "may be a neighbour",
    "strings rang": "strings rang along",
}


def caution_text(caution: Caution) -> str:
    """Return the words of one caution.

    Examples
    --------
    >>> caution_text(Caution("recorder", before=("Pocket A",), after=("Field B",)))
    'recorder Pocket A, then Field B'
    >>> caution_text(Caution("temperature", before_c=20.0, after_c=24.0, air_cents=11.7))
    'temperature 20, then 24 C (an air mode by up to +11.7 cents)'
    >>> caution_text(Caution("strings", before_cents=-14.0))
    'strings -14 cents before'
    """
    match caution.kind:
        case "state" | "codec" | "recorder" | "method":
            return f"{caution.kind} {_named(caution)}"
        case "points":
            return f"points {_named(caution)}" if caution.before else "points: none in common"
        case "sample rate":
            rates_hz = (caution.before_rates_hz, caution.after_rates_hz)
            return f"sample rate {', then '.join(' and '.join(map(str, side)) for side in rates_hz)} Hz"
        case "level":
            louder_db = caution.louder_db or 0.0
            return f"taps {abs(louder_db):.0f} dB {'louder' if louder_db > 0 else 'softer'}"
        case "concert pitch":
            return f"concert pitch {_then(caution.before_hz, caution.after_hz)} Hz"
        case "string pitch":
            tension = "" if caution.tension_pct is None else f" (tension {caution.tension_pct:+.1f} %)"
            return f"string pitch {_then(caution.before_hz, caution.after_hz)} Hz{tension}"
        case "temperature":
            air = "" if caution.air_cents is None else f" (an air mode by up to {caution.air_cents:+.1f} cents)"
            return f"temperature {_then(caution.before_c, caution.after_c)} C{air}"
        case "humidity":
            return f"humidity {_then(caution.before_pct, caution.after_pct)} %"
        case "strings":
            return _strings(caution.before_cents, caution.after_cents)
        case "days":
            return f"{caution.days} days passed"
        case "new strings":
            return "new strings before" if caution.is_before else "new strings"
        case "one tap":
            return "one tap"
        case "reference":
            return _reference(caution)
        case "identity":
            return "may be a neighbour"


def cautions_text(cautions: Iterable[Caution]) -> str:
    """Return the words of several cautions, as in a cell of ``drift.csv``; empty if there is none.

    Examples
    --------
    >>> cautions_text([Caution("days", days=14), Caution("one tap")])
    '14 days passed; one tap'
    """
    return PARTED_BY.join(map(caution_text, cautions))


def unnoted_text(cautions: Iterable[Caution]) -> str:
    """Return what the notes do not say, each with what it would do as it commonly varies; empty if there is none.

    Examples
    --------
    >>> unnoted_text([Caution("temperature", can_cents=8.81), Caution("humidity", can_cents=0.6)])
    'temperature not noted (± 3 °C: up to 8.8 cents); humidity not noted (± 10 %: up to 0.6 cents)'
    """
    common = {"temperature": f"± {COMMON_K:g} °C", "humidity": f"± {COMMON_PCT:g} %"}
    said = (f"{c.kind} not noted ({common.get(c.kind, '')}: up to {c.can_cents or 0.0:.1f} cents)" for c in cautions)
    return PARTED_BY.join(said)


def no_verdict_text(why: NoVerdict | None, *, explained: bool = False) -> str:
    """Return why a decay is not called longer or shorter; ``explained`` says why a single tap or pluck is too few.

    Empty if nothing forbids it.

    Examples
    --------
    >>> no_verdict_text(NoVerdict("one", sound="pluck"), explained=True)
    'one pluck at one of the stages: it takes two to see how much they differ'
    """
    if why is None:
        return ""
    if why.kind == "one":
        more = ": it takes two to see how much they differ" if explained else ""
        return f"one {why.sound} at one of the stages{more}"
    if why.kind == "state":
        return caution_text(why.caution) if why.caution else "another state"
    return _REASONS[why.kind]


def learned_text(history: History, said_already: Collection[CautionKind] = ()) -> list[str]:
    """Return what applies to every comparison in a history, as sentences; empty if nothing is compared.

    What is not in the notes and ``said_already`` beside a move is left out.
    """
    if not history.drifts:
        return []
    said = []
    if history.setups_freq is not None:
        again, typical = history.setups_freq.again, history.setups_freq.typical
        times = f"learned from {count_text(again, 'repeated set-up')}"
        rests = times if again else "assumed, until a stage is set up and recorded again"
        moves = f"A new set-up moves a mode by about {typical:.1f} c ({rests})"
        said.append(f"{moves}; intervals and verdicts allow for it.")
    if missing := [kind for kind in never_noted(history.stages) if kind not in said_already]:
        said.append(f"Not in the notes, so it cannot be checked: {joined_text(missing)}.")
    return said


def _named(caution: Caution) -> str:
    before, after = (" and ".join(name or NOT_GIVEN for name in side) for side in (caution.before, caution.after))
    return f"{before}, then {after}"


def _then(before: float | None, after: float | None) -> str:
    return ", then ".join("unknown" if value is None else f"{value:g}" for value in (before, after))


def _reference(caution: Caution) -> str:
    moved = caution.moved_cents or 0.0
    names, few = " and ".join(caution.before), len(caution.before) == 1
    did = "did not move" if abs(moved) < 0.05 else f"{'rose' if moved > 0 else 'fell'} {abs(moved):.1f} c"
    when = "between the same days" if caution.days else "on the same day"
    said = f"the reference{'' if few else 's'} {names} {did} (± {caution.half_cents or 0.0:.1f} c) {when}"
    return f"{said}, {'not taken off an air mode' if caution.is_air else 'taken off'}"


def _strings(before_cents: float | None, after_cents: float | None) -> str:
    if after_cents is None:
        return f"strings {before_cents:+.0f} cents before"
    return f"strings {after_cents:+.0f} cents" + ("" if before_cents is None else f" ({before_cents:+.0f} before)")
