"""Which top and back of the stock bring a build to its reference: how near, how sure, and whether any does.

How far a guitar lies from the reference is counted in just-noticeable steps: 2 % in frequency (Woodhouse, Manuel,
Smith, Wheble and Fritz 2012, figure from memory), 15 % in mobility (a planning value, no source). The distance
is the largest of the quantities' steps, so nothing makes up for anything else. Choosing wood cannot change what
differs from build to build; whether one pair is nearer than another is judged without that, and with the errors
the two pairs share taken out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log

import numpy as np

from .._frozen import frozen_dict
from .._threads import one_thread
from ..errors import LuthkitError
from .design import FINISHED, N_PROPERTIES, reckon_guitars, reckon_plates
from .planning import Calibration, Forecast, calibrate, checked_measured
from .thresholds import Thresholds
from .wood_set import WoodSet

MOBILITY_STEP = 0.15  # planning value, no source
REACHED, UNCERTAIN, NOT_REACHED = "within reach", "cannot tell", "no set in the stock reaches the reference"
KIND = (0.12, 0.16, 0.12, 0.07)  # E along, E across, G, density: how boards of one kind scatter, from memory
_NEARER = 0.9  # so sure must it be that one pair is nearer than another, or they cannot be ranked
_OUT = 1.645  # standard uncertainties: a quantity this far beyond the reach is out of it in 95 of 100 cases
_DRAWS, SHORT = 192, 40  # draws for every pair, and pairs looked at more closely
_CLOSE_DRAWS = 2000
_CHUNK = 8000


@dataclass(frozen=True)
class Target:
    """The reference's response, the steps that count, and how many of them a build may be away.

    `measured`: finished quantity -> (value, standard uncertainty). `reach_steps`: the distance the maker chose.
    """

    measured: Mapping[str, tuple[float, float]]
    reach_steps: float = 1.0
    frequency_step: float = Thresholds().frequency_heard_typical.value
    mobility_step: float = MOBILITY_STEP
    name: str = "the reference"

    def __post_init__(self):
        measured = checked_measured(self.measured, self.name)
        if not measured or not set(measured) <= set(FINISHED):
            raise LuthkitError(f"{self.name} needs values for one or more of: {', '.join(FINISHED)}")
        if not (self.reach_steps > 0 and self.frequency_step > 0 and self.mobility_step > 0):
            raise LuthkitError("reach and steps must be above 0; a reach of 1 is one just-noticeable step")
        object.__setattr__(self, "measured", frozen_dict(measured))

    def steps(self, logs: np.ndarray, quantities: Sequence[str] = FINISHED) -> np.ndarray:
        """Steps from the reference, signed, (..., n_measured), of logarithms (..., n_quantities)."""
        at = [list(quantities).index(name) for name in self.measured]
        aim = np.array([log(value) for value, _ in self.measured.values()])
        return (np.asarray(logs)[..., at] - aim) / self._sizes()

    def errors(self) -> np.ndarray:
        """Standard uncertainty of the reference's values, in steps, (n_measured,)."""
        return np.array([u / value for value, u in self.measured.values()]) / self._sizes()

    def _sizes(self) -> np.ndarray:
        size = [self.mobility_step if name == "mobility" else self.frequency_step for name in self.measured]
        return np.log1p(np.array(size))


@dataclass(frozen=True, eq=False)
class Pair:
    """A top with a back: the forecast of their guitar and how near it comes to the reference.

    `distance_steps` is the expected largest step, `distance_low_steps` to `distance_high_steps` its 95 % band;
    `chance` that no quantity is farther than the reach, `nearer_chance` that the first pair of the list is nearer.
    `forecast` holds the finished quantities.
    """

    top: str
    back: str
    forecast: Forecast
    distance_steps: float
    distance_low_steps: float
    distance_high_steps: float
    chance: float
    nearer_chance: float
    steps: Mapping[str, tuple[float, float]]  # quantity -> (steps from the reference, standard uncertainty)


@dataclass(frozen=True, eq=False)
class Ranking:
    """The best pairs of a stock, nearest first, and what can be said of them all together."""

    pairs: tuple[Pair, ...]
    n_tops: int
    n_backs: int
    tied: int  # so many pairs at the head of the list cannot be ranked among each other
    verdict: str  # "within reach", "cannot tell", or "no set in the stock reaches the reference"
    target: Target
    calibration: Calibration


@one_thread
def rank(
    calibration: Calibration,
    tops: Sequence[WoodSet],
    backs: Sequence[WoodSet],
    target: Target,
    *,
    n_best: int = 12,
    seed: int = 1,
) -> Ranking:
    """Rank tops, each matched with its best back, by how near their guitar is expected to come to the reference.

    Every pair is looked at; where there are fewer tops than `n_best`, a top is listed with several backs. `seed`
    begins the random draws: the same stock gives the same list. Raises LuthkitError for an empty stock or a name
    used twice.
    """
    for what, sets in (("tops", tops), ("backs", backs)):
        names = [each.name for each in sets]
        if not names:
            raise LuthkitError(f"there are no {what} in the stock; measure at least one")
        if len(set(names)) < len(names):
            raise LuthkitError(f"two {what} have the same name; give each piece a name of its own")
    read, (calibration, target) = target, with_reference(calibration, target)
    design = calibration.design
    top_plates = reckon_plates(design.top, [each.wood for each in tops], finished_only=True)
    back_plates = reckon_plates(design.back, [each.wood for each in backs], finished_only=True)
    top_u, back_u = (np.array([each.uncertainty for each in sets]) for sets in (tops, backs))
    i, j = (each.ravel() for each in np.indices((len(tops), len(backs))))
    rng = np.random.default_rng(seed)
    draws = rng.standard_normal((_DRAWS, len(target.measured)))
    score, out = np.empty(len(i)), True
    for first in range(0, len(i), _CHUNK):
        a, b = i[first : first + _CHUNK], j[first : first + _CHUNK]
        values, slopes = reckon_guitars(design, top_plates[a], back_plates[b], finished_only=True)
        mean, covariance = calibration.apply(values, slopes, top_u[a], back_u[b])
        score[first : first + _CHUNK] = _distances(target, mean, covariance, draws).mean(axis=0)
        out = out and _all_out(target, mean, covariance)
    short = _matched(score.reshape(len(tops), len(backs)), n_best)
    a, b = i[short], j[short]
    values, slopes = reckon_guitars(design, top_plates[a], back_plates[b], finished_only=True)
    mean, covariance = calibration.apply(values, slopes, top_u[a], back_u[b])
    draws = rng.standard_normal((_CLOSE_DRAWS, len(target.measured)))
    far = _distances(target, mean, covariance, draws)
    order = np.argsort(far.mean(axis=0), kind="stable")
    choice = _choice_draws(rng, calibration, target, values, slopes, (a, top_u), (b, back_u))
    nearer = (choice[:, order[:1]] < choice).mean(axis=0)
    pairs = []
    for k in order[:n_best]:
        low, high = np.quantile(far[:, k], [0.025, 0.975])
        forecast = Forecast(FINISHED, mean[k], covariance[k])
        chance = float((far[:, k] <= target.reach_steps).mean())
        sure = 0.5 if k == order[0] else float(nearer[k])
        names = tops[a[k]].name, backs[b[k]].name
        nums = (float(far[:, k].mean()), float(low), float(high), chance, sure)
        pairs.append(Pair(*names, forecast, *nums, steps_of(forecast, target)))
    likely = (far <= target.reach_steps).mean(axis=0).max() >= 0.5
    verdict = REACHED if likely else NOT_REACHED if out else UNCERTAIN
    tied = int(np.sum(nearer[order] < _NEARER))
    return Ranking(tuple(pairs), len(tops), len(backs), tied, verdict, read, calibration)


def with_reference(calibration: Calibration, target: Target) -> tuple[Calibration, Target]:
    """What the reference's reading tells of the shop, and what a guitar of this design tells of the reference.

    It is taken for a guitar of some wood of the usual kind, as likely by the hand of the past builds, off as they are,
    as by another, of which only the bare model is known (Bayes' theorem, Gaussian; the hands are weighed by how well
    they go with the reading, and their mixture is told by its mean and covariance). By this hand it is one more build,
    though of unknown wood; worse readings are drawn more to what is expected.
    """
    names = list(target.measured)
    at = [FINISHED.index(name) for name in names]
    read = np.array([log(value) for value, _ in target.measured.values()])
    error = np.diag([(u / value) ** 2 + 1e-12 for value, u in target.measured.values()])
    woods = [WoodSet("some", plate.wood, KIND) for plate in (calibration.design.top, calibration.design.back)]
    evidence, means, variances, moves = [], [], [], []
    for hand in (calibration, calibrate(calibration.design)):
        forecast = hand.forecast(*woods)
        spread, off = forecast.covariance[np.ix_(at, at)], read - forecast.mean[at]
        pull = np.linalg.inv(spread + error)
        evidence.append((np.linalg.slogdet(pull)[1] - off @ pull @ off) / 2)
        means.append(read - error @ pull @ off)
        variances.append(np.diag(error - error @ pull @ error))
        moves.append((hand.covariance[:, at] @ pull, off))
    weight = np.exp(np.array(evidence) - max(evidence))
    weight /= weight.sum()
    mean = weight @ means
    u = np.sqrt(weight @ (variances + (means - mean) ** 2))
    values = np.exp(mean)
    measured = {name: (x, x * v) for name, x, v in zip(names, values, u, strict=True)}
    (gain, off), own = moves[0], weight[0]
    moved, n = gain @ off, len(calibration.usual)
    known = calibration.covariance - own * gain @ calibration.covariance[at] + own * (1 - own) * np.outer(moved, moved)
    taught = replace(
        calibration,
        offset=calibration.offset + own * moved[:n],
        gain=calibration.gain + own * moved[n:],
        covariance=known,
    )
    return taught, replace(target, measured=measured)


def chance_within(forecast: Forecast, target: Target, *, seed: int = 1) -> float:
    """The chance that the finished guitar lies within the reach, for a forecast at any stage of the build."""
    keep = [forecast.quantities.index(name) for name in FINISHED]
    draws = np.random.default_rng(seed).standard_normal((_CLOSE_DRAWS, len(target.measured)))
    far = _distances(target, forecast.mean[None, keep], forecast.covariance[np.ix_(keep, keep)][None], draws)
    return float((far <= target.reach_steps).mean())


def steps_of(forecast: Forecast, target: Target) -> dict[str, tuple[float, float]]:
    """Quantity -> (steps above the reference, standard uncertainty), the reference's own error included."""
    at = [forecast.quantities.index(name) for name in target.measured]
    steps = target.steps(forecast.mean, forecast.quantities)
    own = np.sqrt(np.diag(forecast.covariance)[at]) / target._sizes()
    u = np.hypot(own, target.errors())
    return {name: (float(s), float(e)) for name, s, e in zip(target.measured, steps, u, strict=True)}


def _distances(target, mean, covariance, draws) -> np.ndarray:
    """Largest steps (n_draws, n) of guitars with the given means (n, 4) and covariances (n, 4, 4)."""
    at = [FINISHED.index(name) for name in target.measured]
    sizes = target._sizes()
    spread = covariance[:, at][:, :, at] / (sizes[:, None] * sizes)
    spread = spread + np.diag(target.errors() ** 2 + 1e-12)
    steps = target.steps(mean)
    return np.abs(steps + np.einsum("nij,dj->dni", np.linalg.cholesky(spread), draws)).max(axis=2)


def _choice_draws(rng, calibration, target, values, slopes, tops, backs) -> np.ndarray:
    """Distances (n_draws, n) as far as the choice of wood decides them, with the errors that pairs share shared."""
    n, q = len(calibration.usual), len(FINISHED)
    shared = rng.multivariate_normal(np.zeros(2 * n), calibration.covariance, _CLOSE_DRAWS, method="eigh")
    far = values - calibration.usual[:q]
    offset = calibration.offset[:q] + shared[:, None, :q]
    gain = calibration.gain[:q] + shared[:, None, n : n + q]
    logs = values + offset + gain * far
    for (which, u), first in ((tops, 0), (backs, N_PROPERTIES)):
        error = rng.standard_normal((_CLOSE_DRAWS, *u.shape)) * u  # one error for each piece, in whatever pair it is
        logs = logs + np.einsum("nqp,dnp->dnq", slopes[:, :, first : first + 4], error[:, which])
    reference = rng.standard_normal((_CLOSE_DRAWS, 1, len(target.measured))) * target.errors()
    return np.abs(target.steps(logs) - reference).max(axis=2)


def _matched(score: np.ndarray, n_best: int) -> np.ndarray:
    """The best pairs, each top with its best back only, or with few more where there are few tops; flat indices."""
    each = -(-max(SHORT, n_best) // len(score)) if len(score) < n_best else 1
    backs = np.argsort(score, axis=1, kind="stable")[:, :each]
    flat = (np.arange(len(score))[:, None] * score.shape[1] + backs).ravel()
    return flat[np.argsort(score.ravel()[flat], kind="stable")][: max(SHORT, n_best)]


def _all_out(target, mean, covariance) -> bool:
    """Whether in every guitar some quantity alone lies beyond the reach, sure to 95 %."""
    at = [FINISHED.index(name) for name in target.measured]
    u = np.hypot(np.sqrt(np.diagonal(covariance, axis1=1, axis2=2)[:, at]) / target._sizes(), target.errors())
    return bool(np.all(np.any(np.abs(target.steps(mean)) - _OUT * u > target.reach_steps, axis=1)))
