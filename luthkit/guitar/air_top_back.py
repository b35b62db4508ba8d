"""Air, main top and main back of a guitar as coupled oscillators: where they ring, how long, how loud.

Three pistons push on one cavity: the top, the plug of air in the soundhole, and the back. With displacements x
counted outwards, areas a = (A_top, S, A_back) and the cavity's stiffness mu = rho c^2 / V,

    M x'' + R x' + (diag(k_top, 0, k_back) + mu a a') x = force,   M = diag(m_top, rho S L, m_back).

Christensen and Vistisen, J. Acoust. Soc. Am. 68, 758 (1980), two oscillators; Christensen 1984, three; Fletcher
and Rossing, The Physics of Musical Instruments, ch. 9 (all three from memory; the two-oscillator equations as on
euphonics.org, section 4.2.2). Every quantity may be an array: arrays broadcast, so that thousands of candidates
are reckoned at once. Above about 300 Hz dipoles and standing waves in the body take over, which this lacks.

What the first standing wave of the air in the box does below, three pistons lack too. Air sloshes lengthwise, pressure
~ cos(pi x / L) at x from the tail: one way at bridge and back, the other at the hole. Its stiffness for pistons of
areas A_j that sit in it with the share g_j is 2 rho c^2 / V g_j A_j g_k A_k (cavity modes of a hard-walled box, Morse
and Ingard, Theoretical Acoustics, ch. 9, from memory); far below its own frequency F it only loads them with
1 / (2 pi F)^2 of that as mass.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import pi

import numpy as np

from .._frozen import frozen_array
from ..errors import LuthkitError

RANGE_HZ = (60.0, 300.0)  # where three oscillators are a guitar (common practice, no source)
WAVE_HZ = 385.0  # usual for the first cavity mode (from memory)
PLACES = (0.36, 0.68, 0.36)  # bridge, hole, back: from the tail over the body's length (common practice, no source)


def speed_of_sound_m_s(temperature_c, *, relative_humidity_percent=0.0):
    """343.2 sqrt(T / 293.15 K) m/s in dry air (ISO 9613-1, from memory); in moist air by sqrt(gamma / M) more.

    An ideal gas at sea level: M and gamma by the share of vapour, whose pressure is after Magnus (Alduchov & Eskridge
    1996, from memory: 610.94 exp(17.625 t / (t + 243.04)) Pa). Molar masses 28.96546 and 18.01528 g/mol; heat
    capacities 7/2 R for air, 4 R for vapour. Within 0.1 % of the formula of Cramer (1993) from 0 to 30 degrees.

    >>> print(round(speed_of_sound_m_s(25.0), 1), round(speed_of_sound_m_s(25.0, relative_humidity_percent=50.0), 1))
    346.1 347.0
    """
    celsius = np.asarray(temperature_c, float)
    full = 610.94 / 101325 * np.exp(17.625 * celsius / (celsius + 243.04))
    share = full * np.asarray(relative_humidity_percent) / 100
    mass, heat = 1 - share * (1 - 18.01528 / 28.96546), 3.5 + 0.5 * share  # over that of dry air; in gas constants
    return (343.2 * np.sqrt((celsius + 273.15) / 293.15 * heat / (heat - 1) / 1.4 / mass))[()]


def air_density_kg_m3(temperature_c):
    """1.205 kg/m^3 at 20 degrees and sea level, less as 1 / T when warmer (ideal gas).

    >>> print(round(air_density_kg_m3(25.0), 3))
    1.185
    """
    return (1.205 * 293.15 / (np.asarray(temperature_c, float) + 273.15))[()]


@dataclass(frozen=True, eq=False)
class BodyModel:
    """A guitar below 300 Hz, in SI units; each field a number or an array, and arrays broadcast.

    Masses are effective masses at the bridge and at the loudest spot of the back; areas are the effective piston
    areas that go with them. A Q is that of one part with the other two held still and the cavity closed behind it.
    Raises `LuthkitError` for a value that is not finite and above zero (areas may be zero, temperatures any).
    """

    top_mass_kg: float | np.ndarray
    top_stiffness_n_m: float | np.ndarray
    top_area_m2: float | np.ndarray
    back_mass_kg: float | np.ndarray
    back_stiffness_n_m: float | np.ndarray
    back_area_m2: float | np.ndarray
    volume_m3: float | np.ndarray
    hole_radius_m: float | np.ndarray
    hole_length_m: float | np.ndarray  # effective length of the air plug, end corrections included
    top_q: float | np.ndarray = 30.0
    air_q: float | np.ndarray = 30.0
    back_q: float | np.ndarray = 30.0
    temperature_c: float | np.ndarray = 20.0

    def __post_init__(self):
        for field in fields(self):
            value = frozen_array(getattr(self, field.name))
            lowest = -60.0 if field.name == "temperature_c" else 0.0
            above = value >= lowest if field.name.endswith("area_m2") else value > lowest
            if not np.all(np.isfinite(value) & above):
                what = "not below 0" if field.name.endswith("area_m2") else f"above {lowest:g}"
                raise LuthkitError(f"{field.name} is {value}; give finite values {what}")
            object.__setattr__(self, field.name, value if value.ndim else float(value))
        try:
            np.broadcast_shapes(*(np.shape(getattr(self, field.name)) for field in fields(self)))
        except ValueError as error:
            raise LuthkitError(f"the arrays of a body model do not go together: {error}") from error

    @property
    def cavity_stiffness_pa_m3(self):
        """mu = rho c^2 / V: pressure for each cubic metre pushed in."""
        c = speed_of_sound_m_s(self.temperature_c)
        return air_density_kg_m3(self.temperature_c) * c**2 / self.volume_m3

    @property
    def box_frequency_hz(self):
        """Rigid box with its soundhole, (c / 2 pi) sqrt(S / (V L)) (Helmholtz)."""
        area = pi * np.square(self.hole_radius_m)
        return speed_of_sound_m_s(self.temperature_c) / (2 * pi) * np.sqrt(area / (self.volume_m3 * self.hole_length_m))

    @property
    def top_frequency_hz(self):
        """Top alone, no air behind it: sqrt(k / m) / 2 pi."""
        return np.sqrt(np.divide(self.top_stiffness_n_m, self.top_mass_kg)) / (2 * pi)

    @property
    def back_frequency_hz(self):
        """Back alone, no air behind it: sqrt(k / m) / 2 pi."""
        return np.sqrt(np.divide(self.back_stiffness_n_m, self.back_mass_kg)) / (2 * pi)

    @property
    def top_is_lower(self):
        """Whether the top over a closed box, the back held still, lies below the back with the top held still."""
        mass, _, stiffness = self.matrices()
        squares = np.diagonal(stiffness, axis1=-2, axis2=-1) / mass
        return (squares[..., 0] <= squares[..., 2])[()]

    def matrices(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Mass and resistance (..., 3) on the diagonal, stiffness (..., 3, 3), in the order top, air, back."""
        area = self.areas_m2()
        plug = air_density_kg_m3(self.temperature_c) * area[..., 1] * self.hole_length_m
        mass = _stack(self.top_mass_kg, plug, self.back_mass_kg)
        cavity = np.asarray(self.cavity_stiffness_pa_m3)[..., None, None]
        full = cavity * area[..., :, None] * area[..., None, :]
        full = full + _diagonal(_stack(self.top_stiffness_n_m, 0.0, self.back_stiffness_n_m))
        quality = _stack(self.top_q, self.air_q, self.back_q)
        resistance = np.sqrt(np.diagonal(full, axis1=-2, axis2=-1) * mass) / quality
        shape = np.broadcast_shapes(mass.shape, resistance.shape)
        return np.broadcast_to(mass, shape), np.broadcast_to(resistance, shape), full

    def modes(self, *, soundhole_plugged: bool = False, back_blocked: bool = False) -> LowModes:
        """The modes, lowest first: three; less the air where the hole is plugged, less the back where it is held."""
        keep = _free(soundhole_plugged, back_blocked)
        mass, resistance, stiffness = self.matrices()
        n = len(keep)
        shape = np.broadcast_shapes(mass.shape[:-1], stiffness.shape[:-2])
        state = np.zeros((*shape, 2 * n, 2 * n))
        state[..., :n, n:] = np.eye(n)
        inner = stiffness[..., keep, :][..., :, keep]
        state[..., n:, :n] = -inner / mass[..., keep, None]
        state[..., n:, n:] = -_diagonal((resistance / mass)[..., keep])
        poles = np.linalg.eigvals(state)
        poles = np.take_along_axis(poles, np.argsort(poles.imag, axis=-1), axis=-1)[..., n:]
        poles = np.take_along_axis(poles, np.argsort(np.abs(poles), axis=-1), axis=-1)
        size = np.abs(poles)
        return LowModes(size / (2 * pi), -poles.real / size)

    def mobility(self, frequency_hz, *, soundhole_plugged: bool = False, back_blocked: bool = False) -> np.ndarray:
        """Velocity at the bridge for one newton there, m/s/N, complex (..., n_frequencies).

        Without losses it is zero where the air (with the back) rings with the top held still.
        """
        omega = 2 * pi * np.atleast_1d(np.asarray(frequency_hz, float))
        return 1j * omega * self._displacement(omega, _free(soundhole_plugged, back_blocked))[..., 0]

    def pressure(
        self, frequency_hz, *, distance_m: float = 1.0, soundhole_plugged: bool = False, back_blocked: bool = False
    ) -> np.ndarray:
        """Sound pressure in the open for one newton at the bridge, Pa/N, complex (..., n_frequencies).

        A point source: rho (A_top x'' + S y'' + A_back z'') / (4 pi r), without the time of travel. Holds where
        the guitar is small beside the wavelength, from a metre away, no walls.
        """
        omega = 2 * pi * np.atleast_1d(np.asarray(frequency_hz, float))
        moved = self._displacement(omega, _free(soundhole_plugged, back_blocked))
        volume = -(omega**2) * np.sum(moved * self.areas_m2()[..., None, :], axis=-1)
        density = np.asarray(air_density_kg_m3(self.temperature_c))[..., None]
        return density * volume / (4 * pi * distance_m)

    def _displacement(self, omega, keep) -> np.ndarray:
        """Displacements (..., n_frequencies, 3) of the parts for one newton at the bridge."""
        mass, resistance, stiffness = self.matrices()
        along = mass[..., None, :] * -(omega[:, None] ** 2) + 1j * omega[:, None] * resistance[..., None, :]
        dynamic = (_diagonal(along) + stiffness[..., None, :, :])[..., keep, :][..., :, keep]
        force = np.zeros((*dynamic.shape[:-1], 1), complex)
        force[..., 0, 0] = 1.0
        moved = np.zeros((*dynamic.shape[:-2], 3), complex)
        moved[..., keep] = np.linalg.solve(dynamic, force)[..., 0]
        return moved

    def areas_m2(self) -> np.ndarray:
        """Areas (..., 3) of top, soundhole and back."""
        return _stack(self.top_area_m2, pi * np.square(self.hole_radius_m), self.back_area_m2)


def wave_log_shifts(model: BodyModel, *, soundhole_plugged: bool = False, back_blocked: bool = False) -> np.ndarray:
    """By how much the standing wave moves the logarithm (n_modes,) of each mode of one model, to first order.

    -1/2 u' m_w u / u' M u for a mode u, over 1 - (f / F)^2 for how near it comes to the wave.
    """
    keep = _free(soundhole_plugged, back_blocked)
    mass, _, stiffness = model.matrices()
    push = np.cos(pi * np.array(PLACES)) * model.areas_m2()
    load = 2 * model.cavity_stiffness_pa_m3 * np.outer(push, push) / (2 * pi * WAVE_HZ) ** 2
    root = 1 / np.sqrt(mass[keep])
    square, shapes = np.linalg.eigh(root[:, None] * stiffness[np.ix_(keep, keep)] * root)
    heavier = np.sum(shapes * ((root[:, None] * load[np.ix_(keep, keep)] * root) @ shapes), axis=0)
    return -0.5 * heavier / (1 - square / (2 * pi * WAVE_HZ) ** 2)


@dataclass(frozen=True, eq=False)
class LowModes:
    """The modes of a `BodyModel`, arrays (..., n_modes), the lowest first."""

    frequency_hz: np.ndarray  # |s| / 2 pi of each pole s
    damping_ratio: np.ndarray  # -Re s / |s|

    def __post_init__(self):
        for field in fields(self):
            object.__setattr__(self, field.name, frozen_array(getattr(self, field.name)))

    @property
    def q_factor(self) -> np.ndarray:
        """Q = 1 / (2 zeta)."""
        return 0.5 / self.damping_ratio


def _free(soundhole_plugged, back_blocked) -> list[int]:
    """Rows of the parts that can move."""
    return [0] + [1] * (not soundhole_plugged) + [2] * (not back_blocked)


def _stack(*parts) -> np.ndarray:
    """Three quantities that broadcast, side by side along a new last axis."""
    return np.stack(np.broadcast_arrays(*(np.asarray(part, float) for part in parts)), axis=-1)


def _diagonal(values) -> np.ndarray:
    """Diagonal matrices (..., n, n) from (..., n)."""
    return values[..., :, None] * np.eye(values.shape[-1])
