"""What is derived from stages made by hand: what moved between them, and where they could come to rest."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

from tapbatch.compare.kin import BOARDS, same_stage
from tapbatch.model.caution import Caution
from tapbatch.model.forecast import ForecastCame
from tapbatch.model.history import Drift, Extent, Landing, LandingKind, Stage, StageMode
from tapbatch.model.kin import KinMode, KinStage
from tapbatch.model.pitch import cents_between, hz_to_note


def drifts_of(stages: Sequence[Stage], steady_cents: float = 3.0) -> tuple[Drift, ...]:
    """What moved from each stage to the next, with an interval of 1 cent and 6 % to either side."""
    drifts: list[Drift] = []
    heard: dict[tuple[str, str], tuple[Stage, StageMode]] = {}
    for before, after in itertools.pairwise(stages):
        for mode in before.modes:
            heard.setdefault((before.part, mode.mode), (before, mode))
        if before.part != after.part:
            continue
        was, now = {m.mode: m for m in before.modes}, {m.mode: m for m in after.modes}
        held = Caution("state", before=(before.state,), after=(after.state,))
        cautions = () if before.state == after.state else (held,)
        drifts += [
            _since_first(
                _drift(before, after, name, was.get(name), now.get(name), cautions, steady_cents),
                heard.get((before.part, name)),
                now.get(name),
            )
            for name in dict.fromkeys((*was, *now))
        ]
    return tuple(drifts)


def _since_first(drift: Drift, first: tuple[Stage, StageMode] | None, now: StageMode | None) -> Drift:
    if first is None or now is None or drift.freq_change_cents is None:
        return drift
    cents = cents_between(first[1].freq_hz, now.freq_hz)
    return replace(
        drift,
        first_stage=first[0].stage,
        first_change_cents=cents,
        first_cents_low=cents - 1.0,
        first_cents_high=cents + 1.0,
        first_extent=Extent(cents, cents - 1.0, cents + 1.0),
        first_verdict="up" if cents > 1.0 else "down" if cents < -1.0 else "steady",
        first_cautions=drift.cautions,
        more_taps=7 if drift.verdict == "unclear" else None,
    )


def _drift(
    before: Stage,
    after: Stage,
    name: str,
    was: StageMode | None,
    now: StageMode | None,
    cautions: tuple[Caution, ...],
    steady: float,
) -> Drift:
    names = ("freq_change_hz", "freq_change_cents", "cents_low", "cents_high")
    known: dict[str, float | None] = dict.fromkeys((*names, "t60_change_pct", "t60_low_pct", "t60_high_pct"))
    verdict, cents, half = "new" if was is None else "gone", 0.0, 0.0
    if was and now:
        cents = cents_between(was.freq_hz, now.freq_hz)
        half = 1.0 + 20.0 * ("few-taps" in now.flags)
        known = {
            "freq_change_hz": now.freq_hz - was.freq_hz,
            "freq_change_cents": cents,
            "cents_low": cents - half,
            "cents_high": cents + half,
        } | _rings_longer(was, now)
        verdict = "up" if cents > half else "down" if cents < -half else "unclear"
        verdict = "steady" if abs(cents) + half <= steady else verdict
    return Drift(
        part=before.part,
        mode=name,
        from_stage=before.stage,
        to_stage=after.stage,
        verdict=verdict,  # type: ignore[arg-type]
        cautions=cautions,
        moved="own" if was and now else "",
        extent=Extent(cents, cents - half, cents + half) if was and now else None,
        common_cents=0.0 if was and now else None,
        common_low_cents=-6.0 if was and now else None,
        common_high_cents=6.0 if was and now else None,
        own_cents=known["freq_change_cents"],
        own_low_cents=known["cents_low"],
        own_high_cents=known["cents_high"],
        **known,
    )


def _rings_longer(was: StageMode, now: StageMode) -> dict[str, float | None]:
    if was.t60_s is None or now.t60_s is None:
        return dict.fromkeys(("t60_change_pct", "t60_low_pct", "t60_high_pct"))
    pct = 100 * (now.t60_s / was.t60_s - 1)
    return {"t60_change_pct": pct, "t60_low_pct": pct - 6, "t60_high_pct": pct + 6}


def landings_of(stages: Sequence[Stage]) -> tuple[Landing, ...]:
    """Of each part's latest stage: a target for the lead and for another mode, and the next notes of both."""
    last = {stage.part: stage for stage in stages}
    made = []
    for stage in last.values():
        for n, mode in enumerate(sorted(stage.modes, key=lambda m: not m.lead)[:2]):
            kinds: tuple[LandingKind, ...] = ("target", "above", "below")
            made += [_landing(stage, mode, kind, 0.34 if n else 0.02) for kind in kinds]
    return tuple(made)


def _landing(stage: Stage, mode: StageMode, kind: LandingKind, overshoot: float) -> Landing:
    to_go = {"target": 43.2, "above": 66.3, "below": -33.7}[kind]
    known = stage.order > 2
    landing_hz = mode.freq_hz * 2.0 ** (to_go / 1200.0)
    return Landing(
        part=stage.part, mode=mode.mode, stage=stage.stage, freq_hz=mode.freq_hz, note=mode.note, cents=mode.cents,
        landing=kind, landing_note=hz_to_note(landing_hz)[0], landing_hz=landing_hz, cents_to_go=to_go,
        tolerance_cents=3.0, on_target="no", taps_within=0, taps=mode.taps,
        step_cents=8.1 if known else None, step_low_cents=3.9 if known else None,
        step_high_cents=12.3 if known else None, steps_seen=4 if known else 1,
        steps_to_go=to_go / 8.1 if known and to_go > 0 else None, overshoot=overshoot if known else None,
        basis=f"4 steps of step series {stage.stage_shown}", no_forecast="" if known else "few steps",
    )  # fmt: skip


def kin_made(stages: Sequence[Stage]) -> tuple[KinStage, ...]:
    """Nine others of the family at the latest stage of each part, one with a long name, one an octave away."""
    latest = {stage.part: stage for stage in stages if stage.modes and stage.part != BOARDS}
    return tuple(
        KinStage(
            instrument=f"kin-{n}", instrument_shown=name, family="cittern", part=stage.part, state=stage.state,
            same=same_stage(stage), stage_shown=f"0{n}-{stage.stage_shown}", when=f"2030-0{n}-01T12:00:00",
            opening_mm2=None if n == 5 else 800.0 + n,
            modes=tuple(
                KinMode(m.mode, m.freq_hz * 2.0 ** ((17.0 * n - 80.0) / 1200.0) * (2.0 if n == 7 else 1.0), 4.0 + n)
                for m in stage.modes[n % 3 :]
            ),
        )
        for stage in latest.values()
        for n, name in enumerate(("kin-1", "A cittern for a museum " * 5, *"345678", "Kin <9> 漢字"), 1)
    )  # fmt: skip


def forecasts_made() -> tuple[ForecastCame, ...]:
    """Forecasts of twelve steps of one mode, of which one fell short and one went too far."""
    came = ForecastCame(
        part="body", mode="r1", stage="06-edges", work="edges thinned", step_cents=-12.0, step_low_cents=-19.0,
        step_high_cents=-6.0, overshoot=0.2, came_cents=-14.0, came_over=False, basis="4 steps of work 'edges'",
    )  # fmt: skip
    return (*[came] * 10, replace(came, came_cents=-2.0), replace(came, came_cents=-33.0, came_over=True))
