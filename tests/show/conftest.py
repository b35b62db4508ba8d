"""Hand-made mode sets with the spectrum of synthetic taps, for pictures and reports."""

import numpy as np
import pytest

from luthkit import simulate
from luthkit.guitar.comparison import compare
from luthkit.signal.modes import Mode, ModeSet, Witness
from luthkit.signal.spectrum import average_spectrum
from luthkit.signal.taps import Rejection

AWKWARD = '<b>"x"</b> & Söhne $5'


def make_set(name, *, seed=1, stretch=1.0, placements=2, conditions=None, notes=()):
    """A mode set whose numbers are written down here, beside a spectrum of synthetic sound."""
    rng = np.random.default_rng(seed)
    body = simulate.Body(simulate.pole(np.array([101, 196, 224]) * stretch, 0.02), np.ones((3, 1)))
    bench = simulate.Bench(n_taps=3, n_placements=1, sample_rate_hz=16000, length_s=0.6)
    witness = (
        Witness("band decay", 101.0, 0.021, 0.001),
        Witness("peak width", np.nan, np.nan, np.nan, "too wide"),
    )
    modes = (
        Mode(101.0 * stretch, 0.1, 0.020, 0.0004, -6.0, 0.5, witnesses=witness),
        Mode(196.0 * stretch, 0.2, 0.015, 0.0003, 0.0, 0.5, notes=("the second opinions differ",)),
        Mode(224.0 * stretch, 0.2, 0.018, np.nan, -3.0, np.nan),
        Mode(146.8, 0.01, 0.001, 0.0001, -30.0, 1.0, kind="string"),
    )
    return ModeSet(
        modes=tuple(sorted(modes, key=lambda mode: mode.frequency_hz)),
        taps_accepted=8,
        rejected=(
            Rejection("taps/<3>.wav", 0.52, "clipped: 5 samples & more"),
            Rejection("a.wav", None, "silence"),
        ),
        placements=placements,
        sources={f"{name} 1.wav": f"{seed:064d}"},
        parameters={"band_hz": (60, 1000), "conditions": conditions or {}},
        version="0.1.0",
        name=name,
        spectrum=average_spectrum(simulate.tap_set(rng, body, bench), scaling="energy density"),
        notes=notes,
    )


@pytest.fixture(scope="session")
def build():
    return make_set(AWKWARD, stretch=1.03, conditions={"relative_humidity_percent": 55, "microphone": "<one>"})


@pytest.fixture(scope="session")
def references():
    said = {"relative_humidity_percent": 47, "temperature_c": 20, "microphone": "two"}
    return make_set("old", seed=2, conditions=said), make_set("older", seed=3, stretch=1.008, conditions=said)


@pytest.fixture(scope="session")
def comparison(build, references):
    return compare(build, references)
