"""Histories made by hand, from numbers that are known because they were chosen here: no measuring is involved."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from tapbatch.model.caution import Caution
from tapbatch.model.history import Heard, History, Note, OpenString, Stage, StageDecay, StageMode
from tapbatch.model.notice import Notice
from tapbatch.model.pitch import hz_to_note
from tapbatch.model.reading import DecayTrace, Mode, Reading, Recording, Spectrum, Tap, TapReading
from tests.show import board
from tests.show.made import drifts_of, forecasts_made, kin_made, landings_of
from tests.show.slides import slide_of_air

Plan = dict[str, tuple[float, float, float]]  # mode -> Hz, T60 in s, dB below the lead


def stage_mode(
    mode: str,
    freq_hz: float,
    t60_s: float = 0.35,
    level_db: float = 0.0,
    *,
    lead: bool = False,
    half_cents: float = 0.4,
    t60_pct: float = 4.0,
    taps: int = 5,
    flags: tuple[str, ...] = (),
    concert_pitch_hz: float = 440.0,
) -> StageMode:
    """A mode with intervals of the width asked for."""
    note, cents = hz_to_note(freq_hz, concert_pitch_hz)
    factor, spread = 2.0 ** (half_cents / 1200.0), 1.0 + t60_pct / 100.0
    return StageMode(
        mode=mode,
        lead=lead,
        freq_hz=freq_hz,
        freq_low_hz=freq_hz / factor,
        freq_high_hz=freq_hz * factor,
        note=note,
        cents=cents,
        t60_s=t60_s,
        t60_low_s=t60_s / spread,
        t60_high_s=t60_s * spread,
        level_db=level_db,
        taps=taps,
        within_cents=half_cents / 5,
        between_cents=half_cents / 2,
        flags=flags,
    )


def spectrum_of(modes: Sequence[StageMode]) -> Spectrum:
    """The lines of the modes over a floor that falls with frequency."""
    freq = np.geomspace(50.0, 1500.0, 900)
    power = np.zeros_like(freq)
    for mode in modes:
        delta = math.log(1000.0) / mode.t60_s
        power += 10 ** (mode.level_db / 10) / (1 + ((freq - mode.freq_hz) * 2 * math.pi / delta) ** 2)
    floor_db = -48.0 - 6.0 * np.log2(freq / 50.0)
    level = 10 * np.log10(power + 10 ** (floor_db / 10))
    return Spectrum(freq_hz=tuple(freq), level_db=tuple(level - level.max()), noise_db=tuple(floor_db - level.max()))


def trace_of(t60_s: float) -> DecayTrace:
    """A decay that meets its floor, from a touch at zero."""
    time = np.linspace(-0.02, 1.2, 300)
    fit = np.where(time > 0.003, -60.0 * time / t60_s, np.nan)
    ripple = 1.5 * np.sin(60 * time)
    level = 10 * np.log10(10 ** (np.where(time > 0, -60.0 * time / t60_s + ripple, -99) / 10) + 10**-5.2)
    return DecayTrace(time_s=tuple(time), level_db=tuple(level), fit_db=tuple(fit), floor_db=-52.0, tap=2)


def heard_of(stage: str, part: str, state: str, modes: Sequence[StageMode], taps: int, **recording: object) -> Heard:
    """One recording of some taps, each of which shows every mode, and a knock that is turned down."""
    names = tuple(m.mode for m in modes)
    in_tap = tuple(
        Mode(
            freq_hz=m.freq_hz,
            freq_se_hz=0.01,
            t60_s=m.t60_s,
            t60_log_se=0.02,
            freq_t60_corr=0.0,
            amplitude=0.1,
            phase_rad=0.0,
            energy_db=m.level_db - 20.0,
        )
        for m in modes
    )
    read = [TapReading(tap=_tap(n, True), modes=in_tap) for n in range(1, taps + 1)]
    read.append(TapReading(tap=_tap(taps + 1, False)))
    missing = bool(recording.pop("missing", False))
    notices = recording.pop("notices", ())
    path = recording.pop("path", f"Cittern-07/{stage}/{part} {state}/take 1.wav")
    reading = Reading(
        sha256=f"{abs(hash_text(str(path))):064x}",
        method="m1",
        duration_s=12.5,
        sample_rate_hz=48000,
        recorded_at="2031-03-04T10:20:30",
        lossy=False,
        notices=notices,  # type: ignore[arg-type]
        taps=tuple(read),
        spectrum=spectrum_of(modes) if modes else None,
        trace=trace_of(max((m.t60_s for m in modes), default=0.3)) if modes else None,
    )
    said = Recording(
        path=str(path),
        sha256=reading.sha256,
        instrument="cittern-07",
        instrument_shown="Cittern-07",
        stage=stage.lower(),
        stage_shown=stage,
        part=part,
        state=state,
        **recording,  # type: ignore[arg-type]
    )
    return Heard(recording=said, reading=reading, part=part, state=state, missing=missing, mode_names=(names,) * taps)


def hash_text(text: str) -> int:
    """A number that depends on the text alone (``hash`` differs from run to run)."""
    return sum((n + 1) * ord(c) for n, c in enumerate(text))


def _tap(number: int, used: bool) -> Tap:
    return Tap(
        number=number,
        onset_s=1.0 + 2.0 * number,
        peak_dbfs=-12.3,
        snr_db=41.2,
        used=used,
        reason="" if used else "speech",
        free_from_s=1.005 + 2.0 * number,
        free_until_s=2.9 + 2.0 * number,
    )


def stage_of(
    part: str,
    state: str,
    stage: str,
    order: int,
    modes: Sequence[StageMode],
    *,
    taps: int = 5,
    flags: tuple[str, ...] = (),
    concert_pitch_hz: float = 440.0,
    note: Note | None = None,
    **recording: object,
) -> Stage:
    """A stage of one recording, with the whole sound and four octave bands."""
    longest = max((m.t60_s for m in modes), default=None)
    bands = [(None, None), (88.4, 176.8), (176.8, 353.6), (353.6, 707.1), (707.1, 1414.2)] if longest else []
    decays = tuple(
        StageDecay(
            kind="tap",
            band_low_hz=low,
            band_high_hz=high,
            edt_s=longest * 0.8,
            t20_s=longest * (1 - 0.1 * n),
            t30_s=None,
            t60_s=longest * (1 - 0.12 * n),
            t60_low_s=longest * (1 - 0.12 * n) * 0.93,
            t60_high_s=longest * (1 - 0.12 * n) * 1.08,
            recordings=1,
        )
        for n, (low, high) in enumerate(bands)
        if longest
    )
    return Stage(
        part=part,
        state=state,
        stage=stage.lower(),
        stage_shown=stage,
        order=order,
        concert_pitch_hz=concert_pitch_hz,
        heard=(heard_of(stage, part, state, modes, taps, **recording),),
        modes=tuple(modes),
        decays=decays,
        note=note,
        flags=flags,
    )


def history_of(stages: Sequence[Stage], name: str = "Cittern-07", notices: tuple[Notice, ...] = ()) -> History:
    """The stages as one history with its drifts."""
    return History(
        instrument=name.lower(),
        instrument_shown=name,
        stages=tuple(stages),
        drifts=drifts_of(stages),
        notices=notices,
        landings=landings_of(stages),
        setup_cents=0.8,
        kin=kin_made(stages),
    )


TOP: Plan = {
    "r1": (92.0, 0.62, -6.0),
    "r2": (171.0, 0.41, 0.0),
    "r3": (240.0, 0.33, -11.0),
    "r4": (388.0, 0.2, -19.0),
}
BODY: Plan = {
    "air": (118.4, 0.31, -4.0),
    "main": (203.6, 0.44, 0.0),
    "r6": (251.0, 0.38, -3.0),
    "r7": (266.0, 0.27, -9.0),
    "r8": (402.0, 0.22, -14.0),
    "r9": (655.0, 0.13, -22.0),
}


def moved(plan: Plan, step: int, cents_a_step: Sequence[float], pitch_hz: float = 440.0) -> list[StageMode]:
    """The modes of a plan after some steps of work, each moving at its own pace (so that some of them cross)."""
    modes = []
    for (name, (freq, t60, level)), pace in zip(plan.items(), cents_a_step, strict=False):
        flags = ("pair?",) if name == "r7" and step == 1 else ("few-taps", "wide") if name == "r9" else ()
        modes.append(
            stage_mode(
                name,
                freq * 2 ** (pace * step / 1200),
                t60 * (1 + 0.04 * step),
                level,
                lead=level == 0.0,
                half_cents=0.4 + (12 if flags else 0) + 0.3 * (step % 3),
                flags=flags,
                concert_pitch_hz=pitch_hz,
            )
        )
    return modes


def whole_history() -> History:
    """A top of four stages and a body of five, strung at the end, at two concert pitches, with modes that cross."""
    top = [
        stage_of("top", "free", name, n + 1, moved(TOP, n, (-60, -42, -30, -75)))
        for n, name in enumerate(("01-jointed", "02-graduated", "03-bars-fitted", "04-bars-shaped"))
    ]
    states = ("closed", "closed", "closed", "strung", "strung")
    names = ("05-glued up", "06-edges", "07-voicing step 1", "08-strung", "09-settled")
    paces = (-2, -17, 24, -28, 9, 31)
    note = Note(instrument="Cittern-07", stage="09-settled", date="2031-03-04", work="played in for three weeks")
    body = [
        stage_of(
            "body",
            state,
            name,
            n + 5,
            [m for m in moved(BODY, n, paces, 431.0) if not (m.mode == "r8" and n == 1)],
            concert_pitch_hz=431.0,
            note=note if n == 4 else None,
            flags=("one-setup",) if n == 4 else (),
            missing=n == 1,
        )
        for n, (state, name) in enumerate(zip(states, names, strict=True))
    ]
    return replace(history_of([*top, *body]), forecasts=forecasts_made(), slide=slide_of_air())


def one_stage() -> History:
    """An instrument on its first day, one tap."""
    modes = [stage_mode("r1", 196.0, 0.5, lead=True, half_cents=0.05, taps=1, flags=("few-taps",))]
    return history_of([stage_of("blank", "free", "first", 1, modes, taps=1)], "One-tap wonder")


def no_modes() -> History:
    """Two stages in which nothing could be measured."""
    return history_of([stage_of("body", "", name, n, [], taps=0) for n, name in enumerate(("a", "b"))], "Silent")


def forty_stages() -> History:
    """A long day of steps, with a mode that comes and one that goes."""
    stages = [
        stage_of(
            "body",
            "closed",
            f"05-voicing step {n + 1}",
            n,
            [m for m in moved(BODY, n, (-1, -4, 3, -7, 2, 5)) if not (m.mode == "air" and n > 25)],
        )
        for n in range(40)
    ]
    return history_of(stages, "Forty steps")


def long_names() -> History:
    """Names that no page was made for, and signs that steer spreadsheets, terminals and typesetters."""
    name = "The octave cittern that was begun for an exhibition and then put aside $x_1$ <script> ‮漢字 " * 2
    wordy = "03 - bars fitted & shaped, after the second humid week, top still free (see note of the 4th) " * 2
    label = "cross dipole of the lower bout, first kind"
    stages = [
        stage_of(
            "lower bout of the belly",
            "clamped",
            f"{n} {wordy}",
            n,
            [
                stage_mode(label, 180.0 + 3 * n, lead=True, flags=("something-nobody-explained",)),
                stage_mode("=HYPERLINK(1)", 400.0 - 9 * n, level_db=-5.0, half_cents=70.0, t60_pct=300.0),
            ],
            path=f"{name}/{wordy}{n}/\x1b[31mNeue Aufnahme.wav",
            notices=(
                Notice("lossy codec", name="aac"),
                Notice(
                    "other", text="a notice of many words, each of which wants room, and which goes on and on " * 3
                ),
            ),
        )
        for n in range(3)
    ]
    return history_of(stages, name, (Notice("ordered by name", part=name, names=(wordy, name)),))


def many_modes() -> History:
    """Twenty-four modes at ten stages, some of them close together."""
    plan: Plan = {
        f"r{n + 1}": (80.0 * 1.125**n + (n % 3), 0.5 / (1 + n / 8), 0.0 if n == 4 else -2.0 - n) for n in range(24)
    }
    paces = [(-1) ** n * (3.0 + n % 7) for n in range(24)]
    stages = [stage_of("body", "closed", f"{s + 1:02d}-step", s, moved(plan, s, paces)) for s in range(10)]
    return history_of(stages, "Two dozen")


def unknowns() -> History:
    """Readings of which much is not known: intervals without end, no decay, no spectrum, no place in a tap."""
    stages = []
    for n in range(2):
        known = stage_mode("r1", 210.0 - n, lead=True)
        endless = replace(known, freq_low_hz=0.0, freq_high_hz=math.inf, t60_low_s=0.0, t60_high_s=math.inf)
        no_decay = replace(stage_mode("r2", 300.0 + n), t60_s=math.nan, t60_low_s=math.nan, t60_high_s=math.nan)
        stage = stage_of("back", "", f"s{n}", n, [endless, no_decay, stage_mode("r3", 500.0 - 9 * n)])
        heard = replace(
            stage.heard[0], reading=replace(stage.heard[0].reading, spectrum=None, trace=None), mode_names=()
        )
        decays = tuple(replace(d, t60_low_s=None, t60_high_s=None, edt_s=None) for d in stage.decays)
        stages.append(replace(stage, heard=(heard,), decays=decays))
    history = history_of(stages, "Unknowns")
    endless_drift = [
        replace(d, cents_low=-math.inf, cents_high=math.inf) if d.mode == "r1" else d for d in history.drifts
    ]
    return replace(history, drifts=tuple(endless_drift))


def strung() -> History:
    """Forty strings, some in courses, slack at the second of two stages at which all else stayed."""
    stages = []
    for n in range(2):
        strings = tuple(
            OpenString(
                recording="cittern-07_08-strung_pluck_1.wav",
                string=s + 1,
                expected_note="A#2",
                expected_hz=116.5,
                freq_hz=115.6,
                freq_low_hz=115.5,
                freq_high_hz=115.7,
                cents_off=-13.4 * n + s / 4,
                pair_cents=2.5 + s / 10 if s % 2 else None,
                pair_half_cents=0.1 if s % 2 else None,
                inharmonicity=0.0003 if s % 3 else None,
                t60_s=2.1 if s % 5 else None,
                t60_low_s=2.0,
                t60_high_s=2.2,
                tension_n=51.2 if s % 4 else None,
                plucks=2,
            )
            for s in range(40)
        )
        stage = stage_of("body", "strung", f"0{n + 8}-strung", n, moved(BODY, n, (0, 1, -2, 3, 1, 0)))
        stages.append(replace(stage, strings=strings, strings_off_cents=-13.4 if n else None))
    return history_of(stages, "Strung")


def cautions_galore() -> History:
    """Everything that can be noticed, of every mode and recording, with a caution of its own on every change."""
    flags = ("few-taps", "pair?", "not-exponential", "recordings-differ", "wide", "one-setup")
    noticed = (
        Notice("clipped"),
        Notice("lossy codec", name="aac"),
        Notice("automatic gain"),
        Notice("cut", there_s=3.1, promised_s=6.0),
        *(Notice("other", text=f"something else that was noticed, number {n}") for n in range(8)),
    )
    stages = []
    at_415 = {"concert_pitch_hz": 415.0}
    for n in range(3):
        half = 3.0 + 4 * (n % 2)
        modes = [
            stage_mode(name, f, t60, level, lead=level == 0.0, half_cents=half, flags=flags[k % 5 :], **at_415)
            for k, (name, (f, t60, level)) in enumerate(BODY.items())
        ]
        state = ("closed", "strung", "clamped")[n]
        stages.append(
            stage_of(
                "body",
                state,
                f"{n + 1:02d}-Größe àéîõü",
                n,
                modes,
                flags=flags[3:],
                concert_pitch_hz=415.0,
                notices=noticed,
                path=f"Øresund/{n} 'Ελληνικά' Ж/take {n}.wav",
            )
        )
    for n, stage in enumerate(stages):
        last = stage.modes[-1]
        vague = replace(last, t60_s=None, t60_low_s=None, t60_high_s=None, flags=("unresolved", *last.flags))
        stages[n] = replace(stage, modes=(*stage.modes[:-1], vague))
    history = history_of(
        stages, "Ångström's <b>žaleika</b> & \\\\textbf{x}", (Notice("other", text="a notice of the instrument"),) * 6
    )
    long = (
        Caution("state", before=("closed",), after=("strung",)),
        Caution("strings", after_cents=-14.0),
        Caution("days", days=14),
        Caution("temperature", before_c=21.0, after_c=9.5),
        Caution("humidity", before_pct=45.0, after_pct=82.0),
    )
    short = (Caution("days", days=2),)
    drifts = [
        replace(
            d,
            cautions=(*long, Caution("recorder", before=(d.mode,), after=("B",))) if n % 3 else short,
            first_cautions=long,
        )
        for n, d in enumerate(history.drifts)
    ]
    return replace(history, drifts=tuple(drifts))


def nothing_at_all() -> History:
    """An instrument without a stage."""
    return History(
        instrument="empty",
        instrument_shown="Empty",
        stages=(),
        drifts=(),
        notices=(Notice("other", text="no recording left"),),
    )


HISTORIES: dict[str, Callable[[], History]] = {
    "whole": whole_history,
    "one stage, one tap": one_stage,
    "no modes": no_modes,
    "forty stages": forty_stages,
    "long names": long_names,
    "many modes": many_modes,
    "strung": strung,
    "unknowns": unknowns,
    "cautions galore": cautions_galore,
    "nothing": nothing_at_all,
    "board": lambda: board.history(stage_mode, stage_of, history_of),
}


@pytest.fixture(params=sorted(HISTORIES))
def any_history(request: pytest.FixtureRequest) -> History:
    """Each history in turn, the plain one and the hard cases."""
    return HISTORIES[request.param]()


@pytest.fixture
def whole() -> History:
    """The plain case: two parts, nine stages."""
    return whole_history()


@pytest.fixture
def histories() -> dict[str, Callable[[], History]]:
    """The makers of all histories, by name."""
    return HISTORIES


@pytest.fixture
def make_mode() -> Callable[..., StageMode]:
    """The maker of one mode."""
    return stage_mode


@pytest.fixture
def make_stage() -> Callable[..., Stage]:
    """The maker of one stage."""
    return stage_of


@pytest.fixture
def make_history() -> Callable[..., History]:
    """The maker of a history from stages."""
    return history_of
