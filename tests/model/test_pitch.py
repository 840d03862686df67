"""Hz <-> note and cents: what holds for every frequency and every way of writing a note."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapbatch.model.errors import SettingsError
from tapbatch.model.pitch import as_sharp, cents_between, hz_to_note, note_to_hz
from tests.refusals import refused

freqs_hz = st.floats(1.0, 30000.0)
concert_pitches_hz = st.floats(380.0, 470.0)
spellings = st.sampled_from(["sharp", "flat", "german", "solfege"])


@given(freqs_hz, concert_pitches_hz, spellings)
def test_note_and_cents_lead_back_to_the_frequency(freq_hz, concert_pitch_hz, spelling):
    note, cents = hz_to_note(freq_hz, concert_pitch_hz, spelling)
    assert -50.0 <= cents < 50.0
    assert note_to_hz(note, concert_pitch_hz, spelling) * 2 ** (cents / 1200) == pytest.approx(freq_hz, rel=1e-12)


@given(freqs_hz, spellings, st.sampled_from(["", "+20", "-3"]))
def test_the_tables_write_the_same_note_in_letters(freq_hz, spelling, cents):
    note = hz_to_note(freq_hz, spelling=spelling)[0]
    written = as_sharp(note + cents, spelling)
    assert note_to_hz(written) == pytest.approx(note_to_hz(note + cents, spelling=spelling), rel=1e-12)
    if spelling != "flat":
        assert written == hz_to_note(freq_hz, spelling="sharp")[0] + cents


# Names as German and French primers have them: b is a semitone below h, si is the leading note of
# do; at A4 = 440 Hz (ISO 16) A#3 = 233.08 Hz and B3 = 246.94 Hz.
@pytest.mark.parametrize(
    ("note", "spelling", "letters"),
    [
        ("H3", "german", "B3"), ("B3", "german", "A#3"), ("b3", "german", "A#3"), ("Bb3", "german", "A#3"),
        ("Fis4", "german", "F#4"), ("Ges4", "german", "F#4"), ("Es4", "german", "D#4"), ("As2", "german", "G#2"),
        ("his3", "german", "C4"), ("Ces4", "german", "B3"), ("Heses3", "german", "A3"), ("Eb4", "german", "D#4"),
        ("la3", "solfege", "A3"), ("si3", "solfege", "B3"), ("sib3", "solfege", "A#3"), ("Ré♯4", "solfege", "D#4"),
        ("ut4", "solfege", "C4"), ("sol#2+20", "solfege", "G#2+20"), ("A#3", "solfege", "A#3"),
    ],
)  # fmt: skip
def test_german_and_solfege_name_the_places_of_letters(note, spelling, letters):
    assert note_to_hz(note, spelling=spelling) == pytest.approx(note_to_hz(letters), rel=1e-14)


@pytest.mark.parametrize(
    ("text", "spelling"),
    [("Aes3", "german"), ("Cs3", "german"), ("B#3", "german"), ("la3", "german"), ("H3", "solfege"), ("H3", "flat")],
)
def test_each_spelling_refuses_what_it_does_not_write(text, spelling):
    with refused(SettingsError, "note", repr(text), "A#3", "Bb3"):
        note_to_hz(text, spelling=spelling)


@given(freqs_hz, concert_pitches_hz)
def test_sharps_and_flats_name_the_same_place(freq_hz, concert_pitch_hz):
    sharp, cents_sharp = hz_to_note(freq_hz, concert_pitch_hz, "sharp")
    flat, cents_flat = hz_to_note(freq_hz, concert_pitch_hz, "flat")
    assert cents_sharp == cents_flat
    assert note_to_hz(sharp) == note_to_hz(flat)
    assert "b" not in sharp
    assert "#" not in flat


@given(freqs_hz, concert_pitches_hz, st.floats(0.25, 4.0))
def test_scaling_sound_and_concert_pitch_alike_changes_nothing(freq_hz, concert_pitch_hz, scale):
    other_pitch_hz = min(max(concert_pitch_hz * scale, 380.0), 470.0)
    note, cents = hz_to_note(freq_hz, concert_pitch_hz)
    note_scaled, cents_scaled = hz_to_note(freq_hz * other_pitch_hz / concert_pitch_hz, other_pitch_hz)
    apart = cents_between(note_to_hz(note), note_to_hz(note_scaled)) + cents_scaled - cents
    assert apart == pytest.approx(0.0, abs=1e-8)


def test_half_way_belongs_to_the_upper_note():
    for octave in range(8):
        half_way_hz = note_to_hz(f"A{octave}") * 2 ** (1 / 24)
        for freq_hz in (half_way_hz, math.nextafter(half_way_hz, 0.0), math.nextafter(half_way_hz, 1e9)):
            note, cents = hz_to_note(freq_hz)
            assert -50.0 <= cents < 50.0
            assert note in (f"A{octave}", f"A#{octave}")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("A#3", "Bb3"), ("A♯3", "B♭3"), ("cb4", "B3"), ("B#3", "C4"), ("E##2", "F#2"), ("Fx2", "G2"), ("bb3", "A#3"),
        ("Bbb3", "A3"), ("G4+100", "G#4"), ("G4 −100", "Gb4"), ("C-1", "B-2 +100 cents"), ("D♮4", "D4"),
        ("C2-32", "C2 - 32 c"), ("C2-32.5", "C2 -32,5"),
    ],
)  # fmt: skip
def test_ways_of_writing_one_note(one, other):
    assert note_to_hz(one) == pytest.approx(note_to_hz(other), rel=1e-14)


@pytest.mark.parametrize("text", ["", "H3", "A", "A#", "3A", "A#b3", "A3 32", "A3+", "A123", "do3", "440", "A4 A4"])
def test_what_is_not_a_note_is_refused_with_an_example(text):
    with refused(SettingsError, "note", repr(text), "A#3", "Bb3"):
        note_to_hz(text)


@given(st.text(), spellings)
def test_any_text_is_a_note_or_a_settings_error(text, spelling):
    try:
        freq_hz = note_to_hz(text, spelling=spelling)
    except SettingsError:
        return
    assert math.isfinite(freq_hz)
    assert freq_hz > 0


@pytest.mark.parametrize("concert_pitch_hz", [0.0, 379.9, 470.1, math.nan, math.inf, -440.0])
def test_concert_pitch_out_of_range_says_the_range(concert_pitch_hz):
    values = f"{concert_pitch_hz:g}", 380, 470
    with refused(SettingsError, "concert pitch", *values):
        hz_to_note(440.0, concert_pitch_hz)
    with refused(SettingsError, "concert pitch", *values):
        note_to_hz("A4", concert_pitch_hz)


@pytest.mark.parametrize("freq_hz", [0.0, -1.0, math.nan, math.inf])
def test_a_frequency_must_be_positive(freq_hz):
    with pytest.raises(ValueError, match="positive"):
        hz_to_note(freq_hz)
    with pytest.raises(ValueError, match="positive"):
        cents_between(440.0, freq_hz)
