"""Two-channel taps: force hammer and response, after ISO 7626-5 (impact mobility; cited from memory).

G_xx, G_yy, G_xy are averages over the taps of conj(X) X, conj(Y) Y, conj(X) Y, X the force and Y the
response: H1 = G_xy / G_xx (errs low where the force is noisy), H2 = G_yy / G_yx (errs high where the response
is noisy), coherence gamma^2 = |G_xy|^2 / (G_xx G_yy) = H1 / H2.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import scipy.fft

from .. import __version__
from .._frozen import frozen_array, frozen_dict
from ..errors import LuthkitError
from .spectrum import require_taps, tap_samples
from .taps import TapSet

RESPONSE_UNITS = {"acceleration": "m/s^2", "velocity": "m/s", "displacement": "m", "pressure": "Pa"}
_ORDERS = {"displacement": 1, "velocity": 0, "acceleration": -1}  # times (i omega)^order gives a velocity
ONE_HIT = "one hit has no coherence: it always comes out as 1, so it is left out"
RELATIVE = "no sensitivities given: the height is relative (digital over digital), not in physical units"


@dataclass(frozen=True, eq=False)
class TransferFunction:
    """Response over force, one complex value a frequency, averaged over the taps."""

    frequency_hz: np.ndarray  # (n,)
    h1: np.ndarray  # (n,) complex, in `unit`
    h2: np.ndarray  # (n,) complex, in `unit`
    coherence: np.ndarray  # (n,) 0 to 1; NaN for a single hit
    n_taps: int
    response_kind: str
    unit: str
    notes: tuple[str, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)
    parameters: Mapping[str, object] = field(default_factory=dict)
    version: str = __version__

    def __post_init__(self):
        for name, dtype in (("frequency_hz", float), ("h1", complex), ("h2", complex), ("coherence", float)):
            object.__setattr__(self, name, frozen_array(getattr(self, name), dtype=dtype, ndim=1, name=name))
        object.__setattr__(self, "sources", frozen_dict(self.sources))
        object.__setattr__(self, "parameters", frozen_dict(self.parameters))

    @property
    def h1_relative_u(self) -> np.ndarray:
        """Relative standard uncertainty of |H1|: sqrt((1 - gamma^2) / (2 n gamma^2)), NaN for a single hit.

        Random error only (Bendat and Piersol, Random Data, ch. 9, from memory).
        """
        with np.errstate(divide="ignore"):
            return np.sqrt((1 - self.coherence) / (2 * self.n_taps * self.coherence))

    def mobility(self) -> np.ndarray:
        """Velocity over force from H1, shape (n,) complex; NaN at 0 Hz where an acceleration gives none.

        Raises LuthkitError for a pressure, which holds no motion.
        """
        if self.response_kind not in _ORDERS:
            raise LuthkitError("A pressure over force is no mobility; mobility needs a vibration pickup on the wood.")
        i_omega = 2j * np.pi * self.frequency_hz
        order = _ORDERS[self.response_kind]
        factor = np.full(i_omega.shape, np.nan, complex)
        np.power(i_omega, order, out=factor, where=(i_omega != 0) | (order >= 0))
        return self.h1 * factor


def transfer(
    tapset: TapSet,
    *,
    response_kind: str,
    force_channel: int = 0,
    response_channel: int = 1,
    force_sensitivity: float | None = None,
    response_sensitivity: float | None = None,
    max_hz: float | None = None,
    length_s: float | None = None,
    lead_s: float = 0.002,
) -> TransferFunction:
    """Transfer function of the two-channel taps of one position.

    response_kind: "acceleration", "velocity", "displacement" or "pressure".
    force_sensitivity, response_sensitivity: full scale of the recording per newton, and per unit of the response
    (m/s^2, m/s, m, Pa). Give both or neither; without them the result is relative and says so.
    Every tap is cut from `lead_s` before the onset to `length_s` after it (None: the longest that all taps have),
    without a window: an exponential window would add damping.

    Raises LuthkitError when taps have one channel only, different sample rates, or no force at all.
    """
    if response_kind not in RESPONSE_UNITS:
        raise LuthkitError(f"response_kind is {response_kind!r}; use one of {', '.join(RESPONSE_UNITS)}.")
    if (force_sensitivity is None) != (response_sensitivity is None):
        raise LuthkitError(
            "Only one sensitivity is given; give force_sensitivity and response_sensitivity, or neither."
        )
    sensitivities = {"force_sensitivity": force_sensitivity, "response_sensitivity": response_sensitivity}
    for name, value in sensitivities.items():
        if value is not None and not 0 < value < np.inf:
            raise LuthkitError(f"{name} is {value}; it is a positive number, full scale per unit.")
    require_taps(tapset)
    rates = {tap.sample_rate_hz for tap in tapset.taps}
    if len(rates) > 1:
        raise LuthkitError(f"The taps have different sample rates ({sorted(rates)} Hz); read them apart.")
    rate = rates.pop()
    channels = {"force_channel": force_channel, "response_channel": response_channel}
    cut = {"length_s": length_s, "lead_s": lead_s}
    sounds = [[tap_samples(tap, channel=channel, **cut)[:, 0] for tap in tapset.taps] for channel in channels.values()]
    n = min(len(samples) for samples in sounds[0])
    x, y = (
        scipy.fft.rfft(np.array([samples[:n] for samples in each]), axis=1) / (full_scale or 1.0)
        for each, full_scale in zip(sounds, sensitivities.values(), strict=True)
    )
    frequency = np.arange(x.shape[1]) * rate / n
    if max_hz is not None:
        kept = frequency <= max_hz
        frequency, x, y = frequency[kept], x[:, kept], y[:, kept]
    g_xx, g_yy = np.mean(np.abs(x) ** 2, axis=0), np.mean(np.abs(y) ** 2, axis=0)
    g_xy = np.mean(np.conj(x) * y, axis=0)
    if not g_xx.max() > 0:
        raise LuthkitError(f"Channel {force_channel} holds no force; name the hammer's channel as force_channel.")
    with np.errstate(divide="ignore", invalid="ignore"):
        h1, h2 = g_xy / g_xx, g_yy / np.conj(g_xy)
        coherence = np.abs(g_xy) ** 2 / (g_xx * g_yy)
    notes = []
    if len(tapset.taps) == 1:
        coherence = np.full(frequency.size, np.nan)
        notes.append(ONE_HIT)
    if force_sensitivity is None:
        notes.append(RELATIVE)
    return TransferFunction(
        frequency_hz=frequency,
        h1=h1,
        h2=h2,
        coherence=coherence,
        n_taps=len(tapset.taps),
        response_kind=response_kind,
        unit="relative" if force_sensitivity is None else f"{RESPONSE_UNITS[response_kind]} per N",
        notes=tuple(notes),
        sources=tapset.sources,
        parameters={**channels, **sensitivities, "max_hz": max_hz, **cut},
    )
