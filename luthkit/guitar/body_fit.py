"""Air, top and back of one guitar from everything that was measured on it: parameters with their covariance.

Frequencies and Qs of air, main top and main back, as the guitar is, with the hole plugged, with the back held
still, with known masses on the bridge: each reading says something. Least squares on logarithms finds the
`BodyModel` behind them. Three frequencies alone fit any guitar, so what the readings leave open is filled from
wide starting beliefs (`TYPICAL`), and the covariance says which numbers were measured and which only believed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import product
from math import isfinite, nan, pi, sqrt

import numpy as np

from .._frozen import frozen_array, frozen_dict
from .._threads import one_thread
from ..errors import LuthkitError
from .air_top_back import BodyModel, wave_log_shifts
from .helmholtz import END_CORRECTION, TOP_THICKNESS_M
from .priors import AIR, BACK, TOP
from .propagation import propagate, slopes

NAMES = (AIR, TOP, BACK)
TYPICAL = {  # value and relative spread, from memory of published and reported guitars, wide on purpose
    "top_mass_kg": (0.070, 0.40),
    "top_frequency_hz": (165.0, 0.25),
    "top_area_m2": (0.040, 0.30),
    "back_mass_kg": (0.180, 0.40),
    "back_frequency_hz": (205.0, 0.25),
    "back_area_m2": (0.032, 0.40),
    "volume_m3": (0.0165, 0.20),
    "hole_radius_m": (0.047, 0.10),
    "end_correction": (END_CORRECTION, 0.15),  # wider than textbooks: sides yield, holes have edges
    "top_q": (30.0, 0.50),
    "air_q": (30.0, 0.50),
    "back_q": (30.0, 0.50),
}
PARAMETERS = tuple(TYPICAL)
MEASURED_BELOW = 0.5  # a number is measured when its error is under half that of the belief it started from
FREQUENCY_FLOOR, Q_FLOOR = 0.001, 0.05  # relative: what dipoles and standing waves, not in the model, do to it
UNKNOWN_FREQUENCY_U, UNKNOWN_Q_U = 0.005, 0.15  # relative, where a reading does not say
WAVE_DOUBT = 0.5  # of all that the standing wave does: boxes are no bricks, and tops no points


@dataclass(frozen=True)
class BodyReading:
    """Air, main top and main back as read in one condition; what was not found is left out.

    `frequency_hz` and the others map a name of `NAMES` to a number. Raises `LuthkitError` for an unknown name, a
    value that is not above zero, and an air mode where the hole was plugged.
    """

    frequency_hz: Mapping[str, float]
    frequency_u_hz: Mapping[str, float] = field(default_factory=dict)
    q_factor: Mapping[str, float] = field(default_factory=dict)
    q_factor_u: Mapping[str, float] = field(default_factory=dict)
    soundhole_plugged: bool = False
    back_blocked: bool = False
    added_mass_kg: float = 0.0

    def __post_init__(self):
        for what in ("frequency_hz", "frequency_u_hz", "q_factor", "q_factor_u"):
            values = getattr(self, what)
            for name, value in values.items():
                if name not in NAMES:
                    raise LuthkitError(f"{what} names {name!r}; the model knows {', '.join(NAMES)}")
                if not what.endswith(("_u_hz", "_u")) and not (isfinite(value) and value > 0):
                    raise LuthkitError(f"{what} of {name} is {value}; give a number above 0, or leave it out")
            object.__setattr__(self, what, frozen_dict(values))
        gone = [AIR] * self.soundhole_plugged + [BACK] * self.back_blocked
        for name in gone:
            if name in self.frequency_hz:
                raise LuthkitError(f"{name} at {self.frequency_hz[name]:.1f} Hz cannot be there {self.condition}")
        if not (isfinite(self.added_mass_kg) and self.added_mass_kg >= 0):
            raise LuthkitError(f"added_mass_kg is {self.added_mass_kg}; give a mass of 0 or more")

    @property
    def condition(self) -> str:
        """In words."""
        words = ["with the soundhole plugged"] * self.soundhole_plugged + ["with the back blocked"] * self.back_blocked
        words += [f"with {1000 * self.added_mass_kg:g} g on the bridge"] * (self.added_mass_kg > 0)
        return " and ".join(words) or "as it is"


@dataclass(frozen=True)
class BodyNumber:
    """One quantity of a guitar with its standard uncertainty."""

    value: float  # in the unit its name says
    u: float
    is_measured: bool  # the readings, more than the starting belief, say how large it is


@dataclass(frozen=True, eq=False)
class BodyFit:
    """A guitar's low body in physical units, and how sure each number is."""

    model: BodyModel
    log_values: np.ndarray  # (n,) natural logarithms of PARAMETERS
    covariance: np.ndarray  # (n, n) of those logarithms
    beliefs: Mapping[str, tuple[float, float]]  # value and relative spread that each of PARAMETERS started from
    order: tuple[str, ...]  # the names from the lowest mode to the highest; no main back where none was read
    readings: tuple[BodyReading, ...]
    fitted_hz: tuple[Mapping[str, float], ...]  # what the model says for each reading, by name
    chi_square: float
    degrees_of_freedom: int
    wave_log: np.ndarray  # (n,) what the standing wave of the box has added to `log_values`
    notes: tuple[str, ...] = ()

    def __post_init__(self):
        object.__setattr__(self, "log_values", frozen_array(self.log_values, ndim=1))
        object.__setattr__(self, "wave_log", frozen_array(self.wave_log, ndim=1))
        object.__setattr__(self, "covariance", frozen_array(self.covariance, ndim=2))
        object.__setattr__(self, "beliefs", frozen_dict(self.beliefs))

    @property
    def numbers(self) -> Mapping[str, BodyNumber]:
        """Masses, stiffnesses, areas, Qs, frequencies of the parts alone: name -> value, error, measured or not.

        What the standing wave pretends of top and back is taken off, and half of it counts as error. Not of the box,
        whose end correction has air that sloshes inside in it; nor of `model`, which stands for the guitar as it rings.
        """
        temperature = self.model.temperature_c

        def told(logs):
            model = body_model(logs, temperature_c=temperature)
            return np.log(np.stack(np.broadcast_arrays(*(getattr(model, name) for name in NUMBERS)), axis=-1))

        plates = np.array([name.startswith(("top_", "back_")) for name in PARAMETERS])
        unsure = self.covariance + WAVE_DOUBT**2 * np.outer(self.wave_log, self.wave_log)
        logs, covariance = propagate(told, self.log_values - plates * self.wave_log, unsure)
        before = np.diag([spread**2 for _, spread in self.beliefs.values()])
        _, believed = propagate(told, self.log_values, before)
        numbers = {}
        for k, name in enumerate(NUMBERS):
            value, u, start = np.exp(logs[k]), sqrt(covariance[k, k]), sqrt(believed[k, k])
            numbers[name] = BodyNumber(float(value), float(value * u), bool(u < MEASURED_BELOW * start))
        return frozen_dict(numbers)


NUMBERS = (
    "box_frequency_hz",
    *("top_frequency_hz", "top_mass_kg", "top_stiffness_n_m", "top_area_m2"),
    *("back_frequency_hz", "back_mass_kg", "back_stiffness_n_m", "back_area_m2"),
    *("volume_m3", "hole_radius_m", "air_q", "top_q", "back_q"),
)


@one_thread
def fit_body(
    readings: Sequence[BodyReading],
    *,
    known: Mapping[str, tuple[float, float]] | None = None,
    temperature_c: float = 20.0,
) -> BodyFit:
    """The `BodyModel` behind all `readings`, by least squares with covariance.

    The first reading is the guitar as it is, with air and main top at least; without a main back there, air and top
    are taken as two oscillators before a back that is still. `known` maps names of PARAMETERS to (value, relative
    standard uncertainty), such as a volume that was measured, in place of `TYPICAL`. Readings count with their own
    errors and with FREQUENCY_FLOOR and Q_FLOOR for what the model lacks. The covariance is that of the linearised
    problem, beliefs included; it grows where readings contradict each other by more than their errors (Birge
    ratio). Where a mass on the bridge
    says that top and back have each other's names, a note says so.

    Raises `LuthkitError` when air or main top is missing, or the air is not the lowest mode.
    """
    readings = tuple(readings)
    order = _order(readings)
    beliefs = {**TYPICAL, **(known or {})}
    for name, (value, spread) in beliefs.items():
        if name not in TYPICAL or not (value > 0 and spread > 0):
            raise LuthkitError(
                f"{name} is said to be {value}, relative error {spread}; both must be above 0, and the names one of "
                f"{', '.join(PARAMETERS)}"
            )
    entries = list(_entries(readings))
    data, data_u = np.array([entry[3:] for entry in entries]).T
    centre = np.log([value for value, _ in beliefs.values()])
    spread = np.array([each for _, each in beliefs.values()])

    def told(logs):
        return _told(body_model(logs, temperature_c=temperature_c), readings, entries, order, _mode_logs)

    def residuals(logs):
        return np.concatenate([(told(logs[None])[0] - data) / data_u, (logs - centre) / spread])

    def jacobian(logs):
        return np.concatenate([slopes(told, logs) / data_u[:, None], np.diag(1 / spread)])

    from scipy.optimize import least_squares

    def search(ranks):
        return least_squares(residuals, _start(centre, readings[0], ranks), jac=jacobian, x_scale=spread)

    best, notes = search(order), []
    if BACK in order and 2 * best.cost > 2 * len(data):  # far off: perhaps the plates are the other way round
        best = min(best, search((AIR, *order[:0:-1])), key=lambda found: found.cost)
    model = body_model(best.x, temperature_c=temperature_c)
    if BACK in order and model.top_is_lower != (order[1] == TOP):
        notes.append(
            "Going by these readings, main top and main back have each other's names: look again which is which."
        )
    chi2 = 2 * float(best.cost)
    if chi2 > len(data) + 3 * sqrt(2 * len(data)):
        notes.append(
            f"Model and readings disagree by more than their errors (chi-square {chi2:.0f} for {len(data)} numbers): a "
            "mode may have the wrong name, or the plug may leak. All errors were made larger to match."
        )
    fitted = [{} for _ in readings]
    for (k, what, name, *_), value in zip(entries, np.exp(told(best.x[None])[0]), strict=True):
        if what == "frequency_hz":
            fitted[k][name] = float(value)
    covariance = np.linalg.inv(best.jac.T @ best.jac)
    return BodyFit(
        model=model,
        log_values=best.x,
        covariance=covariance * max(1.0, chi2 / len(data)),
        wave_log=covariance @ best.jac[: len(data)].T @ (_told(model, readings, entries, order, _wave_logs) / data_u),
        beliefs=beliefs,
        order=order,
        readings=readings,
        fitted_hz=tuple(map(frozen_dict, fitted)),
        chi_square=chi2,
        degrees_of_freedom=len(data),
        notes=(*notes, *_notes(readings, order)),
    )


def body_model(logs, *, temperature_c: float = 20.0) -> BodyModel:
    """The model of logarithms of PARAMETERS, (n,) or (..., n)."""
    value = dict(zip(PARAMETERS, np.moveaxis(np.exp(np.asarray(logs, float)), -1, 0), strict=True))
    top_hz, back_hz = value.pop("top_frequency_hz"), value.pop("back_frequency_hz")
    return BodyModel(
        **{name: each for name, each in value.items() if name != "end_correction"},
        top_stiffness_n_m=value["top_mass_kg"] * (2 * pi * top_hz) ** 2,
        back_stiffness_n_m=value["back_mass_kg"] * (2 * pi * back_hz) ** 2,
        hole_length_m=TOP_THICKNESS_M + value["end_correction"] * value["hole_radius_m"],
        temperature_c=temperature_c,
    )


def low_modes(model: BodyModel, order: Sequence[str], *, soundhole_plugged: bool = False, back_blocked: bool = False):
    """The modes of a model and the names they go by, lowest first; `order` as in `BodyFit`."""
    still = back_blocked or BACK not in order
    names = [n for n in order if not (n == AIR and soundhole_plugged) and not (n == BACK and still)]
    return names, model.modes(soundhole_plugged=soundhole_plugged, back_blocked=still)


def _order(readings) -> tuple[str, ...]:
    """Names of the first reading from low to high."""
    first = readings[0] if readings else None
    if first is None or first.condition != BodyReading({}).condition:
        raise LuthkitError("the first reading must be the guitar as it is: hole open, back free, no mass on the bridge")
    for name in (AIR, TOP):
        if name not in first.frequency_hz:
            raise LuthkitError(f"no frequency is known for {name} of the guitar as it is; give one, or tap again")
    order = tuple(sorted(first.frequency_hz, key=first.frequency_hz.get))
    if order[0] != AIR:
        raise LuthkitError(
            f"{order[0]} at {first.frequency_hz[order[0]]:.1f} Hz lies below the air at {first.frequency_hz[AIR]:.1f} "
            "Hz; in this model the air is the lowest mode: look again which mode is which"
        )
    return order


def _entries(readings):
    """(reading, what, name, logarithm, its error) of each number read; without a back that the first reading lacks.

    The standard uncertainties hold the floor for what the model lacks.
    """
    names = [name for name in NAMES if name in readings[0].frequency_hz]
    errors = {
        "frequency_hz": ("frequency_u_hz", UNKNOWN_FREQUENCY_U, FREQUENCY_FLOOR),
        "q_factor": ("q_factor_u", UNKNOWN_Q_U, Q_FLOOR),
    }
    for (k, reading), (what, (which, unknown, floor)) in product(enumerate(readings), errors.items()):
        for name in names:
            if name in reading.frequency_hz and name in getattr(reading, what):
                value, error = getattr(reading, what)[name], getattr(reading, which).get(name, nan)
                yield k, what, name, np.log(value), np.hypot(error / value if isfinite(error) else unknown, floor)


def _told(model: BodyModel, readings, entries, order, of: Callable) -> np.ndarray:
    """What `of` tells of the modes (..., n_modes) of a model in a condition, for each entry (..., n_entries)."""
    found = []
    for reading in readings:
        loaded = replace(model, top_mass_kg=model.top_mass_kg + reading.added_mass_kg)
        still = reading.back_blocked or BACK not in order
        found.append(of(loaded, soundhole_plugged=reading.soundhole_plugged, back_blocked=still))
    columns = [found[k][what][..., _rank(readings[k], name, order)] for k, what, name, *_ in entries]
    return np.stack(columns, axis=-1)


def _mode_logs(model: BodyModel, **condition) -> dict[str, np.ndarray]:
    modes = model.modes(**condition)
    return {"frequency_hz": np.log(modes.frequency_hz), "q_factor": np.log(modes.q_factor)}


def _wave_logs(model: BodyModel, **condition) -> dict[str, np.ndarray]:
    """What the standing wave does to each mode; nothing to its Q."""
    shifts = wave_log_shifts(model, **condition)
    return {"frequency_hz": shifts, "q_factor": np.zeros_like(shifts)}


def _rank(reading: BodyReading, name: str, order) -> int:
    """Where a name stands among the modes of a reading: by its frequency where both plates were read (a mass may
    carry one past the other), else as in the guitar as it is."""
    base = 0 if reading.soundhole_plugged else 1
    if name == AIR or reading.back_blocked or BACK not in order:
        return 0 if name == AIR else base
    if TOP in reading.frequency_hz and BACK in reading.frequency_hz:
        return base + sorted((TOP, BACK), key=reading.frequency_hz.get).index(name)
    return base + order.index(name) - 1


def _start(centre, first: BodyReading, order) -> np.ndarray:
    """Where the search begins: the parts alone a little below the modes they make."""
    start = np.array(centre)
    found = sorted(first.frequency_hz.values())
    for name, part in ((TOP, "top_frequency_hz"), (BACK, "back_frequency_hz")):
        if name in order:
            start[PARAMETERS.index(part)] = np.log(0.93 * found[order.index(name)])
    return start


def _notes(readings, order):
    """What the maker should know of how the readings hang together."""
    if BACK not in order:
        yield "No main back was read: the guitar is taken as air and top before a back that is still."
    if not any(reading.soundhole_plugged for reading in readings):
        yield "No taps with the soundhole plugged: how strongly air and plates hang together is a usual value."
    if not any(reading.added_mass_kg for reading in readings):
        yield (
            "No taps with a known mass on the bridge: what is not told of masses, stiffnesses and areas is "
            "reckoned as guitars usually have it."
        )
