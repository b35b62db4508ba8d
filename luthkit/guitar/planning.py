"""Forecasts of a guitar from its top and back, set right by what the maker's own guitars became.

The model of `design` is off by some per cent, as any is: rims, glue, arching, finish are not in it. So

    ln measured = ln model + c + g (ln model - ln usual) + e + error of the wood + error of the measuring,

for all quantities of all past builds together: c is off for all guitars of this shop (a priori 7 % for frequencies,
20 % for mobility), g says that differences come out smaller or larger than reckoned (0 +- 0.2), and e is what differs
from build to build (a priori thickness 1.5 %, brace stiffness 8 %, edge and arching 3.5 % of a plate's stiffness,
bridge and finish 3 % of a top's mass, finish 1 % of a back's, the rest 0.7 % in frequency and 2 % in mobility). All of
these widths are planning values from memory, such that a main top scatters by somewhat less than the 2.2 % of first
modes of a factory line, wood included (French and Brubaker 2007). The covariance S of e is learned from the builds, so
that how much the quantities scatter and how far they go together is this shop's own:

    S = (4 S a priori + sum of the expected e e') / (4 + number of builds),

repeated with the e that this S makes likely (expectation and maximization, Dempster, Laird and Rubin 1977, with an
inverse-Wishart prior, Gelman et al., Bayesian Data Analysis, ch. 3; both from memory). Given S, all is linear and
Gaussian and solved exactly. With few builds forecasts are wide; with many they narrow to the scatter from build to
build, and never below it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import product
from math import exp, isfinite, log, sqrt

import numpy as np

from .._frozen import frozen_array, frozen_dict
from .._threads import one_thread
from ..errors import LuthkitError
from .design import BOX, BRACED, FINISHED, N_PROPERTIES, QUANTITIES, Design, reckon_guitars, reckon_plates
from .wood_set import WoodSet

_SIZE_U = 0.5  # of the logarithm: how much more or less than believed a shop's builds may scatter
_BELIEF = 12.0  # how its quantities are believed to go together is worth about as many builds
_ROUNDS = 40  # of learning that
_GAIN_U = 0.2
WORK = (0.015, 0.08, 0.035, 0.03), (0.015, 0.08, 0.035, 0.01)  # thickness, braces, edge and arching, bridge and finish
REST = (0.02, 0.007)  # mobility, frequencies


@dataclass(frozen=True)
class PastBuild:
    """A guitar of the maker: its woods as they were measured, and what it became.

    `measured`: quantity -> (value, standard uncertainty), of `design.QUANTITIES`; any may be missing.
    """

    name: str
    top: WoodSet
    back: WoodSet
    measured: Mapping[str, tuple[float, float]]

    def __post_init__(self):
        object.__setattr__(self, "measured", frozen_dict(checked_measured(self.measured, self.name)))


@dataclass(frozen=True, eq=False)
class Forecast:
    """What is expected of one guitar: logarithms of n quantities (n,), 11 or fewer, and their covariance (n, n).

    In the covariance: errors of its measured wood, what is not known of the shop, and the scatter from build to build.
    """

    quantities: tuple[str, ...]
    mean: np.ndarray
    covariance: np.ndarray

    def __post_init__(self):
        object.__setattr__(self, "mean", frozen_array(self.mean))
        object.__setattr__(self, "covariance", frozen_array(self.covariance))

    def value(self, quantity: str) -> tuple[float, float]:
        """(value, standard uncertainty) in Hz, or in s/kg for the mobility."""
        k = self._place(quantity)
        value = exp(self.mean[k])
        return value, value * sqrt(max(self.covariance[k, k], 0.0))

    def given(self, measured: Mapping[str, tuple[float, float]]) -> Forecast:
        """The forecast after something was measured at a stage of the build (Bayes' theorem, Gaussian).

        Raises LuthkitError for a quantity the forecast does not hold.
        """
        measured = checked_measured(measured, "the build")
        at = [self._place(name) for name in measured]
        if not at:
            return self
        seen = np.array([log(value) for value, _ in measured.values()])
        error = np.diag([(u / value) ** 2 for value, u in measured.values()])
        total = self.covariance
        gain = np.linalg.solve(total[np.ix_(at, at)] + error, total[at]).T
        keep = np.eye(len(total))
        keep[:, at] -= gain
        covariance = keep @ total @ keep.T + gain @ error @ gain.T
        return Forecast(self.quantities, self.mean + gain @ (seen - self.mean[at]), covariance)

    def _place(self, quantity: str) -> int:
        if quantity not in self.quantities:
            raise LuthkitError(f"{quantity!r} is not forecast; choose from: {', '.join(self.quantities)}")
        return self.quantities.index(quantity)


@dataclass(frozen=True, eq=False)
class Calibration:
    """What the past builds teach about this shop; made by `calibrate`.

    `offset` and `gain` (11,) are c and g, `covariance` (22, 22) theirs, `building` (11, 11) is S.
    """

    design: Design
    usual: np.ndarray
    offset: np.ndarray
    gain: np.ndarray
    covariance: np.ndarray
    building: np.ndarray
    builds: tuple[str, ...]
    notes: tuple[str, ...] = field(default=())

    def __post_init__(self):
        for name in ("usual", "offset", "gain", "covariance", "building"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def apply(self, values, slopes, top_u, back_u):
        """Mean (n, q) and covariance (n, q, q) from values and slopes of `reckon_guitars`.

        top_u, back_u: (n, 4) relative uncertainties of the woods. q is 4 for the finished quantities or 11 for all.
        """
        q = values.shape[1]
        far = values - self.usual[:q]
        mean = values + self.offset[:q] + self.gain[:q] * far
        n = len(self.usual)
        c, g = slice(0, q), slice(n, n + q)
        rule = self.covariance[c, c] + self.covariance[g, g] * far[:, :, None] * far[:, None, :]
        cross = self.covariance[c, g] * far[:, None, :]
        rule = rule + cross + np.swapaxes(cross, 1, 2)
        return mean, rule + _wood_part(slopes, top_u, back_u) + self.building[:q, :q]

    def forecast(self, top: WoodSet, back: WoodSet, *, top_thickness_m=None, back_thickness_m=None) -> Forecast:
        """The forecast of one guitar, all quantities; thicknesses are the design's unless others are given."""
        tops = reckon_plates(self.design.top, [top.wood], thickness_m=top_thickness_m)
        backs = reckon_plates(self.design.back, [back.wood], thickness_m=back_thickness_m)
        values, slopes = reckon_guitars(self.design, tops, backs)
        mean, covariance = self.apply(values, slopes, np.array([top.uncertainty]), np.array([back.uncertainty]))
        return Forecast(QUANTITIES, mean[0], covariance[0])


@one_thread
def calibrate(design: Design, builds: Sequence[PastBuild] = ()) -> Calibration:
    """Learn from past builds, of any number; without any the forecasts are as wide as the model is unsure.

    Raises LuthkitError when a build's measured values cannot be (see `checked_measured`).
    """
    usual, believed = _usual(design)
    n = len(QUANTITIES)
    prior = np.zeros((2 * n, 2 * n))
    prior[:n, :n] = _offset_prior()
    prior[n:, n:] = np.eye(n) * _GAIN_U**2
    rows = [(k, QUANTITIES.index(name)) for k, build in enumerate(builds) for name in build.measured]
    if not rows:
        return Calibration(design, usual, np.zeros(n), np.zeros(n), prior, believed, (), ("no past builds",))
    values, slopes = reckon_guitars(
        design,
        reckon_plates(design.top, [build.top.wood for build in builds]),
        reckon_plates(design.back, [build.back.wood for build in builds]),
    )
    wood = _wood_part(slopes, *(np.array([getattr(b, side).uncertainty for b in builds]) for side in ("top", "back")))
    build, what = np.array(rows).T
    measured = [pair for one in builds for pair in one.measured.values()]
    seen = np.array([log(value) for value, _ in measured]) - values[build, what]
    same = build[:, None] == build[None, :]
    lean = np.zeros((len(rows), 2 * n))
    lean[np.arange(len(rows)), what] = 1
    lean[np.arange(len(rows)), n + what] = (values - usual)[build, what]
    known = np.diag([(u / value) ** 2 for value, u in measured]) + lean @ prior @ lean.T
    known = known + np.where(same, wood[build[:, None], what[:, None], what[None, :]], 0)

    def total(scatter):
        return known + np.where(same, scatter[what[:, None], what[None, :]], 0)

    scatter = sized = _at_its_size(believed, seen, total)
    for _ in range(_ROUNDS):
        inverse = np.linalg.inv(total(scatter))
        pull = inverse @ seen
        told = _BELIEF * sized
        for k in range(len(builds)):
            at = build == k
            share = scatter[:, what[at]]
            off = share @ pull[at]
            told = told + np.outer(off, off) + scatter - share @ inverse[np.ix_(at, at)] @ share.T
        scatter = told / (_BELIEF + len(builds))
    spread = prior @ lean.T
    mean, covariance = spread @ pull, prior - spread @ inverse @ spread.T
    names = tuple(one.name for one in builds)
    return Calibration(design, usual, mean[:n], mean[n:], covariance, scatter, names, _notes(builds, scatter, believed))


def checked_measured(measured: Mapping, name: str) -> dict[str, tuple[float, float]]:
    """Quantity -> (value, standard uncertainty) as floats; raises LuthkitError for what cannot be."""
    out = {}
    for quantity, pair in measured.items():
        if quantity not in QUANTITIES:
            raise LuthkitError(f"{name} has a value for {quantity!r}; known are: {', '.join(QUANTITIES)}")
        value, u = (float(each) for each in pair)
        if not (isfinite(value) and value > 0 and isfinite(u) and 0 <= u < value / 2):
            raise LuthkitError(
                f"{quantity} of {name} is {value:g} with an uncertainty of {u:g}; give a value above 0 and a "
                "standard uncertainty smaller than half of it (mobility in s/kg, such as 0.01)"
            )
        out[quantity] = (value, u)
    return out


def _usual(design: Design):
    plates = reckon_plates(design.top, [design.top.wood]), reckon_plates(design.back, [design.back.wood])
    values, slopes = reckon_guitars(design, *plates)
    return values[0], _building_part(slopes[0])


def _is_mobility() -> np.ndarray:
    return np.array([name == "mobility" for name in QUANTITIES])


def _together(apart: float, box: float) -> np.ndarray:
    """Correlations: a finished guitar's quantity with the box's of it, and any two others."""
    alike = np.full((len(QUANTITIES), len(QUANTITIES)), apart)
    for finished, white in zip(FINISHED, BOX, strict=False):
        i, j = QUANTITIES.index(finished), QUANTITIES.index(white)
        alike[i, j] = alike[j, i] = box
    np.fill_diagonal(alike, 1.0)
    return alike


def _offset_prior() -> np.ndarray:
    """What c may be: half of it shared by all, box and finished guitar nearly alike, mobility by itself."""
    mobility = _is_mobility()
    size = np.where(mobility, 0.20, 0.07)
    alike = np.where(mobility[:, None] != mobility, 0.0, _together(0.3, 0.8))
    return alike * size[:, None] * size


def _building_part(slopes: np.ndarray) -> np.ndarray:
    """Covariance from build to build, a priori: work and materials through the slopes, and the rest."""
    size = np.where(_is_mobility(), *REST)
    size[[QUANTITIES.index(name) for name in BRACED]] = 0.01
    work = np.concatenate([np.zeros((2, 4)), WORK], axis=1).ravel() ** 2
    rest = _together(0.0, 0.7) * size[:, None] * size  # the box in the white is already this guitar
    return (slopes * work) @ slopes.T + rest


def _at_its_size(believed, seen, total) -> np.ndarray:
    """The scatter as believed, larger or smaller as `seen` makes likely; `total` gives the covariance of `seen`."""
    far = np.linspace(-2, 2, 9)
    scatters, evidence = [], []
    for frequency, mobility in product(far, far):
        size = np.exp(_SIZE_U * np.where(_is_mobility(), mobility, frequency))
        scatters.append(believed * size[:, None] * size)
        root = np.linalg.cholesky(total(scatters[-1]))
        misfit = np.sum(np.linalg.solve(root, seen) ** 2) + 2 * np.sum(np.log(np.diag(root)))
        evidence.append(-(frequency**2 + mobility**2 + misfit) / 2)
    weight = np.exp(np.array(evidence) - max(evidence))
    return np.einsum("k,kij->ij", weight / weight.sum(), scatters)


def _wood_part(slopes, top_u, back_u) -> np.ndarray:
    """Covariance from the errors of the woods' measured properties."""
    errors = np.zeros((len(slopes), 2 * N_PROPERTIES))
    errors[:, 0:4], errors[:, N_PROPERTIES : N_PROPERTIES + 4] = np.square(top_u), np.square(back_u)
    return (slopes * errors[:, None, :]) @ np.swapaxes(slopes, 1, 2)


def _notes(builds, scatter, believed) -> tuple[str, ...]:
    notes = []
    if len(builds) < 5:
        notes.append(f"only {len(builds)} past builds: the forecasts are wide, and rest much on planning values")
    if np.max(np.diag(scatter) / np.diag(believed)) > 1.6**2:
        notes.append("your builds scatter more than is usual; check names of modes and the wood's figures")
    missing = [name for name in FINISHED if not any(name in build.measured for build in builds)]
    if missing:
        notes.append(f"no past build has a value for {', '.join(missing)}: its forecast rests on the model alone")
    return tuple(notes)
