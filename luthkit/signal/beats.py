"""One or two decaying lines in a narrow band: what a partial of a string is made of.

A string moves up and down and across; the two motions of one partial have nearly one frequency and die away
at different rates, so the partial beats, or decays in two slopes. A straight line through that would give a
rate that belongs to neither.

Model of a band's complex envelope: z(t) = sum of c exp(s t), one or two terms. Candidates come from a matrix
pencil (Hua and Sarkar, IEEE Trans. ASSP 38 (1990) 814, from memory), and are refined by least squares with a
Levenberg-Marquardt damping; all bands of a note are done at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

_STEPS = 14
_PENCIL = 24  # rows of the pencil; more costs time and gains little


@dataclass(frozen=True, eq=False)
class BandFit:
    """n_terms lines in each of n_bands bands: poles and amplitudes (n_bands, n_terms), strongest first."""

    poles: np.ndarray  # complex, 1/s and rad/s from the middle of the band
    amplitudes: np.ndarray  # complex, at time 0
    pole_u: np.ndarray  # standard uncertainty of Re s, and of Im s, in 1/s
    misfit: np.ndarray  # (n_bands,) sum of squares of what is left


def fit_one_and_two(envelopes, time_s, weights, *, noise_ratio: float) -> tuple[BandFit, BandFit]:
    """The best single line of each band, and the best two.

    Two lines are sought from two starts, the pencil's and the single line split in two, and the better outcome
    is kept: where a band holds little else, the pencil takes noise for the second line.
    """
    options = {"noise_ratio": noise_ratio}
    one = fit_bands(envelopes, time_s, weights, _candidates(envelopes, weights, time_s, 1), **options)
    pencil = fit_bands(envelopes, time_s, weights, _candidates(envelopes, weights, time_s, 2), **options)
    span_s = np.maximum(weights.sum(axis=1), 2) * (time_s[1] - time_s[0])
    single = one.poles[:, 0]
    split = np.stack(
        [1.1 * single.real + 1j * single.imag, 0.4 * single.real + 1j * (single.imag + 2 / span_s)], axis=1
    )
    parted = fit_bands(envelopes, time_s, weights, split, **options)
    better = parted.misfit < pencil.misfit
    chosen = [
        np.where(better[:, None] if a.ndim == 2 else better, a, b)
        for a, b in ((getattr(parted, name), getattr(pencil, name)) for name in BandFit.__dataclass_fields__)
    ]
    return one, BandFit(*chosen)


def fit_bands(envelopes, time_s, weights, poles, *, noise_ratio: float) -> BandFit:
    """Fit decaying lines to each row of `envelopes` (n_bands, n), at equally spaced `time_s` (n,).

    poles (n_bands, n_terms): where to start. weights (n_bands, n): 1 where a sample counts, then 0 to the end.
    noise_ratio: by how much the noise density exceeds that of white noise of the same variance, for noise that
    a filter has shaped. The uncertainty is that of least squares, from what is left over.
    """
    z = np.where(weights > 0, envelopes, 0)
    scale = np.sqrt(np.sum(np.abs(z) ** 2, axis=1) / np.maximum(weights.sum(axis=1), 1))
    scale[scale == 0] = 1
    z = z / scale[:, None]
    n_terms = poles.shape[1]
    lines, amplitudes, left, misfit = _project(z, weights, time_s, poles)
    damping = np.full(len(z), 1e-3)
    identity = np.eye(2 * n_terms)
    for _ in range(_STEPS):
        normal, gradient, size = _normal(lines, amplitudes, left, time_s)
        unit = normal + (damping[:, None, None] + 1e-12) * identity
        step = np.linalg.solve(unit, gradient[:, :, None])[:, :, 0] / size
        trial = poles + step[:, n_terms:]
        trial = np.clip(trial.real, -200.0, -0.01) + 1j * trial.imag
        new = _project(z, weights, time_s, trial)
        better = new[-1] <= misfit
        settled = np.all(~better | (misfit - new[-1] < 2e-5 * misfit))
        old = (poles, lines, amplitudes, left, misfit)
        poles, lines, amplitudes, left, misfit = (
            np.where(better.reshape(-1, *[1] * (kept.ndim - 1)), tried, kept)
            for tried, kept in zip((trial, *new), old, strict=True)
        )
        damping = np.clip(np.where(better, damping / 8, damping * 10), 1e-9, 1e6)
        if settled and np.all(better | (damping > 1)):
            break
    normal, _, size = _normal(lines, amplitudes, left, time_s)
    inverse = np.linalg.inv(normal + 1e-12 * identity)
    variance = misfit / np.maximum(weights.sum(axis=1) - 2 * n_terms, 1) * noise_ratio / 2  # of each real part
    spread = np.real(np.einsum("bii->bi", inverse))[:, n_terms:] / size[:, n_terms:] ** 2
    order = np.argsort(-np.abs(amplitudes), axis=1)
    pick = lambda values: np.take_along_axis(values, order, axis=1)  # noqa: E731
    return BandFit(
        poles=pick(poles),
        amplitudes=pick(amplitudes) * scale[:, None],
        pole_u=pick(np.sqrt(np.maximum(spread, 0) * variance[:, None])),
        misfit=misfit * scale**2,
    )


def _normal(lines, amplitudes, left, time_s):
    """Normal matrix and gradient by amplitudes and poles, both scaled to a unit diagonal, and that scale."""
    columns = np.concatenate([lines, lines * (amplitudes[:, None, :] * time_s[None, :, None])], axis=2)
    adjoint = np.conj(columns.transpose(0, 2, 1))
    normal = adjoint @ columns
    size = np.sqrt(np.maximum(np.real(np.einsum("bii->bi", normal)), 1e-30))
    return normal / (size[:, :, None] * size[:, None, :]), (adjoint @ left[:, :, None])[:, :, 0] / size, size


def _project(z, weights, time_s, poles):
    """The weighted lines (n_bands, n, n_terms), their best amplitudes, what is left (n_bands, n), and its squares."""
    block = 16  # exp(s t) as a product of coarse and fine steps: far fewer exponentials
    n, step_s = time_s.size, time_s[1] - time_s[0]
    coarse = np.exp(poles[:, None, None, :] * (time_s[0] + np.arange(0, n, block) * step_s)[None, :, None, None])
    fine = np.exp(poles[:, None, None, :] * (np.arange(block) * step_s)[None, None, :, None])
    lines = (coarse * fine).reshape(len(poles), -1, poles.shape[1])[:, :n] * weights[:, :, None]
    adjoint = np.conj(lines.transpose(0, 2, 1))
    normal = adjoint @ lines
    size = np.real(np.einsum("bii->bi", normal)).max(axis=1)
    normal = normal + (1e-13 * size + 1e-300)[:, None, None] * np.eye(poles.shape[1])
    amplitudes = np.linalg.solve(normal, adjoint @ z[:, :, None])
    left = z - (lines @ amplitudes)[:, :, 0]
    return lines, amplitudes[:, :, 0], left, np.sum(left.real**2 + left.imag**2, axis=1)


def _candidates(z, weights, time_s, n_terms):
    """Poles (n_bands, n_terms) to start from."""
    thin = max(1, z.shape[1] // 80)  # a pencil that spans a third of the decay needs no close samples
    z, weights, step_s = z[:, ::thin], weights[:, ::thin], (time_s[1] - time_s[0]) * thin
    rows = max(n_terms + 1, min(_PENCIL, z.shape[1] // 3))
    hankel = np.lib.stride_tricks.sliding_window_view(z, rows, axis=1)
    whole = np.lib.stride_tricks.sliding_window_view(weights, rows, axis=1)[:, :, -1:] > 0
    hankel = np.where(whole, hankel, 0)
    covariance = hankel.transpose(0, 2, 1) @ np.conj(hankel)
    _, basis = np.linalg.eigh(covariance)
    basis = basis[:, :, -n_terms:]
    upper, lower = basis[:, :-1], basis[:, 1:]
    adjoint = np.conj(upper.transpose(0, 2, 1))
    shift = np.linalg.solve(adjoint @ upper + 1e-12 * np.eye(n_terms), adjoint @ lower)
    roots = np.linalg.eigvals(shift)
    poles = np.log(np.where(np.abs(roots) > 1e-6, roots, 1e-6)) / step_s
    rate = np.clip(-poles.real, 0.02, 60.0)
    if n_terms == 2:  # two equal starts would never part
        close = np.abs(poles[:, 0] - poles[:, 1]) < 0.05
        rate[close, 1] = 0.5 * rate[close, 0]
    return -rate + 1j * poles.imag
