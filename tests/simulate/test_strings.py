"""Strings: stiffness, the ideal pluck, two slopes and beats, and what the body makes of them."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.simulate import Body, String, guitar, pluck_sound, pole, strum_sound
from luthkit.simulate.recipe import STRINGS

STEEL, NYLON = (7850, 200e9), (1050, 5e9)  # density and Young's modulus, round figures
DEAF = {"steady_loss_per_s": 0.0, "loss_per_s_khz": 0.0, "loss_per_s_khz2": 0.0}


def plain(name, frequency_hz, diameter_m, material):
    density, modulus = material
    return String(name, frequency_hz, diameter_m, density * np.pi * diameter_m**2 / 4, youngs_modulus_pa=modulus)


def line(sound, frequency_hz, rate, *, start_s, length_s=0.4):
    """Complex amplitude of one partial in a stretch: a sine of amplitude 1 gives 1."""
    first, n = round(start_s * rate), round(length_s * rate)
    window = np.blackman(n)
    t = np.arange(first, first + n) / rate
    return 2 * np.sum(window * sound[first : first + n] * np.exp(-2j * np.pi * frequency_hz * t)) / window.sum()


@pytest.mark.parametrize(
    ("string", "tension_n", "inharmonicity"),
    [
        (plain("E4", 329.63, 0.012 * 0.0254, STEEL), 104.533, 1.905270e-5),
        (plain("B3", 246.94, 0.016 * 0.0254, STEEL), 104.294, 6.035380e-5),
        (plain("G3", 196.00, 0.017 * 0.0254, STEEL), 74.173, 1.081517e-4),
        (replace(plain("E4", 329.63, 0.71e-3, NYLON), length_m=0.650), 76.337, 1.908580e-5),
    ],
)
def test_tension_and_stiffness_of_plain_strings(string, tension_n, inharmonicity):
    """Hinged stiff string: B = pi^3 E d^4 / (64 T L^2), Fletcher 1964 (from memory); figures worked
    out from it apart from this code."""
    assert string.tension_n == pytest.approx(tension_n, abs=1e-3)
    assert string.inharmonicity == pytest.approx(inharmonicity, rel=2e-6)


def test_the_tenth_partial_is_sharp():
    """1200 log2 sqrt((1 + 100 B) / (1 + 0 B)): 1.6477 cents for the thinnest steel string above."""
    string = plain("E4", 329.6276, 0.012 * 0.0254, STEEL)
    sharp = 1200 * np.log2(string.partials_hz()[9] / (10 * string.frequency_hz))
    assert sharp == pytest.approx(1.6477, abs=1e-4)


@given(k=st.integers(0, len(STRINGS) - 1), n=st.integers(2, 12), m=st.integers(1, 11))
def test_two_partials_give_the_stiffness_back(k, n, m):
    """B = (R - 1) / (n^2 - m^2 R), R = (f_n m / (f_m n))^2."""
    if n == m:
        n += 1
    f = STRINGS[k].partials_hz()
    ratio = (f[n - 1] * m / (f[m - 1] * n)) ** 2
    stiffness = (ratio - 1) / (n**2 - m**2 * ratio)
    assert stiffness == pytest.approx(STRINGS[k].inharmonicity, rel=1e-6)


def test_the_shop_strings_are_a_plausible_set():
    assert all(60 < string.tension_n < 150 for string in STRINGS)
    assert all(1e-5 < string.inharmonicity < 2e-4 for string in STRINGS)


@given(fret=st.integers(1, 19))
def test_a_stopped_string_keeps_its_tension(fret):
    string, stopped = STRINGS[2], STRINGS[2].stopped(fret)
    assert stopped.tension_n == pytest.approx(string.tension_n)
    assert 12 * np.log2(stopped.frequency_hz / string.frequency_hz) == pytest.approx(fret)
    assert stopped.inharmonicity == pytest.approx(string.inharmonicity * 2 ** (fret / 6))


def test_a_pluck_at_a_fifth_leaves_out_every_fifth_partial():
    """Displacement of partial n: sin(n pi / 5) / n^2 (ideal pluck, textbook), the force n times that."""
    force = replace(STRINGS[0], across_share=0.0).pull(place=0.2)
    up = [k for k, label in enumerate(force.labels) if label.endswith("up")][:10]
    share = force.residues[up, 0].real / force.residues[up[0], 0].real
    displacement = [1, 0.40451, 0.17978, 0.0625, 0, -0.02778, -0.03302, -0.02528, -0.01235, 0]
    assert share == pytest.approx(np.array(displacement) * np.arange(1, 11), abs=1e-4)


@pytest.mark.parametrize("place", [0.2, 0.35])
def test_the_force_of_an_ideal_pluck_is_a_rectangle(place):
    """d'Alembert: T h / (place L) for the share `place` of a period, else -T h / ((1 - place) L)."""
    string = String("slack", 100.0, 1e-9, 5e-3, **DEAF)
    force = string.pull(place=place, angle_deg=0.0, displacement_m=1e-3).impulse_response(0.01, 96_000)
    phase = np.arange(len(force)) / 960  # 100 Hz
    corner = place / 2  # the steep stretch lies around t = 0
    high, low = (string.tension_n * 1e-3 / (x * string.length_m) for x in (place, -(1 - place)))
    assert np.mean(force[phase < 0.8 * corner]) == pytest.approx(high, rel=0.02)
    assert np.mean(force[(phase > 1.3 * corner) & (phase < 0.5)]) == pytest.approx(low, rel=0.02)
    assert np.mean(force) == pytest.approx(0, abs=1e-3 * high)


@pytest.mark.parametrize("n", [1, 3])
def test_a_note_dies_away_with_two_slopes(n):
    """Motion up and down goes first; what is left late is the motion across, slower and a little sharper."""
    string = replace(STRINGS[1], steady_loss_per_s=4.0)
    rate, f = 8000, STRINGS[1].partials_hz()[n - 1]
    force = string.pull(angle_deg=30.0).impulse_response(6.0, rate)
    fast = string.decay_rates_per_s(f)

    def slope(start_s):
        one, other = (line(force, f, rate, start_s=start_s + k) for k in (0.0, 0.4))
        return -np.log(abs(other / one)) / 0.4

    assert slope(5.0) == pytest.approx(0.45 * fast, rel=0.02)
    assert 0.75 * fast < slope(0.0) < 1.05 * fast
    turn = np.angle(line(force, f, rate, start_s=5.4) / line(force, f, rate, start_s=5.0)) / (2 * np.pi * 0.4)
    assert turn == pytest.approx(f * string.across_sharp, abs=0.01)


def test_two_equal_motions_beat():
    """Equal parts without loss: the partial vanishes after half a period of the difference."""
    string = String("beating", 200.0, 0.3e-3, 1e-3, across_share=1.0, across_sharp=0.005, **DEAF)
    force = string.pull(angle_deg=45.0).impulse_response(1.5, 8000)
    f = string.partials_hz()[0] * 1.0025
    assert abs(line(force, f, 8000, start_s=0.4, length_s=0.2)) < 0.1 * abs(
        line(force, f, 8000, start_s=0.9, length_s=0.2)
    )


def test_the_body_passes_each_partial_on_as_its_modes_say():
    """Strength of a partial in the sound = its force times the transfer function of the body there."""
    rate, body = 22_050, guitar(np.random.default_rng(1))
    string = replace(STRINGS[2], across_share=0.0, **DEAF)
    sound = pluck_sound(body, string, length_s=2.0, sample_rate_hz=rate, angle_deg=0.0)
    force = string.pull(angle_deg=0.0)
    for n, f in enumerate(string.partials_hz()[:8], start=1):
        p = 2j * np.pi * f
        r, s = body.residues[:, 0], body.poles
        expected = abs(np.sum(r / (p - s) + r.conj() / (p - s.conj())) / 2)
        (k,) = (k for k, label in enumerate(force.labels) if label == f"{n} up")
        expected *= abs(force.residues[k, 0])
        loud = abs(line(sound, f, rate, start_s=1.0, length_s=0.8))
        assert loud == pytest.approx(expected, rel=0.05, abs=2e-4 * np.abs(sound).max()), n


def test_a_pluck_begins_softly_and_ends_in_silence():
    """The finger's force before is part of the balance: no step at the start, no offset left at the end."""
    body = guitar(np.random.default_rng(1))
    sound = pluck_sound(body, STRINGS[5], length_s=6.0, sample_rate_hz=22_050)
    assert abs(sound[0]) < 1e-3 * np.abs(sound).max()
    assert abs(np.mean(sound[-2000:])) < 1e-4 * np.abs(sound).max()


@settings(max_examples=25)
@given(seed=st.integers(0, 10_000))
def test_a_strum_is_its_strings_one_after_the_other(seed):
    body = Body(pole([200.0], [0.02]), np.array([[1.0]]))
    chord = STRINGS[:3]
    sound, starts = strum_sound(np.random.default_rng(seed), body, chord, length_s=0.3, sample_rate_hz=8000)
    assert starts[0] == 0 and len(starts) == 3
    gaps = np.diff(starts)
    assert np.all((gaps > 0.015 - 2e-4) & (gaps < 0.030 + 2e-4))
    first, starts_alone = strum_sound(np.random.default_rng(seed), body, chord[:1], length_s=0.3, sample_rate_hz=8000)
    assert len(sound) == len(first) == 2400 and starts_alone.tolist() == [0.0]
    n = round(starts[1] * 8000)
    # the same string alone, plucked a little differently: much the same up to the second one
    likeness = np.dot(sound[:n], first[:n]) / np.linalg.norm(sound[:n]) / np.linalg.norm(first[:n])
    assert likeness > 0.9
