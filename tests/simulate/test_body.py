"""The made guitar against the known identities of coupled oscillators and against plain Fourier analysis."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import hilbert

from luthkit.simulate import POSITIONS, AirTopBack, Body, guitar, pole, random_body

# Round figures of plausible size, no published guitar: top, hole and cavity of the two-mass model.
HOLE_M2, AIR_KG = 0.0064, 1.2e-3
TWO_MASSES = {
    "top_mass_kg": 0.110,
    "top_stiffness_n_m": 6e4,
    "top_area_m2": 0.040,
    "hole_radius_m": np.sqrt(HOLE_M2 / np.pi),
    "hole_length_m": AIR_KG / (1.205 * HOLE_M2),
    "volume_m3": 0.0150,
}
BACK = {"back_mass_kg": 0.150, "back_stiffness_n_m": 1.35e5, "back_area_m2": 0.030}
LOSSLESS = {"top_q": 1e9, "air_q": 1e9, "back_q": 1e9}


def hz(poles):
    return np.abs(poles) / (2 * np.pi)


def alone(model: AirTopBack):
    """Frequencies of top and back without the cavity, of the rigid cavity, and of top and back over a closed
    hole: from the textbook formulas, not from the matrices."""
    stiffness = 1.205 * 343.2**2 / model.volume_m3
    hole = np.pi * model.hole_radius_m**2
    free = [
        np.sqrt(model.top_stiffness_n_m / model.top_mass_kg) / (2 * np.pi),
        343.2 / (2 * np.pi) * np.sqrt(hole / (model.volume_m3 * model.hole_length_m)),
        np.sqrt(model.back_stiffness_n_m / model.back_mass_kg) / (2 * np.pi),
    ]
    closed = [
        np.hypot(free[0], np.sqrt(stiffness * model.top_area_m2**2 / model.top_mass_kg) / (2 * np.pi)),
        free[1],
        np.hypot(free[2], np.sqrt(stiffness * model.back_area_m2**2 / model.back_mass_kg) / (2 * np.pi)),
    ]
    return np.array(free), np.array(closed)


def test_two_masses_give_the_air_and_the_top_mode():
    """Equations: euphonics.org 4.2.2; Christensen and Vistisen, JASA 68, 758, 1980 (from memory). The figures
    follow from them for the round values above."""
    poles, _ = AirTopBack(**TWO_MASSES, **LOSSLESS, back_area_m2=0.0, back_stiffness_n_m=1e7).modes()
    assert hz(poles)[:2] == pytest.approx([75.623466, 140.587753], abs=2e-6)


def test_added_mass_on_the_top():
    """The same source: f_p = f- f+ / f_h, and m = dm / ((f_p / f_p')^2 - 1) gives the mass back."""
    apart = {**LOSSLESS, "back_area_m2": 0.0, "back_stiffness_n_m": 1e7}
    loaded, _ = AirTopBack(**{**TWO_MASSES, "top_mass_kg": 0.120}, **apart).modes()
    assert hz(loaded)[:2] == pytest.approx([75.009931, 135.703492], abs=2e-6)
    bare, _ = AirTopBack(**TWO_MASSES, **apart).modes()
    ratio = np.prod(hz(bare)[:2]) / np.prod(hz(loaded)[:2])
    assert 0.010 / (ratio**2 - 1) == pytest.approx(0.110, rel=1e-6)


def test_three_masses():
    """Christensen 1984; Fletcher and Rossing, ch. 9 (from memory): figures for the round values above."""
    poles, _ = AirTopBack(**TWO_MASSES, **BACK, **LOSSLESS).modes()
    assert hz(poles) == pytest.approx([73.855364, 134.009857, 162.190971], abs=2e-6)
    assert np.sum(hz(poles) ** 2) == pytest.approx(49719.1674, abs=1e-3)
    assert np.prod(hz(poles)) == pytest.approx(1605260.27, abs=0.05)


def test_mobility_of_three_damped_masses():
    """|v / F| on the top in m/s/N for resistances of 1.6, 0.05 and 2.5 kg/s, same source and values."""
    _, _, stiffness = AirTopBack(**TWO_MASSES, **BACK).matrices()
    mass = [0.110, AIR_KG, 0.150]
    quality = np.sqrt(np.diag(stiffness) * mass) / [1.6, 0.05, 2.5]
    model = AirTopBack(**TWO_MASSES, **BACK, top_q=quality[0], air_q=quality[1], back_q=quality[2])
    m, r, k = model.matrices()
    mobility = []
    for f in (80, 100, 120, 200):
        w = 2 * np.pi * f
        mobility.append(abs(1j * w * np.linalg.inv(k - w**2 * m + 1j * w * r)[0, 0]))
    assert mobility == pytest.approx([1.056435e-2, 9.454669e-3, 3.339344e-2, 1.358832e-2], rel=1e-6)


@given(
    top_mass_kg=st.floats(0.04, 0.2),
    back_mass_kg=st.floats(0.1, 0.4),
    top_stiffness_n_m=st.floats(2e4, 2e5),
    back_stiffness_n_m=st.floats(5e4, 8e5),
    top_area_m2=st.floats(0.02, 0.06),
    back_area_m2=st.floats(0.0, 0.06),
    hole_radius_m=st.floats(0.03, 0.06),
    volume_m3=st.floats(0.01, 0.025),
)
def test_sum_rule_and_product_rule(**values):
    """Sum of f^2 = f_closed top^2 + f_h^2 + f_closed back^2, f1 f2 f3 = f_top f_h f_back (without cavity)."""
    model = AirTopBack(**values, **LOSSLESS)
    poles, _ = model.modes()
    free, closed = alone(model)
    assert np.sum(hz(poles) ** 2) == pytest.approx(np.sum(closed**2), rel=1e-9)
    assert np.prod(hz(poles)) == pytest.approx(np.prod(free), rel=1e-9)


@given(top_q=st.floats(8, 80), air_q=st.floats(8, 80), back_q=st.floats(8, 80))
def test_modes_sum_up_to_the_answer_of_the_masses(top_q, air_q, back_q):
    """Volume acceleration under a force on top or back: solved frequency by frequency, against the modes."""
    model = AirTopBack(top_q=top_q, air_q=air_q, back_q=back_q)
    mass, damping, stiffness = model.matrices()
    areas = np.array([model.top_area_m2, np.pi * model.hole_radius_m**2, model.back_area_m2])
    poles, residues = model.modes()
    for f in (60.0, 103.0, 190.0, 300.0):
        p = 2j * np.pi * f
        straight = p**2 * areas @ np.linalg.inv(p**2 * mass + p * damping + stiffness)
        at_once = areas @ np.linalg.inv(mass)  # the jump at the blow itself, which no mode holds
        parts = residues / (p - poles)[:, None] + residues.conj() / (p - poles.conj())[:, None]
        assert at_once[[0, 2]] + parts.sum(axis=0) / 2 == pytest.approx(straight[[0, 2]], rel=1e-6)


@given(frequency=st.floats(70, 900), quality=st.floats(12, 150), phase=st.floats(-3, 3))
def test_one_mode_rings_at_its_frequency_and_dies_at_its_rate(frequency, quality, phase):
    """Read by the analytic signal: the turn of its phase and the fall of its logarithm are straight lines."""
    s = pole(frequency, 0.5 / quality)
    body = Body(np.array([s]), np.array([[np.exp(1j * phase)]]))
    assert body.frequency_hz[0] == pytest.approx(frequency)
    assert body.damping_ratio[0] == pytest.approx(0.5 / quality)
    rate = 8000
    sound = body.impulse_response(2.0, rate)
    assert sound[0] == pytest.approx(np.cos(phase))
    # the growing weight takes the decay out, so that the analytic signal has nothing but one line to tell
    t = np.arange(len(sound)) / rate
    steady = hilbert(sound * np.exp(np.pi * frequency / quality * t) * np.hanning(len(t)))
    middle = slice(len(t) // 4, 3 * len(t) // 4)
    turn = np.polyfit(t[middle], np.unwrap(np.angle(steady[middle])), 1)[0]
    level = np.abs(steady[middle]) / np.hanning(len(t))[middle]
    assert turn / (2 * np.pi) == pytest.approx(frequency * np.sqrt(1 - 0.25 / quality**2), rel=1e-5)
    assert np.abs(level - 1).max() < 1e-3


def test_levels_are_the_heights_of_the_peaks():
    """Each mode alone: the height of its peak in the Fourier transform of a long record."""
    poles = pole([100, 300, 800], 0.5 / np.array([40, 25, 60]))
    residues = np.array([[3.0], [2j], [1.0]])
    sounds = [Body(poles[[k]], residues[[k]]).impulse_response(4.0, 16_000) for k in range(3)]
    peaks = np.array([20 * np.log10(np.abs(np.fft.rfft(sound, 1 << 19)).max()) for sound in sounds])
    whole = Body(poles, residues)
    assert whole.level_db() == pytest.approx(peaks - peaks.max(), abs=0.15)
    assert np.abs(whole.impulse_response(4.0, 16_000) - np.sum(sounds, axis=0)).max() < 1e-9


def test_a_body_is_sorted_and_cannot_be_changed():
    body = Body(pole([300, 100], [0.01, 0.02]), np.array([[1.0], [2.0]]), labels=("high", "low"))
    assert body.labels == ("low", "high")
    assert body.residues[:, 0].real.tolist() == [2.0, 1.0]
    with pytest.raises(ValueError, match="read-only"):
        body.poles[0] = 0


def test_the_whole_guitar():
    body = guitar(np.random.default_rng(5))
    assert body.positions == POSITIONS
    assert body.residues.shape == (len(body.poles), len(POSITIONS))
    at = {label: k for k, label in enumerate(body.labels) if label}
    assert 95 < body.frequency_hz[at["air"]] < 115
    assert 170 < body.frequency_hz[at["main top"]] < 200
    assert 205 < body.frequency_hz[at["main back"]] < 235
    wings = body.residues[at["cross dipole"], 1:3]
    assert wings[0] / wings[1] == pytest.approx(-1 / 0.9)  # the wings move against each other
    assert abs(body.residues[at["cross dipole"], 0]) < 0.2 * abs(wings[0])
    assert body.frequency_hz.max() > 2000


@given(seed=st.integers(0, 2**32 - 1), n_modes=st.integers(4, 24))
def test_random_modes_keep_to_what_was_asked(seed, n_modes):
    body = random_body(np.random.default_rng(seed), n_modes=n_modes, weakest_db=-20.0)
    inside = (body.frequency_hz > 80) & (body.frequency_hz < 1000)
    assert np.count_nonzero(inside) == n_modes
    assert np.all(np.abs(np.log(body.damping_ratio / (0.5 / 30))) <= np.log(2) + 1e-9)
    assert body.level_db().min() >= -20 - 1e-9
    assert body.level_db()[inside].max() == 0.0
    again = random_body(np.random.default_rng(seed), n_modes=n_modes, weakest_db=-20.0)
    assert np.array_equal(again.poles, body.poles)
