"""The spectral centroid: closed forms, librosa, and its two weightings told apart."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.signal.tone import centroid_track, spectral_centroid


def test_a_vector_in_both_weightings():
    """Two sines under a symmetric Hann window, one frame; computed with librosa 0.11.0 and by hand."""
    t = np.arange(4096) / 44100
    x = np.sin(2 * np.pi * 430.6640625 * t) + 0.5 * np.sin(2 * np.pi * 1292 * t)
    one = {"n_fft": 4096, "window": np.hanning(4096), "centred": False}
    assert spectral_centroid(x, 44100, weighting="amplitude", **one) == pytest.approx([717.787877], rel=1e-8)
    assert spectral_centroid(x, 44100, weighting="power", **one) == pytest.approx([602.931249], rel=1e-8)


def test_a_click_has_its_centroid_at_a_quarter_of_the_rate():
    """A flat spectrum between 0 and fs / 2."""
    click = np.eye(1, 2048)[0]
    one = {"n_fft": 2048, "window": "boxcar", "centred": False}
    for weighting in ("amplitude", "power"):
        assert spectral_centroid(click, 44100, weighting=weighting, **one) == pytest.approx([11025.0])


@settings(max_examples=20, deadline=None)
@given(
    st.integers(3000, 30000),
    st.sampled_from([(2048, 512), (1024, 300), (512, 512)]),
    st.sampled_from([16000, 44100, 192000]),
    st.booleans(),
)
def test_equal_to_librosa_on_the_same_frames(n, frame, rate, centred):
    """librosa.feature.spectral_centroid is amplitude-weighted."""
    from librosa.feature import spectral_centroid as theirs

    x = np.cumsum(np.random.default_rng(n).standard_normal(n)) / 50 + np.random.default_rng(1).standard_normal(n)
    n_fft, hop = frame
    ours = spectral_centroid(x, rate, weighting="amplitude", n_fft=n_fft, hop=hop, centred=centred)
    expected = theirs(y=x, sr=rate, n_fft=n_fft, hop_length=hop, center=centred)[0]
    np.testing.assert_allclose(ours, expected, rtol=1e-6)


def test_silence_has_no_centroid():
    x = np.concatenate([np.zeros(8192), np.random.default_rng(0).standard_normal(8192)])
    centroid = spectral_centroid(x, 48000, weighting="power")
    assert np.isnan(centroid[0]) and np.isfinite(centroid[-1])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"weighting": "loudness"}, "amplitude"),
        ({"weighting": "power", "n_fft": 0}, "whole numbers"),
        ({"weighting": "power", "hop": 0}, "whole numbers"),
        ({"weighting": "power", "window": np.ones(5)}, "n_fft = 2048"),
        ({"weighting": "power", "centred": False}, "smaller n_fft"),
    ],
)
def test_bad_options_say_what_is_allowed(options, words):
    with pytest.raises(LuthkitError, match=words):
        spectral_centroid(np.ones(100), 48000, **options)
    with pytest.raises(LuthkitError, match="one channel"):
        spectral_centroid(np.ones((100, 2)), 48000, weighting="power")
    with pytest.raises(LuthkitError, match="must be positive"):
        spectral_centroid(np.ones(100), -48000, weighting="power")
    with pytest.raises(TypeError):
        spectral_centroid(np.ones(100), 48000)


def test_any_whole_number_will_do_for_a_frame():
    x = np.ones(100)
    found = [spectral_centroid(x, 48000, weighting="power", n_fft=n, hop=n) for n in (64, np.int64(64))]
    assert np.array_equal(*found)


def chord(rate=44_100, length_s=3.0, seed=0):
    t = np.arange(round(length_s * rate)) / rate
    rng = np.random.default_rng(seed)
    return sum(
        0.1 / n * np.sin(2 * np.pi * f * n * t + rng.uniform(0, 6)) * np.exp(-(0.7 + 0.1 * n) * t)
        for f in (110.0, 164.8, 220.0)
        for n in range(1, 20)
    )


@pytest.mark.parametrize("weighting", ["amplitude", "power"])
def test_hiss_does_not_draw_the_settled_centroid_up(weighting):
    """The same chord with and without the hiss of a room 50 dB lower: the gate takes the hiss out."""
    clean, rng = chord(), np.random.default_rng(1)
    level = 10 ** (-50 / 20) * np.sqrt(np.mean(clean[:44_100] ** 2))
    noisy = clean + level * rng.standard_normal(clean.size)
    truth = centroid_track(clean, 44_100, weighting=weighting).settled_hz
    found = centroid_track(noisy, 44_100, weighting=weighting, noise=level * rng.standard_normal(11_025))
    assert abs(found.settled_hz - truth) < max(3 * found.settled_u_hz, 0.01 * truth)
    if weighting == "amplitude":
        assert centroid_track(noisy, 44_100).settled_hz > 1.25 * truth  # what the gate saves us from


def test_the_track_is_the_centroid_of_its_frames():
    x = chord()
    track = centroid_track(x, 44_100, settled_s=(0.5, 1.0))
    frames = spectral_centroid(x, 44_100, weighting="amplitude", centred=False)
    np.testing.assert_allclose(track.centroid_hz, frames)
    inside = (track.time_s >= 0.5) & (track.time_s <= 1.0)
    assert track.settled_hz == pytest.approx(frames[inside].mean())
    assert track.centroid_hz[5] > track.centroid_hz[-5]  # high partials die first
    with pytest.raises(LuthkitError, match="record longer"):
        centroid_track(x[:5000], 44_100, settled_s=(0.5, 1.0))


def test_single_precision_stays_single_and_agrees():
    x = chord()
    double = spectral_centroid(x, 44_100, weighting="power")
    np.testing.assert_allclose(spectral_centroid(x.astype(np.float32), 44_100, weighting="power"), double, rtol=1e-4)
