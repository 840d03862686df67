"""The wood of a blank at each of its stages, from its modes and what the notes say of its sizes.

Conventions: a *blank* is a stage of the part ``blank``. Thickness and mass must be noted for the stage itself, as
both change when wood comes off; length and width may come from the nearest stage before it that notes them. Modes
that strings make do not count. Of tones near the mains, where the twist of half a top may lie, only those count that
die away as wood does. Where the name of a recording says what its taps aim at, that is the mode with the most energy
in them. A reference is no blank: it is tapped for the air's sake.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import replace
from statistics import fmean
from types import MappingProxyType

from tapbatch.box.air import ZERO_CELSIUS_K
from tapbatch.model.history import Heard, History, Stage, StageMode
from tapbatch.model.names import identity
from tapbatch.model.pitch import note_to_hz
from tapbatch.model.reading import Aim
from tapbatch.model.settings import InstrumentSettings
from tapbatch.model.wood import Figure, Stop, WoodFigures
from tapbatch.wood.board import AIR_KG_M3
from tapbatch.wood.figures import Sizes, wood_figures
from tapbatch.wood.fit import Z_95, Tone
from tapbatch.wood.loss import LOSS_OF_T60
from tapbatch.wood.thickness import stop_as_stiff, stop_for

BLANK = "blank"
_NO_OTHERS: Mapping[str, WoodFigures] = MappingProxyType({})
_NO_DECAY = frozenset({"unresolved", "not-exponential", "pair?"})
_LEAST_SD, _USUAL_SD = 3e-4, 2e-3  # of ln f: what a set-up moves at least, and where no interval is known
_USUAL_LOSS_SD = 0.1
_LEAST_LOSS = 0.003  # no wood loses less along the grain (spruce .005, other species more)
_SURE_DECAY = 0.2  # error of ln T60 in one tap, beyond which it says nothing of the wood
_AIR_AT_C = 20.0


def with_wood(
    history: History, settings: InstrumentSettings, others: Mapping[str, WoodFigures] = _NO_OTHERS
) -> History:
    """Return a history whose stages of a blank have what their taps tell of the wood.

    ``others`` are the boards that a target may be as stiff as, by identity.
    """
    if settings.reference or all(stage.part != BLANK for stage in history.stages):
        return history
    stages = stages_with_wood(history)
    # Targets are for the board as it is now.
    latest = next((s for s in reversed(stages) if s.wood is not None), None)
    if latest is not None and latest.wood is not None:
        wood = replace(latest.wood, stops=stops_of(latest.wood, settings, latest.concert_pitch_hz, others))
        stages[stages.index(latest)] = replace(latest, wood=wood)
    return replace(history, stages=tuple(stages))


def stages_with_wood(history: History) -> list[Stage]:
    """Return the stages of a history, those of a blank with what their taps tell of the wood."""
    stages: list[Stage] = []
    for stage in history.stages:
        sizes = sizes_of(stage, [s for s in stages if s.part == BLANK])
        told = stage.part == BLANK and stage.modes
        stages.append(replace(stage, wood=wood_of_stage(stage, sizes)) if told else stage)
    return stages


def stops_of(
    wood: WoodFigures,
    settings: InstrumentSettings,
    concert_pitch_hz: float,
    others: Mapping[str, WoodFigures] = _NO_OTHERS,
) -> tuple[Stop, ...]:
    """Return where to stop planing for each target of a blank that its modes can tell.

    ``others`` are the boards that a target may be as stiff as, by identity.
    """
    stops = []
    for target in settings.target:
        aim = settings.aim_of(target)
        wanted_hz = target.hz
        if target.note is not None:
            wanted_hz = note_to_hz(target.note, concert_pitch_hz, settings.spelling)
        if aim is not None and wanted_hz is not None:
            stops.append(stop_for(wood, aim, wanted_hz, f"on {target.note or f'{wanted_hz:g} Hz'}"))
        elif aim is not None and target.stiff_as is not None:
            other = others.get(identity(target.stiff_as))
            name = "stiffness_across_n_m" if aim == "across" else "stiffness_along_n_m"
            stiff: Figure | None = getattr(other, name, None)
            stops.append(stop_as_stiff(wood, aim, stiff, f"as stiff as {target.stiff_as}"))
    return tuple(stop for stop in stops if stop is not None)


def boards_of(settings: InstrumentSettings) -> set[str]:
    """Return the boards that the targets of a blank are to be as stiff as."""
    return {identity(target.stiff_as) for target in settings.target if target.stiff_as}


def wood_now(history: History) -> WoodFigures | None:
    """Return what the latest stage of a blank tells, or ``None`` if the instrument has no blank."""
    return next((stage.wood for stage in reversed(history.stages) if stage.wood is not None), None)


def without_boards(settings: InstrumentSettings) -> InstrumentSettings:
    """Return settings without the targets of a blank, which no labelled mode can reach."""
    others = tuple(target for target in settings.target if settings.aim_of(target) is None)
    return settings if len(others) == len(settings.target) else settings.model_copy(update={"target": others})


def sizes_of(stage: Stage, before: Iterable[Stage] = ()) -> Sizes:
    """Return what the notes say of the sizes of a blank at a stage; ``before`` are its earlier stages, in order."""
    note = stage.note
    notes = [n for n in (note, *(s.note for s in reversed(list(before)))) if n is not None]
    own = note is not None and note.stage == stage.stage
    return Sizes(
        length_mm=next((n.length_mm for n in notes if n.length_mm), None),
        width_mm=next((n.width_mm for n in notes if n.width_mm), None),
        thickness_mm=note.thickness_mm if note is not None and own else (),
        mass_g=note.mass_g if note is not None and own else None,
    )


def wood_of_stage(stage: Stage, sizes: Sizes) -> WoodFigures:
    """Return what the modes of a stage tell of a blank of these sizes."""
    celsius = stage.note.temperature_c if stage.note is not None else None
    warm = _AIR_AT_C if celsius is None else celsius
    decays = longest_decays(stage.tapped)
    body = [m for m in stage.modes if "string" not in m.flags and ("hum" not in m.flags or _decays(m, decays))]
    tones = [(m.mode, tone_of(m, decays.get(m.mode))) for m in body]
    freq_of = {name: tone.freq_hz for name, tone in tones}
    aimed = {aim: freq_of[name] for aim, name in aimed_modes(stage.tapped).items() if name in freq_of}
    air_kg_m3 = AIR_KG_M3 * (ZERO_CELSIUS_K + _AIR_AT_C) / (ZERO_CELSIUS_K + warm)
    return wood_figures(sizes, tones, aimed, air_kg_m3=air_kg_m3)


def _decays(mode: StageMode, decays: Mapping[str, tuple[float, float]]) -> bool:
    """Return whether a mode near the mains dies away as wood does; hum does not."""
    return mode.mode in decays and LOSS_OF_T60 / (mode.freq_hz * decays[mode.mode][0]) > _LEAST_LOSS


def tone_of(mode: StageMode, decay: tuple[float, float] | None) -> Tone:
    """Return a mode of a stage as the fit takes it; ``decay`` is its T60 and the error of its logarithm."""
    low_hz, high_hz = mode.freq_anew_low_hz or mode.freq_low_hz, mode.freq_anew_high_hz or mode.freq_high_hz
    loss = None
    if decay is not None and not _NO_DECAY.intersection(mode.flags):
        loss = LOSS_OF_T60 / (mode.freq_hz * decay[0])
    return Tone(
        freq_hz=mode.freq_hz,
        log_sd=max(_log_sd(low_hz, high_hz, _USUAL_SD), _LEAST_SD),
        loss=loss,
        loss_log_sd=_USUAL_LOSS_SD if decay is None else decay[1],
    )


def longest_decays(tapped: Iterable[Heard]) -> dict[str, tuple[float, float]]:
    """Return, by mode, the T60 in the recording where it rings longest, and the error of its logarithm.

    Fingers take energy from every mode that swings where they hold. So the recording that held a board at the nodal
    lines of a mode says most of the wood; the others only say more than the wood loses.
    """
    found: dict[str, tuple[float, float]] = {}
    for heard in tapped:
        logs: dict[str, list[float]] = defaultdict(list)
        for tap, names in zip(heard.reading.used_taps, heard.mode_names, strict=False):
            for mode, name in zip(tap.modes, names, strict=True):
                if name and mode.resolved and mode.t60_log_se < _SURE_DECAY:
                    logs[name].append(math.log(mode.t60_s))
        for name, of_mode in logs.items():
            mean = fmean(of_mode)
            spread = math.sqrt(fmean((x - mean) ** 2 for x in of_mode) + _USUAL_LOSS_SD**2) / math.sqrt(len(of_mode))
            if name not in found or math.exp(mean) > found[name][0]:
                found[name] = math.exp(mean), spread
    return found


def _log_sd(low: float | None, high: float | None, usual: float) -> float:
    if low is None or high is None or not 0 < low < high < math.inf:
        return usual
    return math.log(high / low) / (2.0 * Z_95)


def aimed_modes(tapped: Iterable[Heard]) -> dict[Aim, str]:
    """Return the mode that the taps of each word excite most; a mode that two words claim is left out."""
    energies: dict[Aim, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for heard in tapped:
        if not heard.recording.aim:
            continue
        of_aim = energies[heard.recording.aim]
        for tap, names in zip(heard.reading.used_taps, heard.mode_names, strict=False):
            for mode, name in zip(tap.modes, names, strict=True):
                if name:
                    of_aim[name].append(mode.energy_db)
    # A mode that one tap alone shows strongly is not what the others aimed at.
    most = {aim: max(map(len, of.values())) for aim, of in energies.items() if of}
    found = {
        aim: max((n for n, e in energies[aim].items() if 2 * len(e) >= times), key=lambda n: fmean(energies[aim][n]))
        for aim, times in most.items()
    }
    claims = Counter(found.values())
    return {aim: name for aim, name in found.items() if claims[name] == 1}
