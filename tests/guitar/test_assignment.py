"""One name once: the sums over all ways, against counting every way one by one."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.guitar.assignment import assign


def counted(odds, absent, order):
    """Posterior and total by going through all (n_names + 1)^n_modes ways."""
    n_modes, n_names = odds.shape
    posterior, total = np.zeros((n_modes, n_names + 1)), 0.0
    for way in itertools.product(range(n_names + 1), repeat=n_modes):
        used = [name for name in way if name < n_names]
        if len(used) != len(set(used)):
            continue
        log = sum(odds[k, name] for k, name in enumerate(way) if name < n_names)
        log += sum(absent[name] for name in range(n_names) if name not in used)
        for lower, upper, factor in order:
            if lower in way and upper in way and way.index(lower) > way.index(upper):
                log += factor
        total += np.exp(log)
        posterior[np.arange(n_modes), way] += np.exp(log)
    return posterior / total, np.log(total)


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    shape=st.tuples(st.integers(1, 4), st.integers(1, 3)),
    factor=st.floats(-5, 1),
)
def test_sums_over_sets_are_the_sums_over_all_ways(seed, shape, factor):
    rng = np.random.default_rng(seed)
    odds, absent = 2 * rng.standard_normal(shape), rng.standard_normal(shape[1])
    order = [(0, shape[1] - 1, factor)] if shape[1] > 1 else []
    expected, expected_total = counted(odds, absent, order)
    posterior, total = assign(odds, absent, order=order)
    assert posterior == pytest.approx(expected, abs=1e-9) and total == pytest.approx(expected_total, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10**6), n_modes=st.integers(1, 20))
def test_each_mode_has_one_name_and_each_name_one_mode_at_most(seed, n_modes):
    odds = 3 * np.random.default_rng(seed).standard_normal((n_modes, 7))
    posterior, _ = assign(odds, np.zeros(7))
    assert posterior.sum(axis=1) == pytest.approx(1)
    assert np.all(posterior[:, :-1].sum(axis=0) <= 1 + 1e-9)
