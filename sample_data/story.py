"""The story of the sample shop: its instruments and their true modes, its board, and what was recorded of them.

Everything is invented. Frequencies are in Hz, moves in cents, decays (T60) in seconds, sizes in millimetres, areas in
square millimetres. ``make.py`` turns this into recordings and tables.

Plates held by the fingers ring for 0.15 to 0.5 s between 80 and 900 Hz. The air resonance of a box depends on the
area of its opening as f ~ area^(1/4), as for a round hole in a thin plate, whose effective neck length is
proportional to its radius. On the two earlier citterns the edge of the opening counts too, and the air is coupled
to the top (:func:`box`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise

from tapbatch.wood.board import Wood

Moves = tuple[float | None, ...]

SPRUCE = Wood(e_along_gpa=11.6, e_across_gpa=0.85, g_gpa=0.72, poisson=0.37, g_along_gpa=0.70, g_across_gpa=0.035)


@dataclass(frozen=True)
class Part:
    """A vibrating part, and its true modes through its stages.

    Each mode has a name, a level in dB, a frequency series and a T60 series with one value a stage. The frequency is
    in Hz at the first stage of the mode and then in cents of change from stage to stage. The T60 is in seconds at the
    first stage and then in per cent of change. ``None`` means that the mode is absent.
    """

    instrument: str
    name: str
    stages: tuple[str, ...]
    modes: tuple[tuple[str, float, Moves, Moves], ...]


@dataclass(frozen=True)
class Planed:
    """A board, its true mean thickness in millimetres at each stage, and how the wood departs from an even board."""

    instrument: str
    stages: tuple[str, ...]
    thickness_mm: tuple[float, ...]
    name: str = "blank"
    length_mm: float = 420.0
    width_mm: float = 140.0
    density_kg_m3: float = 431.0
    wood: Wood = SPRUCE
    losses: tuple[float, float, float] = (0.0072, 0.021, 0.017)


@dataclass(frozen=True)
class Take:
    """A recording: its path, what it shows, and what went wrong during it (times in seconds after a tap).

    ``ringing`` names the undamped strings that ring with each tap, and ``made_at`` is the time that the file itself
    states, in local time.
    """

    path: str
    part: Part | Planed
    stage: str
    point: str
    rate_hz: int = 16000
    taps: int = 5
    bounce: dict[int, float] = field(default_factory=dict)
    knock: dict[int, float] = field(default_factory=dict)
    ringing: tuple[str, ...] = ()
    made_at: str = ""
    misnamed: bool = False
    talk: bool = False
    rumble: bool = False
    set_up_cents: float = 0.0
    set_up_t60_pct: float = 0.0


TOP = Part(
    "kantele-03",
    "top",
    ("01-top-joined", "02-top-thinned", "05-bars-fitted", "06-bars-carved"),
    (
        ("twist", -8, (112.0, -42, 31, -18), (0.46, 3, -9, 5)),
        ("bend", -3, (178.0, -55, 48, -25), (0.38, 4, -7, 3)),
        ("ring", 0, (284.0, -38, 22, -12), (0.41, 5, -10, 4)),
        # These two cross when the bars are fitted; their T60 tells them apart.
        ("cup", -4, (402.9, -30, 36, -9), (0.18, 2, -5, 3)),
        ("wave", -13, (411.4, -40, -10, -6), (0.40, 3, 2, -3)),
        # This mode depends on a glued edge that was not planed, so it does not move.
        ("edge", -10, (557.0, 0, 0, 0), (0.24, 2, -4, 1)),
        ("slope", -12, (634.0, -47, 15, -9), (0.22, 3, -6, 2)),
        # The end of a bar that was not glued down yet; the mode is gone once the bars are carved.
        ("bar-end", -15, (None, None, 727.0, None), (None, None, 0.19, None)),
        ("fine", -15, (846.0, -33, 27, -20), (0.17, 4, -8, 3)),
    ),
)
BACK = Part(
    "kantele-03",
    "back",
    ("03-back-joined", "04-back-thinned"),
    (
        ("twist", -6, (96.0, -48), (0.47, 4)),
        ("bend", 0, (163.0, -57), (0.39, 5)),
        ("ring", -2, (247.0, -35), (0.36, 3)),
        ("cup", -9, (331.0, -29), (0.27, 6)),
        ("wave", -8, (468.0, -41), (0.23, 2)),
        ("edge", -12, (590.0, 0), (0.19, 0)),
    ),
)
BODY = Part(
    "kantele-03",
    "body",
    (
        "07-box-closed",
        *(f"08-opening step {n}" for n in range(1, 6)),
        "09-varnished",
        "10-strung",
        "11-settled",
    ),
    (
        ("air", 0, (176.0, 38, 41, 44, 40, 36, 0, -9, 0), (0.25, -2, -2, -3, -2, -2, -9, -6, 1)),
        ("main", -2, (262.0, 0, 0, 0, 0, 0, 0, 14, -7), (0.31, 1, -1, 0, 1, 0, -14, -12, 4)),
        ("side", -8, (331.0, -6, -7, -5, -6, -8, 0, 21, -9), (0.27, -1, 0, 1, -1, 0, -11, -9, 3)),
        ("floor", -6, (389.0, 0, 0, 0, 0, 0, 0, -12, 0), (0.34, 0, 0, 0, 0, 0, -8, -5, 0)),
        ("bow", -9, (455.0, 5, 6, 5, 7, 5, 0, 33, -11), (0.42, 0, 1, -1, 0, 0, -17, -15, 5)),
        ("hole", -7, (548.0, -9, -11, -10, -12, -8, 0, 10, -5), (0.24, -3, -3, -2, -4, -3, -12, -8, 2)),
        ("upper", -11, (671.0, 0, 0, 0, 0, 0, 0, 18, -6), (0.21, 0, 0, 0, 0, 0, -20, -7, 3)),
        ("fine", -14, (823.0, -5, -6, -6, -5, -7, 0, 12, 0), (0.17, 0, 0, 1, 0, 0, -22, -6, 2)),
    ),
)
PSALTERY = Part(
    "psaltery-11",
    "body",
    ("01-box-closed", "02-hole-cut"),
    (
        ("air", 0, (243.0, 58), (0.22, -8)),
        ("main", -3, (356.0, -11), (0.29, 3)),
        ("side", -7, (471.0, 0), (0.25, 0)),
        ("floor", -9, (612.0, -17), (0.20, -2)),
        ("fine", -12, (884.0, -8), (0.16, 4)),
    ),
)
CITTERN = Part(
    "cittern-12",
    "body",
    ("05-closed", *(f"06-voicing step {n}" for n in range(1, 7))),
    (
        # The area of the hole in notes.csv goes with the fourth power of this frequency.
        ("air", -3, (201.5, 22, 21, 24, 20, 23, 22), (0.29, -2, -1, -2, -2, -1, -2)),
        ("top", 0, (318.0, 0, 0, 0, 0, 0, 0), (0.33, 0, 1, 0, -1, 0, 0)),
        ("back", -6, (397.0, 0, 0, 0, 0, 0, 0), (0.28, 0, 0, 0, 0, 0, 0)),
        ("hole", -8, (489.0, -7, -6, -8, -7, -6, -7), (0.25, -2, -1, -2, -2, -1, -2)),
        ("bow", -7, (541.0, 0, 0, 0, 0, 0, 0), (0.31, 0, 0, 0, 0, 0, 0)),
        ("fine", -11, (706.0, 0, 0, 0, 0, 0, 0), (0.20, 0, 0, 0, 0, 0, 0)),
    ),
)


def moves(values: Iterable[float]) -> Moves:
    """Return frequencies in hertz as the first of them and the moves in cents that follow."""
    hz = list(values)
    return (hz[0], *(1200 * math.log2(b / a) for a, b in pairwise(hz)))


def box(
    areas_mm2: Iterable[float], *, volume_l: float, edge_mm: float, top_hz: float, coupling_hz: float
) -> tuple[Moves, Moves]:
    """Return the moves of air and top of a box for each area of its round opening.

    Air and top are two coupled oscillators (Christensen & Vistisen, JASA 68, 1980): ``f- f+ = f_p f_h`` and
    ``f-^2 + f+^2 = f_p^2 + f_ap^2 + f_h^2``. The air alone is Helmholtz's resonator, and its opening a hole, of
    conductance twice its radius, in series with a channel as long as the edge is thick. It is 20 degrees warm.
    """
    air, top = [], []
    for area in areas_mm2:
        conductance_mm = 1 / (1 / (2 * math.sqrt(area / math.pi)) + edge_mm / area)
        alone_hz = 343.2e3 / (2 * math.pi) * math.sqrt(conductance_mm / (volume_l * 1e6))
        half = (top_hz**2 + coupling_hz**2 + alone_hz**2) / 2
        apart = math.sqrt(half**2 - (top_hz * alone_hz) ** 2)
        air.append(math.sqrt(half - apart))
        top.append(math.sqrt(half + apart))
    return moves(air), moves(top)


def earlier(name: str, air: Moves, top: Moves, others: tuple[float, float, float, float]) -> Part:
    """Return a cittern that was voiced before, cut by cut, from its moves of air and top."""
    cuts = len(air) - 1
    still = (0.0,) * cuts
    back, hole, bow, fine = others
    modes = (
        ("air", -3, air, (0.28, *(-2.0,) * cuts)),
        ("top", 0, top, (0.34, *still)),
        ("back", -6, (back, *still), (0.27, *still)),
        ("hole", -8, (hole, *(-7.0,) * cuts), (0.24, *(-2.0,) * cuts)),
        ("bow", -7, (bow, *still), (0.30, *still)),
        ("fine", -11, (fine, *still), (0.21, *still)),
    )
    return Part(name, "body", ("05-closed", *(f"06-voicing step {n}" for n in range(1, cuts + 1))), modes)


# The areas are those in notes.csv.
CITTERN_09 = earlier(
    "cittern-09",
    *box((812, 856, 903, 949, 1001), volume_l=1.94, edge_mm=2.8, top_hz=309, coupling_hz=40),
    (386.0, 478.0, 529.0, 688.0),
)
CITTERN_11 = earlier(
    "cittern-11",
    *box((838, 889, 947, 1003), volume_l=1.97, edge_mm=2.4, top_hz=324, coupling_hz=40),
    (405.0, 497.0, 552.0, 717.0),
)
PARTS = (TOP, BACK, BODY, PSALTERY, CITTERN, CITTERN_09, CITTERN_11)

COVERED = Part(
    "cittern-11",
    "body",
    ("05-closed",),
    (
        # With its opening shut the air is a spring: f^2 = f_p^2 + f_ap^2. There is no air resonance.
        ("top", 0, (math.hypot(324.0, 40.0),), (0.34,)),
        ("back", -6, (405.0,), (0.27,)),
        ("hole", -8, (497.0,), (0.24,)),
        ("bow", -7, (552.0,), (0.30,)),
        ("fine", -11, (717.0,), (0.21,)),
    ),
)

BOARD = Planed("spruce-07", ("01-bought", "02-planing step 1"), (4.2, 3.8))
AIMED = {
    "along": ((1.0, 0.6), ((-0.56, 0.0), (0.56, 0.0))),
    "across": ((0.1, 1.0), ((0.0, -0.56), (0.0, 0.56))),
    "twist": ((1.0, 1.0), ((0.0, 0.0),)),
}
"""Where the board is tapped and where it is held, from -1 to 1 along its length and width."""


def folder_of(stage: str, words: str) -> str:
    """Return the folders of a stage, with those of its words, as the inbox makes them.

    >>> folder_of("06-voicing step 2", "closed"), folder_of("05-closed", "closed")
    ('06-voicing/closed/step 2', '05-closed/closed')
    """
    series, step, number = stage.partition(" step ")
    return "/".join([series, words] + [f"step {number}"] * bool(step))


K = "kantele-03"
# Copied from the inbox to their places under the names that the phone gave them.
C, VOICING = "cittern-12", "cittern-12/06-voicing/closed"
CLOCK = ("09:21:44", "09:38:02", "09:55:37", "10:14:20", "10:31:09", "10:52:51")
TAKES = (
    Take(f"{K}_01-top-joined_top_free_at-centre_1.wav", TOP, "01-top-joined", "centre", knock={2: 0.58}),
    Take(f"{K}_02-top-thinned_top_free_at-centre_1.wav", TOP, "02-top-thinned", "centre"),
    Take(f"{K}_02-top-thinned_top_free_at-corner_1.wav", TOP, "02-top-thinned", "corner", bounce={3: 0.09}),
    # A deliberate typing error in the name, which is reported in attention.csv.
    Take(f"{K}_02-top-thinned_tpo_free_at-centre_2.wav", TOP, "02-top-thinned", "centre", taps=2, misnamed=True),
    Take(f"{K}_03-back-joined_back_free_at-centre_1.wav", BACK, "03-back-joined", "centre", rumble=True),
    Take(f"{K}_04-back-thinned_back_free_at-centre_1.wav", BACK, "04-back-thinned", "centre", knock={4: 0.61}),
    Take(f"{K}/05-bars-fitted/top/free/at-centre/2024-03-09 10.15.22.wav", TOP, "05-bars-fitted", "centre"),
    Take(f"{K}/06-bars-carved/top/free/at-centre/20240310_163005.wav", TOP, "06-bars-carved", "centre"),
    Take(f"{K}_07-box-closed_closed_at-centre_1.wav", BODY, "07-box-closed", "centre", rate_hz=44100),
    Take(f"{K}_07-box-closed_closed_at-edge_2.wav", BODY, "07-box-closed", "edge", bounce={2: 0.12}),
    Take(f"{K}_08-opening_closed_at-centre_step_1.wav", BODY, "08-opening step 1", "centre"),
    Take(f"{K}_08-opening_closed_at-centre_step_2.wav", BODY, "08-opening step 2", "centre", knock={1: 0.63}),
    Take(f"{K}_08-opening_closed_at-centre_step_3.wav", BODY, "08-opening step 3", "centre", bounce={4: 0.11}),
    Take(f"{K}_08-opening_closed_at-centre_step_4.wav", BODY, "08-opening step 4", "centre"),
    Take(f"{K}_08-opening_closed_at-centre_step_5.wav", BODY, "08-opening step 5", "centre"),
    Take(f"{K} - 09-varnished - closed - at-centre.wav", BODY, "09-varnished", "centre"),
    Take(f"{K} - 09-varnished - closed - at-edge.wav", BODY, "09-varnished", "edge", talk=True),
    Take(
        f"{K}_10-strung_strung_at-centre_1.wav",
        BODY,
        "10-strung",
        "centre",
        bounce={5: 0.07},
        set_up_cents=0.8,
        set_up_t60_pct=1.5,
    ),
    Take(
        f"{K}_10-strung_strung_at-centre_again_2.wav",
        BODY,
        "10-strung",
        "centre",
        set_up_cents=0.8,
        set_up_t60_pct=1.5,
    ),
    Take(f"{K}_10-strung_strung_room.wav", BODY, "10-strung", "centre", taps=0),
    Take(f"{K}_11-settled_strung_at-centre_1.wav", BODY, "11-settled", "centre"),
    Take("Psaltery-11/01-box-closed/closed/2024-05-02 17.05.33.wav", PSALTERY, "01-box-closed", "", rate_hz=22050),
    Take(
        "Psaltery-11/02-hole-cut/closed/2024-05-04 09.40.10.wav",
        PSALTERY,
        "02-hole-cut",
        "",
        rate_hz=22050,
        knock={3: 0.6},
    ),
    Take(f"{C}/05-closed/closed/New Recording 11.flac", CITTERN, "05-closed", "", made_at="2024-06-07T17:42:10"),
    *(
        Take(
            f"{VOICING}/step {step}/New Recording {11 + step}.flac",
            CITTERN,
            f"06-voicing step {step}",
            "",
            bounce={2: 0.09} if step == 3 else {},
            ringing=("D4", "A4") if step == 5 else (),
            made_at=f"2024-06-08T{clock}",
        )
        for step, clock in enumerate(CLOCK, start=1)
    ),
    *(
        Take(
            f"{part.instrument}/{folder_of(stage, 'closed')}/New Recording {first + cut}.flac",
            part,
            stage,
            "",
            made_at=f"{day}T{9 + cut:02}:{17 + 5 * cut:02}:40",
        )
        for part, first, day in ((CITTERN_09, 3, "2023-04-22"), (CITTERN_11, 7, "2023-11-18"))
        for cut, stage in enumerate(part.stages)
    ),
    Take(
        "cittern-11/05-closed/covered/New Recording 6.flac", COVERED, "05-closed", "", made_at="2023-11-18T09:05:12"
    ),
    *(
        Take(
            f"spruce-07/{folder_of(stage, f'blank/{aim}')}/New Recording {n}.flac",
            BOARD,
            stage,
            aim,
            taps=4,
            made_at=f"2024-05-{25 + cut:02}T16:{10 * cut + n:02}:05",
        )
        for cut, stage in enumerate(BOARD.stages)
        for n, aim in enumerate(AIMED, start=20 + 3 * cut)
    ),
)
