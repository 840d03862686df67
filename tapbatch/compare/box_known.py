"""Which box an instrument is: its openings, readings and covered taps, gathered for :mod:`tapbatch.box`.

Conventions: nothing is guessed. The lower resonance is the one mode of the part that the maker labelled as ``air``;
the higher ones are the two lowest that are labelled as ``plate`` and lie above it. If they change places at some
stage, or several modes are of kind ``air``, nothing is told, and :class:`NoBox` says why.

- A stage counts if the part was held as at the latest one (``closed``, or nothing said) and if its opening is known:
  from its notes, or from the settings if no stage has sizes in its notes. Sizes in the notes are those of the first
  ``[[opening]]``; an area alone keeps the shape of the settings.
- A reading with a flag that spoils it is left out. Its error is that of a new set-up, where that is known.
- A temperature that was not noted is taken to be 20 degrees, give or take 2, and one that was noted is taken to be
  right to half a degree; sizes to 0.2 mm, areas to 1 %.
- Something besides the opening was worked on where the notes name work at a stage whose opening is that of the stage
  before, and where they say that grams were taken off or something was thinned.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from tapbatch.box.air import speed_of_sound_m_s
from tapbatch.box.course import BoxReading
from tapbatch.box.fit import VOLUME_ERROR, fit_box
from tapbatch.box.growth import Hole
from tapbatch.box.known import ROOM_C, ROOM_PCT, KnownBox
from tapbatch.box.model import BoxModel
from tapbatch.compare.step_limits import SPOILING_FLAGS
from tapbatch.model.history import Note, Stage, StageMode
from tapbatch.model.names import identity
from tapbatch.model.opening import WhyNoBox
from tapbatch.model.pitch import CENTS
from tapbatch.model.settings import InstrumentSettings, ModeSetting, OpeningSetting

BOX = "body"
"""The part that is a box."""

HELD = ("closed", "")
"""How a box is held whose opening is told of; under string tension nothing is learned."""

_SIZE_MM, _AREA = 0.2, 0.01
_KNOWN_K, _UNKNOWN_K = 0.5, 2.0
_CENTS_A_KELVIN = 3.15
_SEVERAL_ERROR = 0.09
"""Of the air alone, from a volume and several openings, which hinder one another to a degree that is not known."""
_COVER_CENTS = 5.0
"""What a cover that is not quite stiff, nor quite light, does to the top: 0.3 per cent."""
_UNKNOWN_CENTS = 5.0
_SAME = 1e-4
_MOST_PLATES = 2


@dataclass(frozen=True, slots=True)
class NoBox:
    """Why nothing is told of a box."""

    why: WhyNoBox


def box_known(
    stages: Sequence[Stage], settings: InstrumentSettings, covered: Sequence[Stage] = ()
) -> KnownBox | NoBox:
    """Return what is known of the box of a part, or why nothing is.

    Parameters
    ----------
    stages
        The stages of one part, in order.
    settings
        Those of the instrument: ``[[opening]]``, ``box_volume_l`` and the labels of its modes.
    covered
        The stages of that part that were tapped with the opening shut.

    Examples
    --------
    >>> box_known((), InstrumentSettings())
    NoBox(why='opening')
    """
    heard = [s for s in stages if s.modes]
    if not settings.opening or not heard:
        return NoBox("opening")
    latest = heard[-1]
    names = _resonances(latest, settings)
    if names is None:
        return NoBox("air")
    if latest.state not in HELD:
        return NoBox("held")
    alike = [s for s in heard if s.state == latest.state]
    sized = [(s, hole) for s in alike if (hole := hole_at(s, alike, settings)) is not None]
    if not sized or sized[-1][0] is not latest:
        return NoBox("sizes")
    found = _readings(sized, covered, names, settings)
    if found is None:
        return NoBox("order")
    model = None
    if settings.box_volume_l is not None or _says_enough(found):
        several = len(settings.opening) > 1 or settings.opening[0].count > 1
        error = _SEVERAL_ERROR if several else VOLUME_ERROR
        model = _fitted(tuple(found), settings.box_volume_l, error)
    if model is None:
        return NoBox("little")
    holes = [hole for _, hole in sized]
    now = holes[-1].growing_from(holes[0]) if len(holes) > 1 else holes[-1]
    warmth, damp = _room(latest.note)
    return KnownBox(
        model=model,
        hole=now,
        beside=tuple(map(_hole_of, settings.opening[1:])),
        modes=names,
        temperature_c=warmth,
        humidity_pct=damp,
        areas_mm2=tuple(hole.area_mm2 for hole in holes),
        covered_taps=sum(s.taps_used for s in covered),
        volume_l=settings.box_volume_l,
    )


@lru_cache(maxsize=64)
def _fitted(readings: tuple[BoxReading, ...], volume_l: float | None, error: float) -> BoxModel | None:
    # The stages of the past do not change, so a watch that goes on has them in the cache.
    return fit_box(readings, volume_l, error)


def _says_enough(readings: Sequence[BoxReading]) -> bool:
    areas = {round(r.area_mm2, 3) for r in readings if not r.covered and r.hz[0]}
    return len(areas) > 1 or any(r.covered for r in readings)


# ---------------------------------------------------------------- modes


def _resonances(latest: Stage, settings: InstrumentSettings) -> tuple[str, ...] | None:
    """Return the labels of the air mode and of up to two plate modes above it; ``None`` where the air is not told."""
    own = [m for m in settings.mode if identity(m.part) == latest.part]
    airs = [m for m in own if m.kind == "air"]
    if len(airs) != 1 or _mode(latest, airs[0].label) is None:
        return None

    def height(mode: ModeSetting) -> float:
        heard = _mode(latest, mode.label)
        return heard.freq_hz if heard else mode.near_hz

    plates = sorted((m for m in own if m.kind == "plate" and height(m) > height(airs[0])), key=height)
    return airs[0].label, *(m.label for m in plates[:_MOST_PLATES])


def _mode(stage: Stage, label: str) -> StageMode | None:
    found = next((m for m in stage.modes if m.mode == label), None)
    return None if found is None or set(found.flags) & set(SPOILING_FLAGS) else found


def _error(mode: StageMode) -> float:
    half = mode.half_cents if mode.half_anew_cents is None else mode.half_anew_cents
    cents = half / 1.96 if math.isfinite(half) and half > 0 else _UNKNOWN_CENTS
    return cents / CENTS


# -------------------------------------------------------------- readings


def _readings(
    sized: Sequence[tuple[Stage, Hole]], covered: Sequence[Stage], names: Sequence[str], settings: InstrumentSettings
) -> list[BoxReading] | None:
    """Return the readings in their order, each covered tap behind its stage; ``None`` if modes change places."""
    beside = sum(_hole_of(one).conductance_mm for one in settings.opening[1:])
    found: list[BoxReading] = []
    before: Hole | None = None
    for n, (stage, hole) in enumerate(sized):
        hz, errors = _heard(stage, names)
        if [one for one in hz if one] != sorted(one for one in hz if one):
            return None
        if any(hz):
            found.append(_reading(stage, hole, beside, hz, errors, other_work=_other_work(stage, hole, before)))
        following = sized[n + 1][0].order if n + 1 < len(sized) else math.inf
        for shut in (s for s in covered if stage.order <= s.order < following):
            hz, errors = _heard(shut, names)
            hz, errors = (None, *hz[1:]), tuple(math.hypot(e, _COVER_CENTS / CENTS) for e in errors)
            if any(hz):
                found.append(_reading(shut, hole, beside, hz, errors, covered=True))
        before = hole
    return found


def _heard(stage: Stage, names: Sequence[str]) -> tuple[tuple[float | None, ...], tuple[float, ...]]:
    modes = [_mode(stage, name) for name in names]
    return tuple(m.freq_hz if m else None for m in modes), tuple(_error(m) if m else 1.0 for m in modes)


def _reading(
    stage: Stage,
    hole: Hole,
    beside: float,
    hz: tuple[float | None, ...],
    errors: tuple[float, ...],
    *,
    covered: bool = False,
    other_work: bool = False,
) -> BoxReading:
    warmth, damp = _room(stage.note)
    kelvin = _KNOWN_K if stage.note and stage.note.temperature_c is not None else _UNKNOWN_K
    return BoxReading(
        conductance_mm=hole.conductance_mm + beside,
        area_mm2=hole.area_mm2,
        hz=hz,
        errors=errors,
        speed_m_s=speed_of_sound_m_s(warmth, damp),
        air_error=math.hypot(kelvin * _CENTS_A_KELVIN / CENTS, _size_error(stage.note, hole, beside)),
        covered=covered,
        other_work=other_work,
    )


def _room(note: Note | None) -> tuple[float, float]:
    warmth = note.temperature_c if note else None
    damp = note.humidity_pct if note else None
    return ROOM_C if warmth is None else warmth, ROOM_PCT if damp is None else damp


def _size_error(note: Note | None, hole: Hole, beside: float) -> float:
    """Return the standard error of the air alone from sizes that are measured with a rule or callipers."""
    larger = (hole.area_mm2 * (1.0 + _AREA)) if note and note.opening_length_mm is None else None
    if larger is None:
        width = hole.width_mm if hole.shape != "round" else hole.length_mm
        larger = hole.area_mm2 * (1.0 + _SIZE_MM / hole.length_mm) * (1.0 + _SIZE_MM / width)
    changed = hole.of_area(larger).conductance_mm + beside
    return 0.5 * math.log(changed / (hole.conductance_mm + beside))


def _other_work(stage: Stage, hole: Hole, before: Hole | None) -> bool:
    if before is None:
        return False
    note = stage.note
    if note is not None and (note.removed_g or "thin" in note.work.casefold()):
        return True
    return abs(math.log(hole.area_mm2 / before.area_mm2)) < _SAME and note is not None and bool(note.work)


# -------------------------------------------------------------- openings


def hole_at(stage: Stage, stages: Sequence[Stage], settings: InstrumentSettings) -> Hole | None:
    """Return the opening that is worked on as it was at a stage; ``None`` where it is not known.

    ``stages`` are those that count: where none of them has sizes in its notes, those of the settings hold for all.
    """
    setting = settings.opening[0]
    note = stage.note
    if note is not None and _is_sized(note):
        return _noted(note, setting)
    if any(s.note is not None and _is_sized(s.note) for s in stages):
        return None
    return _hole_of(setting)


def _is_sized(note: Note) -> bool:
    return note.opening_length_mm is not None or bool(note.opening_mm2)


def _hole_of(setting: OpeningSetting) -> Hole:
    return Hole(setting.shape, setting.length_mm, setting.width_mm or 0.0, setting.edge_mm, setting.count)


def _noted(note: Note, setting: OpeningSetting) -> Hole | None:
    of_settings = _hole_of(setting)
    edge = setting.edge_mm if note.opening_edge_mm is None else note.opening_edge_mm
    length, width = note.opening_length_mm, note.opening_width_mm
    if length is None:
        grown = of_settings.of_area(note.opening_mm2 or of_settings.area_mm2)
        length, width = grown.length_mm, grown.width_mm
    if setting.shape != "round" and not width:
        width = of_settings.width_mm if note.opening_mm2 is None else note.opening_mm2 / _area_a_mm(setting, length)
    return Hole(setting.shape, length, width if width and setting.shape != "round" else 0.0, edge, setting.count)


def _area_a_mm(setting: OpeningSetting, length_mm: float) -> float:
    """Return the area that each millimetre of width gives."""
    return Hole(setting.shape, length_mm, 1.0, count=setting.count).area_mm2
