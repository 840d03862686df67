"""What scenes are made of: a recipe for each, by name.

Conventions: distances in metres, levels in decibels. What is not said is as in ``dry``: a phone at 30 cm in no room,
five taps by an even hand, the shop's noise.

Several things were set, by trying, so that version 0.1 came out about as it did in a study with other simulated
sounds: how loud the noise, the fan, the talk and the bounces are, how close modes lie and how high they go, the shape
of a long contact, the ratio of the gain control, the decay of the pair, and that ``contact`` and ``scatter`` count
modes by the plate's own levels. So agreement with that study proves nothing; nothing was set by a later version.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tests.bench_simulator.hands import Hand
from tests.bench_simulator.world import Phone

_HAND, _PHONE = Hand(), Phone()


@dataclass(frozen=True, kw_only=True)
class Recipe:
    """What a scene is made of.

    ``of_plate`` counts modes by the levels that a short blow gives them: a soft one hides some, and they are missed.
    ``begins_late`` is a recording of one tap that begins 30 to 80 ms after it.
    ``in_line_m`` is how far behind the microphone a second one lies, in line with the source: the file is stereo.
    """

    says: str
    distance_m: float = 0.3
    in_room: bool = False
    spots: int = 1
    hand: Hand = _HAND
    phone: Phone = _PHONE
    fan_db: float | None = None
    talk: bool = False
    alone: str = ""
    more_damping: float = 0.0
    pitch_cents: bool = False
    pair: bool = False
    of_plate: bool = False
    begins_late: bool = False
    in_line_m: float | None = None
    trials: int = 24


def _still(distance_m: float) -> Recipe:
    return Recipe(says=f"room, phone still at {100 * distance_m:.0f} cm", distance_m=distance_m, in_room=True)


def _carried(spots: int, taps: int, distance_m: float) -> Recipe:
    says = f"{spots} spots of {taps} taps, {100 * distance_m:.0f} cm"
    return Recipe(says=says, distance_m=distance_m, in_room=True, spots=spots, hand=Hand(taps=taps))


def _codec(name: str, kbps: int) -> Recipe:
    return Recipe(says=f"{name} at {kbps} kb/s", phone=Phone(codec=name, kbps=kbps), trials=16)


RECIPES: dict[str, Recipe] = {
    "dry": Recipe(says="no room, nothing amiss", trials=40),
    "still-30": _still(0.3),
    "still-10": _still(0.1),
    "still-5": _still(0.05),
    "spots3-30": _carried(3, 3, 0.3),
    "spots3-10": _carried(3, 3, 0.1),
    "spots3-5": _carried(3, 3, 0.05),
    "spots5-30": _carried(5, 2, 0.3),
    "spots5-10": _carried(5, 2, 0.1),
    "spots5-5": _carried(5, 2, 0.05),
    "line-30": replace(_still(0.3), says="room, two microphones in line, 30 and 40 cm", in_line_m=0.1),
    "line-10": replace(_still(0.1), says="room, two microphones in line, 10 and 20 cm", in_line_m=0.1),
    "line-5": replace(_still(0.05), says="room, two microphones in line, 5 and 15 cm", in_line_m=0.1),
    "bounce": Recipe(says="the mallet falls back after 60 to 150 ms", hand=Hand(bounces=True), trials=16),
    "contact": Recipe(
        says="contact of 3 to 8 ms",
        hand=Hand(contact_s=(0.003, 0.008), rub_db=-12.0),
        of_plate=True,
        trials=60,
    ),
    "fan": Recipe(says="a fan runs", fan_db=-43.0, trials=60),
    "scatter": Recipe(
        says="point scatter of 8 dB", hand=Hand(scatter_db=8.0, hardness_db=5.0), of_plate=True, trials=60
    ),
    "talk": Recipe(says="talk between taps", talk=True, trials=14),
    "speech": Recipe(says="speech and nothing else", alone="speech", trials=14),
    "claps": Recipe(says="claps and nothing else", alone="claps", trials=14),
    "doors": Recipe(says="doors and steps and nothing else", alone="doors", trials=14),
    "gain": Recipe(says="fast gain control", phone=Phone(gain_control=True), trials=16),
    "damping": Recipe(says="damping 30 % higher at the beginning", more_damping=0.3, trials=16),
    "pitch": Recipe(says="pitch falls by 2 to 8 cents", pitch_cents=True, trials=16),
    "pair": Recipe(says="the lead is a pair 0.5 to 1 Hz apart", pair=True, trials=16),
    "ringing": Recipe(says="begins in the ringing", hand=Hand(taps=1), begins_late=True, trials=16),
    "rate-8": Recipe(says="8 kHz", phone=Phone(sample_rate_hz=8000), trials=16),
    "aac-64": _codec("aac", 64),
    "aac-96": _codec("aac", 96),
    "aac-128": _codec("aac", 128),
    "opus-64": _codec("opus", 64),
    "mp3-128": _codec("mp3", 128),
}
