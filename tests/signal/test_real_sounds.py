"""Real sounds from package registries: what is known of them must come out.

No open recording of taps on whole guitars was at hand; these are plucked notes, struck bars, rooms and drums.
"""

import numpy as np
import pytest
import soundfile
from fixtures import real_sounds

from luthkit.signal.decay import decay_from_envelope, decay_time
from luthkit.signal.peaks import find_peaks
from luthkit.signal.recording import open_recording
from luthkit.signal.spectrum import sound_spectrum
from luthkit.signal.taps import find_taps

pytestmark = pytest.mark.registry
NOTES = ("C", "Cs", "D", "Ds", "E", "F", "Fs", "G", "Gs", "A", "As", "B")
GUITAR_NOTES = [f"{note}{octave}" for octave in (2, 3, 4, 5) for note in NOTES][2:-10]  # D2 to Cs5, and D5


def pitch_hz(name):
    """Equal temperament, A4 = 440 Hz (ISO 16, from memory)."""
    return 440 * 2 ** (NOTES.index(name[:-1]) / 12 + int(name[-1]) - 4 - 9 / 12)


def stretch(path, start_s, stop_s):
    samples, rate = soundfile.read(path, always_2d=True)
    sound = samples[round(start_s * rate) : round(stop_s * rate)].mean(axis=1)
    return sound[: len(sound) // 200 * 200], rate


@pytest.mark.parametrize("name", [*GUITAR_NOTES, "D5"])
def test_plucked_notes_have_the_pitch_of_their_names(name):
    """Fundamentals within 7 cents, 0.5 to 2.5 s after the start, when the pitch has settled.

    D2 and Ds2 are known to lie flat of their names in some stretches; they get 10 cents.
    """
    sound, rate = stretch(real_sounds("guitar") / f"{name}.wav", 0.5, 2.5)
    spectrum = sound_spectrum(sound, rate, scaling="amplitude", zero_padding=2)
    named = pitch_hz(name)
    near = find_peaks(spectrum, band_hz=(named / 1.06, named * 1.06), prominence_db=6)
    found = max(near, key=lambda peak: peak.level_db).frequency_hz
    assert abs(1200 * np.log2(found / named)) < (10 if name in ("D2", "Ds2") else 7)


@pytest.mark.parametrize("name", ["G4", "C5", "C6"])
def test_the_second_partial_of_xylophone_bars_is_tuned_to_three(name):
    """Bars are undercut so that the second partial is a twelfth over the first (common practice)."""
    sound, rate = stretch(real_sounds("xylophone") / f"{name}.wav", 0.0, 0.5)
    spectrum = sound_spectrum(sound, rate, scaling="amplitude", zero_padding=4)
    named = pitch_hz(name)
    first, second = (
        max(find_peaks(spectrum, band_hz=band, prominence_db=12), key=lambda peak: peak.level_db).frequency_hz
        for band in ((0.9 * named, 1.1 * named), (2.5 * named, 3.5 * named))
    )
    assert 3.00 <= second / first <= 3.02


@pytest.mark.parametrize("name", ["G4", "C5", "C6"])
def test_two_readings_of_a_struck_bar_agree(name):
    """No outside value: the line through the envelope and the backward integration must agree."""
    path = real_sounds("xylophone") / f"{name}.wav"
    samples, rate = soundfile.read(path, always_2d=True)
    sound, tone = samples.mean(axis=1), pitch_hz(name)
    line = decay_from_envelope(sound, rate, tone, bandwidth_hz=0.3 * tone)
    curve = decay_time(sound, rate, "T20", band_hz=(tone / 1.3, tone * 1.3))
    assert line.decay_time_s == pytest.approx(curve.decay_time_s, rel=0.15)


# Octave decay times that the tests of PyPI acoustics 0.2.6 assert for its own two room responses
# (tests/test_room.py; asserted there to the nearest whole second only, so the decimals are what the package
# computes). That package cuts no noise off: where the noise of the hall lies close under -35 dB (125 and 250
# Hz) its T30 is too long.
OCTAVES = {
    ("ir_sportscentre_omni.wav", "T30"): {500: 6.795, 1000: 6.518, 2000: 4.797, 4000: 4.089},
    ("ir_sportscentre_omni.wav", "EDT"): {
        125: 4.667, 250: 5.942, 500: 6.007, 1000: 5.941, 2000: 5.038, 4000: 3.735,
    },
    ("living_room_1.wav", "T30"): {
        125: 0.365, 250: 0.303, 500: 0.259, 1000: 0.227, 2000: 0.211, 4000: 0.204, 8000: 0.181,
    },
    ("living_room_1.wav", "T20"): {
        125: 0.365, 250: 0.151, 500: 0.156, 1000: 0.102, 2000: 0.076, 4000: 0.146, 8000: 0.152,
    },
}  # fmt: skip


def octave(centre_hz):
    return (centre_hz / np.sqrt(2), centre_hz * np.sqrt(2))


@pytest.mark.parametrize(("file", "evaluation"), OCTAVES)
def test_octave_decay_times_of_two_rooms(file, evaluation):
    sound, rate = soundfile.read(real_sounds("rooms") / file)
    onset_s = max(0.0, float(np.argmax(np.abs(sound) > 0.1 * np.abs(sound).max())) / rate - 0.002)
    for centre_hz, expected in OCTAVES[file, evaluation].items():
        found = decay_time(sound, rate, evaluation, onset_s=onset_s, band_hz=octave(centre_hz))
        assert found.decay_time_s == pytest.approx(expected, rel=0.045), centre_hz


@pytest.mark.parametrize(("centre_hz", "untruncated"), [(125, 7.388), (250, 8.472)])
def test_the_noise_of_the_hall_is_not_taken_for_reverberation(centre_hz, untruncated):
    """The two octaves left out above: the package's number, and why it is not the decay of the hall."""
    sound, rate = soundfile.read(real_sounds("rooms") / "ir_sportscentre_omni.wav")
    found = decay_time(sound, rate, "T30", onset_s=0.025, band_hz=octave(centre_hz))
    assert -50 < found.noise_db < -45
    assert found.decay_time_s < 0.8 * untruncated
    neighbour = decay_time(sound, rate, "T20", onset_s=0.025, band_hz=octave(centre_hz))
    assert found.decay_time_s == pytest.approx(neighbour.decay_time_s, rel=0.15)


def test_an_octave_that_rings_as_long_as_the_room_is_refused():
    """63 Hz in a dead living room: the package says 0.300 s (T20); bandwidth times that is below 16."""
    sound, rate = soundfile.read(real_sounds("rooms") / "living_room_1.wav")
    low = decay_time(sound, rate, "T20", band_hz=octave(63))
    assert np.isnan(low.decay_time_s) and "ringing" in low.reason
    assert decay_time(sound, rate, "T20", band_hz=octave(125)).decay_time_s > 0


def test_drums_and_loops_are_mostly_not_taps():
    """Drums and loops of Debian's sonic-pi-samples: few of their blows may pass for taps on a guitar."""
    folder = real_sounds("percussion")
    accepted, left_out = 0, 0
    for kind in ("drum_*.flac", "loop_*.flac"):
        for path in sorted(folder.glob(kind)):
            taps = find_taps([open_recording(path)])
            accepted += len(taps.taps)
            left_out += len(taps.rejected)
            assert all(rejection.reason for rejection in taps.rejected)
    assert left_out > 100
    assert accepted < 0.1 * left_out
