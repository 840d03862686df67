"""Recordings of real struck and plucked things, under open licences, and a shop made of them.

Conventions: the sound lies beside this file as it was taken from its source, without loss; ``ATTRIBUTION.md`` names
the source, the author and the licence of each. A shop of them is a folder as a maker has it: each kind of thing is an
instrument, each thing a stage. What one stage shows against the next is no change of any instrument; it only puts
every table to use.
"""

from __future__ import annotations

from pathlib import Path
from shutil import copyfile

FOLDER = Path(__file__).parent

SHOP = {
    "glockenspiel_01-low_1.flac": "glocken_g7.flac",
    "glockenspiel_02-high_1.flac": "glocken_ds8.flac",
    "glockenspiel_03-bench_1.m4a": "session_glockenspiel.m4a",
    "metal_01-agogo_1.flac": "low_agogo.flac",
    "metal_02-cow bell_1.flac": "cow_bell.flac",
    "metal_03-bell_1.flac": "perc_bell2.flac",
    "bars_01-vibraphone_1.flac": "vibraphone_ds5.flac",
    "bars_02-xylophone_1.flac": "xylophone_c_6.flac",
    "bars_03-marimba_1.flac": "marimba_c_5.flac",
    "bars_04-kalimba_1.flac": "kalimba_g4.flac",
    "blocks_01-wood block_1.flac": "high_woodblock.flac",
    "blocks_02-temple block_1.flac": "temple_block_3_f.flac",
    "blocks_03-bench_1.flac": "session_temple_block.flac",
    "drums_01-tabla_1.flac": "tabla_tun1.flac",
    "drums_02-tenor_1.flac": "mtnr_2_hit_1.flac",
    "drums_03-snare_1.flac": "beats_06_12.flac",
    "drums_04-bass_1.flac": "mbass_6_hit_2.flac",
    "drums_05-bass bench_1.mp3": "session_bass_drum.mp3",
    "strings_01-steel_pluck_1.flac": "steel_b6.flac",
    "strings_01-steel_pluck_2.flac": "steel_e6.flac",
    "strings_02-nylon_pluck_1.flac": "nylon_e6.flac",
    "strings_03-banjo_pluck_1.flac": "banjo_4.flac",
    "strings_04-jazz_pluck_1.flac": "jazz_guitar_a3.flac",
    "strings_05-harp_pluck_1.flac": "harp_ds4.flac",
}
"""The recordings of the shop, by the name that they have there."""

SETTINGS = {
    "shop.toml": "band_hz = [60, 12000]\n",
    "instruments/strings.toml": 'strings = ["D#4", "A4", "B4", "E5", "F#5"]\nscale_mm = 640\n',
    "instruments/metal.toml": '[[mode]]\nlabel = "low"\nnear_hz = 830\n\n[[target]]\nmode = "low"\nnote = "G#5"\n',
}


def make_real_shop(shop: Path) -> Path:
    """Make a shop of all recordings in a new folder, and return it."""
    for name, text in SETTINGS.items():
        (shop / name).parent.mkdir(parents=True, exist_ok=True)
        (shop / name).write_text(text, encoding="utf-8")
    (shop / "recordings").mkdir()
    for name, source in SHOP.items():
        copyfile(FOLDER / source, shop / "recordings" / name)
    return shop
