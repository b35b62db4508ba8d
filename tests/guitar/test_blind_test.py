"""The blind test: balanced, fair, and its tally held against scipy's exact binomial test."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from luthkit.errors import LuthkitError
from luthkit.guitar.blind_test import BlindTest, blind_test


@given(st.integers(1, 100), st.integers(0, 2**32 - 1))
def test_x_is_each_of_them_half_of_the_time(n, seed):
    test = blind_test(n, seed=seed)
    assert test.n_trials == n and abs(test.hidden.count("A") - test.hidden.count("B")) <= 1


def test_the_order_is_random():
    orders = {blind_test(12).hidden for _ in range(20)}
    assert len(orders) > 10
    assert {blind_test(1, seed=k).hidden for k in range(20)} == {("A",), ("B",)}


@given(st.lists(st.tuples(st.sampled_from("AB"), st.sampled_from("AB")), min_size=1, max_size=30))
def test_the_tally_is_that_of_the_exact_binomial_test(trials):
    test = BlindTest(tuple(x for x, _ in trials))
    for _, said in trials:
        test = test.answer(said)
    right = sum(x == said for x, said in trials)
    assert test.n_correct == right and test.finished
    expected = binomtest(right, len(trials), 0.5, alternative="greater").pvalue
    assert test.p_value == pytest.approx(expected, rel=1e-12)


def test_ten_of_twelve():
    # (66 + 12 + 1) / 4096 = 0.0193, by hand
    test = BlindTest(("A",) * 12)
    for said in "AAAAAAAAAABB":
        assert not test.finished and "right" not in test.verdict()
        test = test.answer(said)
    assert test.p_value == pytest.approx(79 / 4096)
    assert "10 of 12 right" in test.verdict() and "You heard a difference" in test.verdict()


def test_guessing_shows_nothing():
    test = BlindTest(("A", "B") * 6)
    for said in "AAAAAAAAAAAA":
        test = test.answer(said)
    assert "No difference was shown" in test.verdict() and "does not show that there is none" in test.verdict()


def test_other_words_and_too_many_answers():
    with pytest.raises(LuthkitError, match="say A or B"):
        blind_test(4).answer("X")
    with pytest.raises(LuthkitError, match="begin a new test"):
        blind_test(1, seed=1).answer("A").answer("A")
    with pytest.raises(LuthkitError, match="1 to 100"):
        blind_test(0)
