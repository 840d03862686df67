"""Pitch against published values and against another library; the source stands beside each number."""

import csv
import statistics
from pathlib import Path

import pytest

from tapbatch.model.pitch import cents_between, hz_to_note, note_to_hz

REFERENCE = Path(__file__).parents[1] / "reference"

# Bars of a five-octave marimba, the note and cents of the first torsional mode, and the same in Hz (one decimal).
# Source: J. La Favre, First torsional mode in a 5-octave marimba, http://lafavre.us/first_torsional_mode.htm
MARIMBA = [
    ("G#2", -35, 102.2), ("A#2", 32, 119.3), ("C3", 12, 132.4), ("C#3", 47, 143.1), ("F3", 17, 177.2),
    ("G3", 12, 198.3), ("A3", 35, 225.6), ("A#3", 32, 238.6), ("D4", -17, 292.2), ("E4", -7, 329.8),
    ("F4", -38, 343.3), ("G#4", -39, 408.1), ("A4", 46, 454.1), ("C5", 3, 526.6), ("B4", 27, 504.1),
    ("C#5", 23, 564.5), ("D#5", 25, 634.4), ("F#5", 33, 757.9), ("G#5", -13, 828.3), ("A#5", 36, 956.6),
    ("A#5", -2, 935.5), ("C#6", -22, 1100.0),
]  # fmt: skip
MARIMBA_A4_HZ = 442.13


def test_marimba_readings_imply_a_concert_pitch_of_442():
    """The Hz column is a conversion of the reading, so the scatter is rounding only (mean 442.13, sd 0.07 Hz)."""
    implied_hz = [440.0 * hz / note_to_hz(f"{note}{cents:+d}") for note, cents, hz in MARIMBA]
    assert statistics.mean(implied_hz) == pytest.approx(MARIMBA_A4_HZ, abs=0.01)
    assert statistics.stdev(implied_hz) == pytest.approx(0.07, abs=0.01)


@pytest.mark.parametrize(("note", "cents", "hz"), MARIMBA)
def test_marimba_readings_at_their_concert_pitch(note, cents, hz):
    read_note, read_cents = hz_to_note(hz, MARIMBA_A4_HZ)
    assert read_note == note
    assert read_cents == pytest.approx(cents, abs=0.75)


# Equal-temperament arithmetic; 415 and 430.5 as named by R. Hollander, Tuning & temperaments (overview),
# https://portorfordart.org/article/tuning-temperaments-a4-440-435-430-5-415hz-by-roel-hollander/3691
@pytest.mark.parametrize(
    ("concert_pitch_hz", "cents_to_440"),
    [(415, 101.271), (430.54, 37.627), (430.5, 37.788), (431, 35.779), (456, -61.836), (465, -95.673)],
)
def test_cents_between_concert_pitches(concert_pitch_hz, cents_to_440):
    assert cents_between(concert_pitch_hz, 440.0) == pytest.approx(cents_to_440, abs=5e-4)


# Equal temperament f = A4 2^((m-69)/12): tabled values at three concert pitches (computed apart from this project).
NOTE_TABLE = [
    (415, "C2", 61.690119), (415, "F#2", 87.243003), (415, "G3", 184.861484), (415, "D4", 276.97927),
    (415, "A4", 415.0), (415, "E5", 621.797437), (415, "A#3", 219.838592), (415, "G5", 739.445936),
    (431, "C2", 64.068533), (431, "G3", 191.988674), (431, "D4", 287.657989), (431, "A4", 431.0),
    (431, "E5", 645.77035), (431, "A#3", 228.314297), (431, "E6", 1291.5407),
    (440, "C2", 65.406391), (440, "C#3", 138.591315), (440, "E2", 82.406889), (440, "G3", 195.997718),
    (440, "A#3", 233.081881), (440, "C4", 261.625565), (440, "D4", 293.664768), (440, "A4", 440.0),
]  # fmt: skip


@pytest.mark.parametrize(("concert_pitch_hz", "note", "hz"), NOTE_TABLE)
def test_note_table(concert_pitch_hz, note, hz):
    assert note_to_hz(note, concert_pitch_hz) == pytest.approx(hz, abs=6e-7)
    read_note, cents = hz_to_note(hz, concert_pitch_hz)
    assert read_note == note
    assert abs(cents) < 2e-5


def test_piano_tuners_c5():
    """C 523.3 at A 440. Source: http://www.piano-tuners.org/history/pitch.html."""
    assert round(note_to_hz("C5"), 1) == 523.3


def test_worked_bell_hum():
    """Hum 215 Hz against a quarter of the nominal 800 Hz: 125 cents. http://www.btinternet.com/~keltek/sapage5.html."""
    assert round(cents_between(0.25 * 800.0, 215.0)) == 125


def test_allowed_error_of_a_reference_tone():
    """440 +-0.5 Hz (Italian Law 3 May 1989 no. 170, art. 3) is -1.968 to +1.966 cents."""
    assert cents_between(440.0, 439.5) == pytest.approx(-1.968, abs=5e-4)
    assert cents_between(440.0, 440.5) == pytest.approx(1.966, abs=5e-4)


def test_documented_examples_of_another_library():
    """Values printed in the docstrings of librosa's core/convert.py."""
    assert note_to_hz("C2-32") == pytest.approx(64.209, abs=1e-3)
    for hz, note in [(32.0, "C1"), (64.0, "C2")]:
        read_note, cents = hz_to_note(hz)
        assert (read_note, round(cents)) == (note, -38)
        assert cents == pytest.approx(-37.632, abs=5e-4)
    assert cents_between(440.0, 432.0) / 100 == pytest.approx(-0.318, abs=5e-4)
    assert cents_between(440.0, 444.0) / 50 == pytest.approx(0.313, abs=5e-4)


def test_common_practice_a_drop_of_42_cents():
    """18 cents below B-flat to 40 above A is a drop of 42 cents (common practice of the trade, no source)."""
    assert cents_between(note_to_hz("Bb3-18"), note_to_hz("A3+40")) == pytest.approx(-42.0, abs=1e-9)


@pytest.mark.parametrize("freq_hz", [97.3, 187.0, 288.0, 431.0, 1170.0])
def test_common_practice_431_reads_higher(freq_hz):
    """At a concert pitch of 431 the same sound reads 35.8 cents higher on the scale than at 440."""
    note_431, cents_431 = hz_to_note(freq_hz, 431.0)
    note_440, cents_440 = hz_to_note(freq_hz, 440.0)
    higher = cents_between(note_to_hz(note_440), note_to_hz(note_431)) + cents_431 - cents_440
    assert round(higher, 1) == 35.8


def test_agrees_with_librosa_over_the_whole_range():
    """Another library's converters, note by note from C1 to B7, at three concert pitches (it knows 440 only)."""
    convert = pytest.importorskip("librosa.core.convert", reason="librosa is not installed")
    for midi in range(24, 108):
        name = str(convert.midi_to_note(midi, unicode=False))
        hz = float(convert.midi_to_hz(midi))
        for concert_pitch_hz in (415.0, 431.0, 440.0):
            scaled_hz = hz * concert_pitch_hz / 440.0
            assert note_to_hz(name, concert_pitch_hz) == pytest.approx(scaled_hz, rel=1e-13)
            note, cents = hz_to_note(scaled_hz * 1.01, concert_pitch_hz)
            assert note == name
            assert cents == pytest.approx(100 * float(convert.hz_to_midi(hz * 1.01) - midi), abs=1e-9)


def test_whole_note_table_of_the_reference():
    with (REFERENCE / "note_table.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) > 300
    for row in rows:
        assert note_to_hz(row["note"], float(row["A4"])) == pytest.approx(float(row["hz"]), abs=6e-7)
