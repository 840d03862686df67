"""The words of a blank: its figures, why there are none, what else to record, and what its flags mean.

Conventions: what the caliper hardly touches comes first (what the wood radiates, and stiffness for this board at this
thickness), then density, speed of sound and Young's modulus. Intervals are 95 % intervals, in per cent. Nothing here
says what is good.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tapbatch.model.forecast import ForecastCame
from tapbatch.model.reading import Aim
from tapbatch.model.wood import Figure, NamedMode, Size, Stop, WoodFigures
from tapbatch.show.say.figures import chance_text, value_and_half_width
from tapbatch.wood.pairs import Apart

FLAGS: dict[str, str] = {
    "open": "the modes could be named in another way that fits nearly as well: figures on which the two differ are "
    "left out",
    "caliper": "one thickness only: measure it in five places, and the intervals of density and E become narrower",
    "misfit": "the modes scatter more than those of an even board, so the intervals are wider",
}
"""What a flag of a blank means."""

_SIZES: dict[Size, str] = {
    "length_mm": "length_mm (along the grain)",
    "width_mm": "width_mm",
    "thickness_mm": "thickness_mm",
    "mass_g": "mass_g",
}
_AIMS: dict[Aim, str] = {
    "along": "along: hold it at two points 22 % of the length from the ends, tap the middle of an end",
    "across": "across: hold it at two points 22 % of the width from the long edges, tap the middle of a long edge",
    "twist": "twist: hold it at the middle, tap a corner",
}
_REFUSED = {
    "uneven": "its thicknesses differ by {0:.0f} % of their mean: a wedged or arched board has no one thickness",
    "thin": "it is thinner than a two-thousandth of its longer side: check its sizes",
    "density": "its sizes and mass give {0:.0f} kg/m3, which no wood has: check them",
    "few modes": "too few of its modes were heard to tell anything",
    "grain": "the modes say that the grain runs along the width: length_mm is along the grain",
    "misfit": "its modes are not those of a flat, even board ({0:.1f} times the usual scatter): is it bowed, "
    "cracked, or held where it swings?",
}


def why_no_figures(wood: WoodFigures) -> str:
    """Return why there are no figures of a blank; empty where there are.

    Examples
    --------
    >>> why_no_figures(WoodFigures(shape="plate", refused="size", missing=("mass_g",)))
    'not noted in notes.csv for this stage: mass_g'
    """
    if not wood.refused:
        return ""
    if wood.refused == "size":
        return f"not noted in notes.csv for this stage: {', '.join(_SIZES[size] for size in wood.missing)}"
    return _REFUSED[wood.refused].format(wood.detail)


def figure_text(figure: Figure | None, unit: str, *, factor: float = 1.0) -> str:
    """Return a figure with its unit and interval; empty if it is not known.

    Examples
    --------
    >>> figure_text(Figure(12.36, 12.18, 12.55), "m4/(kg s)"), figure_text(Figure(0.0072, 0.0054, 0.0095), "")
    ('12.36 m4/(kg s) ± 1.5 %', '0.0072 ± 28 %')
    """
    if figure is None:
        return ""
    value = value_and_half_width(factor * figure.value, factor * (figure.high - figure.low) / 2.0)[0]
    pct = f"{figure.half_pct:.0f}" if figure.half_pct >= 9.5 else f"{figure.half_pct:.1f}"
    return f"{value}{f' {unit}' if unit else ''} ± {pct} %"


def wood_lines(wood: WoodFigures, *, full: bool = True) -> Iterator[str]:
    """Yield what is told of a blank, line by line: what depends least on the caliper first.

    Unless ``full``, the first figures, where to stop, and what to record.
    """
    why = why_no_figures(wood)
    if why:
        yield f"no figures of the wood: {why}"
    else:
        yield from _told(wood) if full else _first(wood)
    yield from map(stop_text, wood.stops)
    for aim in wood.to_record:
        yield f"to tell more, record {_AIMS[aim]}"


def stop_text(stop: Stop) -> str:
    """Return where to stop planing for a target, told from the thick end.

    Examples
    --------
    >>> planed = {"stop_mm": 3.32, "likely_mm": 3.25, "thinnest_mm": 3.19, "past": 0.025}
    >>> stop_text(Stop(aim="along", wanted="on A1", unit="Hz", target=55.0, now=69.7, **planed))[33:]
    'stop at 3.32 mm and tap; it may need 3.25, at the thinnest 3.19 (2.5 % chance to be past it at 3.32 mm)'
    """
    whose, where, far, beyond = stop_parts(stop)
    return f"{whose}{f' ({where})' if where else ''}: {far}{f'; {beyond}' if beyond else ''}"


def stop_parts(stop: Stop) -> tuple[str, str, str, str]:
    """Return a stop in parts: its target, where that lies and the board is now, how far to plane, and what beyond.

    Parts that are not known are empty.

    Examples
    --------
    >>> planed = {"stop_mm": 3.32, "likely_mm": 3.25, "thinnest_mm": 3.19, "past": 0.025}
    >>> parts = stop_parts(Stop(aim="along", wanted="on A1", unit="Hz", target=55.0, now=69.7, **planed))
    >>> parts[:3]
    ('along on A1', '55.0 Hz, now 69.7', 'stop at 3.32 mm and tap')
    >>> parts[3]
    'it may need 3.25, at the thinnest 3.19 (2.5 % chance to be past it at 3.32 mm)'
    """
    whose = f"{stop.aim} {stop.wanted}"
    if stop.target is None:
        return whose, "", "the stiffness of that board is not known", ""
    where = f"{stop.target:.1f} {stop.unit}, now {stop.now:.1f}"
    if stop.stop_mm is None or stop.likely_mm is None or stop.thinnest_mm is None:
        past = stop.target >= stop.now
        why = "it is there or past it" if past else "it would need less than half the thickness"
        return whose, where, f"no planing leads there, {why}", ""
    chance = "" if stop.past is None else f" ({_past_text(stop.past)} chance to be past it at {stop.stop_mm:.2f} mm)"
    beyond = f"it may need {stop.likely_mm:.2f}, at the thinnest {stop.thinnest_mm:.2f}{chance}"
    return whose, where, f"stop at {stop.stop_mm:.2f} mm and tap", beyond


_WHOLE_FROM = 0.095


def _past_text(past: float) -> str:
    """Return a chance in per cent, to a tenth where it is small."""
    return f"{100.0 * past:.1f} %" if past < _WHOLE_FROM else chance_text(past)


def figure_rows(wood: WoodFigures) -> tuple[tuple[str, str], ...]:
    """Return the figures of a blank by name, empty where one is not told; a strip has none across."""
    rows = (
        ("radiates (c/rho)", figure_text(wood.radiation_m4_kg_s, "m4/(kg s)")),
        ("stiffness per width along", figure_text(wood.stiffness_along_n_m, "N m")),
        ("stiffness per width across", figure_text(wood.stiffness_across_n_m, "N m")),
        ("density", figure_text(wood.density_kg_m3, "kg/m3")),
        ("speed of sound along", figure_text(wood.speed_along_m_s, "m/s")),
        ("E along", figure_text(wood.e_along_gpa, "GPa")),
        ("E across", figure_text(wood.e_across_gpa, "GPa")),
        ("G", figure_text(wood.g_gpa, "GPa")),
        ("loss along", figure_text(wood.loss_along, "")),
        ("loss across", figure_text(wood.loss_across, "")),
        ("loss in twist", figure_text(wood.loss_twist, "")),
    )
    return tuple((name, text) for name, text in rows if wood.shape == "plate" or "across" not in name)


_FIRST_ROWS = 6


def _first(wood: WoodFigures) -> Iterator[str]:
    rows = [f"{name}: {text}" for name, text in figure_rows(wood) if text]
    yield from rows[:_FIRST_ROWS]
    doubts = [flag for flag in wood.flags if flag != "caliper"]
    if doubts or len(rows) > _FIRST_ROWS:
        yield f"{', '.join((*doubts, 'more'))}: --full, and wood.csv"


def _told(wood: WoodFigures) -> Iterator[str]:
    rows = figure_rows(wood)
    yield from (f"{name}: {text}" for name, text in rows if text)
    unknown = [name for name, text in rows if not text]
    if unknown:
        yield f"not told by these modes: {', '.join(unknown)}"
    for flag in wood.flags:
        yield f"{flag}: {FLAGS[flag]}"
    yield f"modes used: {', '.join(f'{m.freq_hz:.1f} Hz {mode_text(m)}' for m in wood.modes)}"


def said_text(row: ForecastCame) -> str:
    """Return what was said of a planing, in cents.

    Examples
    --------
    >>> said_text(_ROW), came_text(_ROW)
    ('-171 (-206 to -137)', '-150')
    """
    return f"{row.step_cents:+.0f} ({row.step_low_cents:+.0f} to {row.step_high_cents:+.0f})"


def came_text(row: ForecastCame) -> str:
    """Return what came of a planing, in cents."""
    return f"{row.came_cents:+.0f}"


def planed_text(rows: Sequence[ForecastCame]) -> str:
    """Return how the forecasts of one planing came out; empty without any.

    Examples
    --------
    >>> planed_text([_ROW])
    'planed from 4.62 to 4.19 mm, cents: along -150, forecast -171 (-206 to -137)'
    """
    if not rows:
        return ""
    each = []
    for row in rows:
        held = "" if row.came_within else "not as "
        each.append(f"{row.mode} {came_text(row)}, {held}forecast {said_text(row)}")
    return f"planed {rows[0].basis}, cents: {'; '.join(each)}"


def explained_text(rows: Sequence[ForecastCame]) -> str:
    """Return that all modes of a board moved as one planing was forecast to move them.

    Examples
    --------
    >>> explained_text([_ROW])
    'as forecast of planing from 4.62 to 4.19 mm'
    """
    return f"as forecast of planing {rows[0].basis}"


_ROW = ForecastCame(
    part="blank", mode="along", stage="02-planed", work="planing", step_cents=-171.2, step_low_cents=-205.9,
    step_high_cents=-136.6, overshoot=0.0, came_cents=-150.1, came_over=False, basis="from 4.62 to 4.19 mm",
)  # fmt: skip


def apart_text(apart: Apart | None) -> str:
    """Return by how much two boards differ, with half the 95 % interval, and in brackets how many of those it is.

    Examples
    --------
    >>> apart_text(Apart(-4.24, 6.3)), apart_text(None)
    ('-4.2 % ± 6.3 (0.7)', '')
    """
    return "" if apart is None else f"{apart.pct:+z.1f} % ± {apart.half_pct:.1f} ({apart.intervals:.1f})"


def record_text(aim: Aim) -> str:
    """Return which word to record, how to hold the board and where to tap."""
    return _AIMS[aim]


def mode_shown(mode: str, aim: str | None) -> str:
    """Return the name of a mode with what it is on a board; ``aim`` is empty or ``None`` for all other modes.

    Examples
    --------
    >>> mode_shown("r2", "along"), mode_shown("r3", None)
    ('along (r2)', 'r3')
    """
    return f"{aim} ({mode})" if aim else mode


def mode_text(mode: NamedMode) -> str:
    """Return what a mode of a board is: its word, if it has one, and its nodal lines across length and width.

    Examples
    --------
    >>> mode_text(NamedMode(mode="r2", freq_hz=69.7, name=(2, 0)))
    'along (2,0)'
    >>> mode_text(NamedMode(mode="r3", freq_hz=120.1, name=(2, 1)))
    '(2,1)'
    """
    return f"{mode.aim or ''} ({mode.name[0]},{mode.name[1]})".lstrip()
