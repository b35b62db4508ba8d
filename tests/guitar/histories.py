"""Made histories as the tests want them."""

from dataclasses import replace

import numpy as np

from luthkit.guitar.history import history_from_rows
from luthkit.simulate.histories import made_history


def made(seed, **options):
    """(history, its truth); 14 sessions of a new guitar unless told."""
    options.setdefault("days", (0, 1, 3, 7, 14, 30, 60, 90, 130, 180, 240, 300, 365, 430))
    truth = made_history(np.random.default_rng(seed), **options)
    return history_from_rows("made guitar", truth.rows, truth.events), truth


def until(history, date):
    """The history as it was known on that day."""
    occasions = tuple(occasion for occasion in history.occasions if occasion.date <= date)
    return replace(history, occasions=occasions, events=tuple(event for event in history.events if event.date <= date))
