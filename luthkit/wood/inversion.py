"""From the modes that were heard on a free plate to the stiffness and loss of its wood.

Nobody says which mode is which: every way to take three of the heard modes for bending along, bending across and
twist is tried, those that wood can have are compared with all that was heard, and the best are refined
(Gauss-Newton on all heard modes at once; slopes from Rayleigh's principle). Losses follow from the share of each
kind of deformation in a mode's energy (McIntyre and Woodhouse, Acta Metallurgica 36, 1988, 1397; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from scipy.optimize import linear_sum_assignment

from .._frozen import frozen_array
from .._threads import one_thread
from ..errors import LuthkitError
from .air import AIR_DENSITY_KG_M3
from .closed import closed_stiffness
from .losses import fit_losses, loss_shares
from .plates import SIZE, Plate, PlateModes, Stiffness, modes_of, per_mass, square_frequencies

MODEL_U = 0.002  # of each frequency: uneven wood and thickness, supports (judgement, no source)
_COARSE, _FINE = 0.04, 0.005  # how near a match must be at first, and at last
_UNHEARD, _FOREIGN = 1.0, 9.0  # what a mode that was not heard, or that is not the plate's, costs
_LOSS_SPREAD, _ODDEST = 0.5, 4.0  # of ln(loss) about what is expected; the most that it counts
_TIE = 6.0  # two explanations closer than this in chi-square cannot be told apart
_MOST = 12  # heard modes, the lowest, that are used
_ROUGH = 5  # beam shapes a direction and class while searching
_THREE_TAPS = {"along_hz": (2, 0), "across_hz": (0, 2), "twist_hz": (1, 1)}
_TRIED = 8  # heard modes, the lowest, that may be one of the three


@dataclass(frozen=True)
class Expectation:
    """What wood may be like before it is heard: the middle, and the spread as a standard deviation of logarithms."""

    stiffness: Stiffness
    along_spread: float = 0.35
    across_spread: float = 0.50
    shear_spread: float = 0.45
    poisson_u: float = 0.08
    loss_factors: tuple[float, float, float] = (0.008, 0.021, 0.017)  # only to tell one explanation from another

    @property
    def spreads(self) -> np.ndarray:
        """Of E_L, E_R, G, (3,)."""
        return np.array([self.along_spread, self.across_spread, self.shear_spread])


ANY_WOOD = Expectation(Stiffness(along_pa=11.5e9, across_pa=1.2e9, shear_pa=0.95e9, poisson_ratio=0.38))


@dataclass(frozen=True)
class Match:
    """A mode that was heard, and the mode of the plate it is."""

    heard: int  # index among the modes given
    label: tuple[int, int]  # nodal lines across the grain, and along it
    frequency_hz: float
    model_hz: float
    purity: float  # under 0.75 the label is a mixture


@dataclass(frozen=True, eq=False)
class Inversion:
    """What the heard modes say of the wood. Relative errors hold the taps alone; sizes and mass come on top."""

    stiffness: Stiffness
    covariance: np.ndarray  # (4, 4) of ln E_L, ln E_R, ln G, and the Poisson ratio
    air_slopes: np.ndarray  # (3,) d ln(E_L, E_R, G) / d ln(air density)
    heard_enough: tuple[bool, bool, bool]  # whether E_L, E_R, G were determined by what was heard
    poisson_measured: bool
    loss_factors: np.ndarray  # (3,) along, across, shear; NaN where not heard
    loss_factors_u: np.ndarray
    matches: tuple[Match, ...]
    foreign: tuple[int, ...]  # heard, but no mode of this plate
    unheard: tuple[tuple[int, int], ...]  # labels below the highest match that were not heard
    misfit: float  # root mean square of heard over model, as a fraction
    certain: bool  # whether no other explanation comes near
    closed: Stiffness | None  # by the closed formulas, where its three modes were heard
    modes: PlateModes
    notes: tuple[str, ...] = ()

    def __post_init__(self):
        for name in ("covariance", "air_slopes", "loss_factors", "loss_factors_u"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


@one_thread
def invert_modes(
    plate: Plate,
    modes: Sequence,
    *,
    expected: Expectation = ANY_WOOD,
    air_density_kg_m3: float = AIR_DENSITY_KG_M3,
) -> Inversion:
    """Stiffness and loss factors of a free plate from its modes (`Mode`s of `read_modes`, in any order).

    Raises LuthkitError when less than three modes were heard, or when no wood explains them on this plate.
    """
    if len(modes) < 3:
        raise LuthkitError(
            f"{len(modes)} modes were heard on the plate; at least three are needed (bending along, bending across, "
            "twist): tap in the middle of an end, in the middle of a side, and at a corner"
        )
    fit = _Fit(plate, modes, expected, air_density_kg_m3)
    best, tie = fit.search()
    return fit.result(best, tie)


@dataclass(frozen=True, eq=False)
class _Try:
    """One explanation: parameters (ln E_L, ln E_R, ln G, nu), its modes and its matches."""

    parameters: np.ndarray
    modes: PlateModes
    rows: np.ndarray  # matched modes of the plate
    columns: np.ndarray  # and those heard
    score: float


class _Fit:
    """The plate, what was heard of it, and what is expected."""

    def __init__(self, plate, modes, expected, air_density_kg_m3):
        order = np.argsort([mode.frequency_hz for mode in modes])[:_MOST]
        self.plate, self.expected, self.air = plate, expected, air_density_kg_m3
        self.heard = [modes[k] for k in order]
        self.index = order
        self.log_f = np.log([mode.frequency_hz for mode in self.heard])
        own = np.array([mode.frequency_u_hz / mode.frequency_hz for mode in self.heard])
        self.u = np.hypot(np.where(np.isfinite(own), own, MODEL_U), MODEL_U)
        middle = expected.stiffness
        self.middle = np.array([*np.log([middle.along_pa, middle.across_pa, middle.shear_pa]), middle.poisson_ratio])
        self.prior_u = np.array([*expected.spreads, expected.poisson_u])

    def search(self) -> tuple[_Try, bool]:
        """The best explanation, and whether another one comes near."""
        starts = self._starts()
        rates = np.array([self._rates(start) for start in starts])
        squares = square_frequencies(rates, self.plate, air_density_kg_m3=self.air, size=4)[:, : 2 * _MOST]
        logs = 0.5 * np.log(squares) - np.log(2 * np.pi)
        scores = [self._match(log, _COARSE)[2] for log in logs]
        for k, start in enumerate(starts):
            scores[k] += self._surprise(start)
        tried: list[_Try] = []
        for k in np.argsort(scores)[:8]:
            found = self._refine(starts[k], (_COARSE, 0.02, 0.01, _FINE, _FINE), size=_ROUGH)
            if found and not any(_same(found, other) for other in tried):
                tried.append(found)
        if not tried:
            raise LuthkitError(
                "no wood explains the modes heard on this plate; check length, width, thickness and mass, that the "
                "plate hung free, and that the taps are of this plate"
            )
        tried.sort(key=lambda found: found.score)
        tried = [self._refine(found.parameters, (_FINE, _FINE), size=SIZE) or found for found in tried[:2]]
        tried.sort(key=lambda found: found.score)
        near = len(tried) > 1 and tried[1].score - tried[0].score < _TIE
        return tried[0], near and not _same(*tried)

    def _starts(self) -> list[np.ndarray]:
        """Parameters for every way to name three of the modes, or two of them and guess the third."""
        heard = np.log([1.06, 1.04, 1.15]) + self._closed_logs()
        middle, reach = self.middle[:3], 3 * self.prior_u[:3]
        fits = np.abs(heard - middle) < reach
        starts = [self.middle]
        for names in permutations(range(len(heard)), 3):
            if all(fits[mode, k] for k, mode in enumerate(names)):
                starts.append([*(heard[mode, k] for k, mode in enumerate(names)), self.middle[3]])
        for one, other in permutations(range(len(heard)), 2):
            for missing in range(3):
                k, m = (axis for axis in range(3) if axis != missing)
                if fits[one, k] and fits[other, m]:
                    for guess in np.linspace(-1.2, 1.2, 5) * self.prior_u[missing]:
                        start = self.middle.copy()
                        start[k], start[m], start[missing] = heard[one, k], heard[other, m], middle[missing] + guess
                        starts.append(start)
        return [np.array(start, float) for start in starts]

    def _closed_logs(self) -> np.ndarray:
        """ln E_L, ln E_R, ln G by the closed formulas, were each of the lowest modes the one for it, (n, 3)."""
        found = []
        for frequency in np.exp(self.log_f[:_TRIED]):
            one = closed_stiffness(self.plate, **dict.fromkeys(_THREE_TAPS, frequency))
            found.append(np.log([one.along_pa, one.across_pa, one.shear_pa]))
        return np.array(found)

    def _surprise(self, parameters) -> float:
        return float(np.sum(((parameters - self.middle) / self.prior_u) ** 2))

    def _stiffness(self, parameters) -> Stiffness:
        along, across, shear = np.exp(parameters[:3])
        return Stiffness(along, across, shear, float(parameters[3]))

    def _rates(self, parameters) -> np.ndarray:
        return per_mass(self._stiffness(parameters).bending_n_m(self.plate.thickness_m), self.plate)

    def _match(self, log_model, reach: float, odd=0.0):
        """(modes of the plate, modes heard, score): one to one, nearest first; what stays over costs."""
        width = np.hypot(reach, self.u)
        cost = np.minimum(((log_model[:, None] - self.log_f) / width) ** 2 + odd, _FOREIGN)
        rows, columns = linear_sum_assignment(cost)
        good = cost[rows, columns] < _FOREIGN
        rows, columns = rows[good], columns[good]
        foreign = len(self.log_f) - len(columns)
        unheard = np.sum(log_model < self.log_f.max()) - np.sum(log_model[rows] < self.log_f.max())
        return rows, columns, float(cost[rows, columns].sum() + _FOREIGN * foreign + _UNHEARD * unheard)

    def _model(self, parameters, size: int) -> PlateModes:
        n = min(20, 2 * len(self.heard) + 4)
        return modes_of(self._rates(parameters), self.plate, n_modes=n, air_density_kg_m3=self.air, size=size)

    def _slopes(self, parameters, modes: PlateModes, rows) -> np.ndarray:
        """d ln f / d (ln E_L, ln E_R, ln G, nu), (n, 4), by Rayleigh's principle."""
        along, across, twist, coupling = modes.energy_shares[rows].T
        nu = parameters[3]
        held = nu**2 * np.exp(parameters[1] - parameters[0])  # nu_LR nu_RL
        bent = along + across + coupling  # all three stand over 1 - held
        slope = np.stack([along, across + coupling, twist, coupling / nu], axis=1)
        slope[:, 0] -= bent * held / (1 - held)
        slope[:, 1] += bent * held / (1 - held)
        slope[:, 3] += bent * 2 * held / (1 - held) / nu
        return slope / 2

    def _refine(self, start, reaches, *, size: int) -> _Try | None:
        """Gauss-Newton steps, each with its reach for matches; None when hardly anything matches."""
        parameters = start.copy()
        for reach in reaches:
            modes = self._model(parameters, size)
            log_model = np.log(modes.frequency_hz)
            rows, columns, _ = self._match(log_model, reach, self._odd(modes))
            if len(rows) < 2:
                return None
            slopes = self._slopes(parameters, modes, rows)
            weights = 1 / np.hypot(self.u, reach / 4)[columns] ** 2
            information = slopes.T @ (weights[:, None] * slopes) + np.diag(self.prior_u**-2)
            pull = slopes.T @ (weights * (self.log_f[columns] - log_model[rows]))
            pull += (self.middle - parameters) / self.prior_u**2
            step = np.linalg.solve(information, pull)
            parameters = parameters + np.clip(step, -0.3, 0.3)
            parameters[3] = np.clip(parameters[3], 0.05, 0.8)
        modes = self._model(parameters, size)
        rows, columns, score = self._match(np.log(modes.frequency_hz), _FINE, self._odd(modes))
        if len(rows) < 2:
            return None
        return _Try(parameters, modes, rows, columns, score + self._surprise(parameters))

    def _odd(self, modes) -> np.ndarray:
        """How odd the loss would be, (modes of the plate, modes heard): wood loses more across than along the grain."""
        wanted = loss_shares(modes) @ self.expected.loss_factors
        heard = 2 * np.array([mode.damping_ratio for mode in self.heard])
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.log(heard / wanted[:, None])
        return np.minimum(np.nan_to_num(ratio / _LOSS_SPREAD, posinf=9, neginf=-9) ** 2, _ODDEST)

    def result(self, best: _Try, tie: bool) -> Inversion:
        modes, rows, columns = best.modes, best.rows, best.columns
        residual = self.log_f[columns] - np.log(modes.frequency_hz[rows])
        slopes = self._slopes(best.parameters, modes, rows)
        weights = self.u[columns] ** -2
        prior = np.diag(self.prior_u**-2)
        inverse = np.linalg.inv(slopes.T @ (weights[:, None] * slopes) + prior)
        free = len(rows) - 3
        birge = max(1.0, np.sum(weights * residual**2) / free) if free > 0 else 1.0
        gain = inverse @ (slopes.T * weights)
        covariance = gain @ np.diag(birge / weights) @ gain.T + inverse @ prior @ inverse
        u = np.sqrt(np.diag(covariance))
        heard_enough = tuple(bool(x) for x in u[:3] < 0.3 * self.prior_u[:3])
        lighter = modes_of(
            self._rates(best.parameters), self.plate, n_modes=len(modes.labels), air_density_kg_m3=0.9 * self.air
        )
        less_air = np.log(lighter.frequency_hz[rows] / modes.frequency_hz[rows])
        air_slopes = (gain @ less_air)[:3] / 0.1
        rung = [self.heard[c] for c in columns]
        loss, loss_u = fit_losses(loss_shares(modes)[rows], rung, self.expected.loss_factors)
        matches = tuple(
            Match(
                int(self.index[c]),
                modes.labels[r],
                float(np.exp(self.log_f[c])),
                float(modes.frequency_hz[r]),
                float(modes.purity[r]),
            )
            for r, c in zip(rows, columns, strict=True)
        )
        named = {match.label: match.frequency_hz for match in matches}
        three = {name: named.get(label) for name, label in _THREE_TAPS.items()}
        closed = closed_stiffness(self.plate, **three) if all(three.values()) else None
        top = rows.max()
        unheard = tuple(label for r, label in enumerate(modes.labels[:top]) if r not in rows)
        foreign = tuple(int(self.index[c]) for c in range(len(self.heard)) if c not in columns)
        return Inversion(
            stiffness=self._stiffness(best.parameters),
            covariance=covariance,
            air_slopes=air_slopes,
            heard_enough=heard_enough,
            poisson_measured=bool(u[3] < 0.5 * self.prior_u[3]),
            loss_factors=loss,
            loss_factors_u=loss_u,
            matches=matches,
            foreign=foreign,
            unheard=unheard,
            misfit=float(np.sqrt(np.mean(residual**2))),
            certain=not tie and all(heard_enough),
            closed=closed,
            modes=modes,
            notes=_remarks(matches, foreign, free, tie, heard_enough),
        )


def _same(one: _Try, other: _Try) -> bool:
    return bool(np.all(np.abs(one.parameters - other.parameters)[:3] < 0.02))


def _remarks(matches, foreign, free, tie, heard_enough) -> tuple[str, ...]:
    notes = []
    if tie:
        notes.append("cannot tell which mode is which: another reading of the taps fits about as well; tap more places")
    for name, enough in zip(("along", "across", "in shear"), heard_enough, strict=True):
        if not enough:
            notes.append(f"cannot tell the stiffness {name}: no mode that hangs on it was heard")
    if free < 1:
        notes.append("three modes only: nothing checks them; tap at a corner and off the middle to hear more")
    if any(match.purity < 0.75 for match in matches if match.label in ((2, 0), (0, 2))):
        notes.append(
            "bending along and across mix on this plate (length over width is near the fourth root of the stiffness "
            "along over that across, E_L / E_R): the usual three-tap formulas do not hold here, the fit does"
        )
    if foreign:
        notes.append(f"{len(foreign)} of the sounds heard belong to no mode of this plate and were left out")
    return tuple(notes)
