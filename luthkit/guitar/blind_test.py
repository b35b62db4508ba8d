"""Listening blind: is X the build or the reference? The tally says whether it could be told by chance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import comb

import numpy as np

from ..errors import LuthkitError

CHOICES = ("A", "B")
SURE = 0.05


@dataclass(frozen=True)
class BlindTest:
    """Trials in which X is A or B; each half of the time (one more where the number is odd), in random order."""

    hidden: tuple[str, ...]  # what X is in each trial
    answers: tuple[str, ...] = ()

    @property
    def n_trials(self) -> int:
        """How many trials there are in all."""
        return len(self.hidden)

    @property
    def n_correct(self) -> int:
        """How many answers so far are right."""
        return sum(a == x for a, x in zip(self.answers, self.hidden, strict=False))

    @property
    def finished(self) -> bool:
        """Whether every trial has its answer."""
        return len(self.answers) == len(self.hidden)

    @property
    def p_value(self) -> float:
        """How likely guessing gets so many right or more: sum over k from n_correct of C(n, k) / 2^n."""
        n = len(self.answers)
        return sum(comb(n, k) for k in range(self.n_correct, n + 1)) / 2**n

    def answer(self, choice: str) -> BlindTest:
        """The test with one more answer, "A" or "B"; `LuthkitError` for another word, or when it is over."""
        if choice not in CHOICES:
            raise LuthkitError(f"the answer is {choice!r}; say A or B")
        if self.finished:
            raise LuthkitError(f"all {self.n_trials} trials have their answers; begin a new test")
        return replace(self, answers=(*self.answers, choice))

    def verdict(self) -> str:
        """The tally in a sentence or two; while the test runs it does not say which answers were right."""
        n = len(self.answers)
        if not self.finished:
            return f"Trial {n + 1} of {self.n_trials}."
        told = f"{self.n_correct} of {n} right; guessing does as well in {100 * self.p_value:.2g} % of tests."
        if self.p_value <= SURE:
            return f"{told} You heard a difference."
        return f"{told} No difference was shown, which does not show that there is none."


def blind_test(n_trials: int = 12, *, seed: int | None = None) -> BlindTest:
    """A new test of `n_trials` (1 to 100), X balanced between A and B in random order."""
    if not 1 <= n_trials <= 100:
        raise LuthkitError(f"n_trials is {n_trials}; choose 1 to 100")
    rng = np.random.default_rng(seed)
    first, second = rng.permutation(CHOICES)
    half = [first] * (n_trials - n_trials // 2) + [second] * (n_trials // 2)
    return BlindTest(tuple(str(x) for x in rng.permutation(half)))
