"""Sound from a microphone, block by block, with every lost block marked.

The package sounddevice (PortAudio) is wanted only here and only when a microphone is opened:
`pip install 'luthkit[live]'`.
"""

from __future__ import annotations

import queue
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .._frozen import frozen_array
from ..errors import LuthkitError
from ..signal.recording import Recording

BLOCK_S = 0.05
_PATIENCE_S = 3.0  # without a block for so long, the microphone is gone
_MOST_BLOCKS_KEPT = 6000  # five minutes: who looks away for longer loses sound, and is told
_GAP_S, _SURE_BLOCKS = 0.1, 4  # blocks so late, so many on end: not the jitter of a clock


@dataclass(frozen=True)
class Input:
    """A microphone or other input that this computer offers."""

    name: str
    n_channels: int
    sample_rate_hz: float  # what it says it likes best
    is_usual: bool  # the one the system takes when nobody chooses


@dataclass(frozen=True, eq=False)
class Block:
    """A stretch of sound as it came in. Samples that the system lost are missing before it, and `lost` says so."""

    samples: np.ndarray  # (n, n_channels), read-only float64, full scale = 1.0
    lost: bool = False


def list_inputs(*, anew: bool = False) -> tuple[Input, ...]:
    """The inputs of this computer; none on one without sound.

    anew : look again for what was plugged in since, which ends every recording that goes on.

    Raises `LuthkitError` when the package sounddevice, or the library PortAudio, is missing.
    """
    sounddevice = _sounddevice()
    try:
        if anew:  # PortAudio looks only when it starts
            sounddevice._terminate()
            sounddevice._initialize()
        devices = list(sounddevice.query_devices())
        usual = sounddevice.default.device[0]
    except sounddevice.PortAudioError:
        return ()
    return tuple(
        Input(device["name"], device["max_input_channels"], device["default_samplerate"], number == usual)
        for number, device in enumerate(devices)
        if device["max_input_channels"] > 0
    )


class Microphone:
    """An open input: `with Microphone() as microphone: for block in microphone.blocks(): ...`

    name : as in `list_inputs`; the usual input when "".
    sample_rate_hz : what is asked of it, its own rate when None. luthkit resamples nothing; the system may, when
        asked for another rate than the microphone's own.

    Blocks wait in a queue, so that slow work between them loses nothing. A block before which the system or
    the queue lost sound is marked; where the system says nothing of a loss, the clock tells (of 0.1 s and more, four
    blocks later). Raises `LuthkitError` when there is no such input, when it cannot be opened
    so, or when no sound comes any more (a plug pulled out).
    """

    def __init__(self, name: str = "", *, sample_rate_hz: int | None = None, n_channels: int = 1):
        self.name, self.sample_rate_hz, self.n_channels = name, sample_rate_hz, n_channels
        self._blocks: queue.Queue[Block] = queue.Queue(_MOST_BLOCKS_KEPT)
        self._spilt = False
        self._count = _Count()
        self._stream = None

    def __enter__(self) -> Microphone:
        inputs = list_inputs()
        if not inputs:
            raise LuthkitError("no microphone was found on this computer; plug one in and try again")
        names = [item.name for item in inputs]
        if self.name and self.name not in names:
            raise LuthkitError(f"there is no input called {self.name!r}; there are {', '.join(names)}")
        sounddevice = _sounddevice()
        number = None
        if self.name:
            devices = sounddevice.query_devices()
            number = next(k for k, d in enumerate(devices) if d["name"] == self.name and d["max_input_channels"] > 0)
        if self.sample_rate_hz is None:
            chosen = [item for item in inputs if item.name == self.name or (not self.name and item.is_usual)]
            self.sample_rate_hz = round((chosen or inputs)[0].sample_rate_hz)
        try:
            self._stream = sounddevice.InputStream(
                device=number,
                samplerate=self.sample_rate_hz,
                channels=self.n_channels,
                dtype="float32",  # holds every 24-bit sample exactly
                blocksize=round(BLOCK_S * self.sample_rate_hz),
                latency="high",
                callback=self._take,
            )
            self._stream.start()
        except (sounddevice.PortAudioError, ValueError) as error:
            self.__exit__()
            what = self.name or "the usual input"
            raise LuthkitError(
                f"{what} cannot be opened at {self.sample_rate_hz} Hz with {self.n_channels} channel(s) ({error}); "
                "choose another input or rate, and close programs that use it"
            ) from error
        return self

    def __exit__(self, *_) -> None:
        if self._stream is not None:
            self._stream.close(ignore_errors=True)
            self._stream = None

    def blocks(self) -> Iterator[Block]:
        """Blocks as they come, without end; leave the loop to stop."""
        while self._stream is not None:
            try:
                yield self._blocks.get(timeout=_PATIENCE_S)
            except queue.Empty:
                if self._stream is not None:
                    raise LuthkitError(
                        f"no sound has come from the microphone for {_PATIENCE_S:.0f} s; is it still plugged in?"
                    ) from None

    def _take(self, samples, count, _time, status) -> None:
        """Called by PortAudio for every block, in a thread of its own."""
        missed = self._count.misses(time.monotonic(), count / self.sample_rate_hz)
        try:
            self._blocks.put_nowait(Block(frozen_array(samples), bool(status.input_overflow) or missed or self._spilt))
            self._spilt = False
        except queue.Full:
            self._spilt = True


class _Count:
    """Notices samples that never came: more time has gone by than there is sound.

    Sound that was only held up catches up, faster than time goes by; what stays behind is lost. The two clocks
    drift apart by some ten parts in a million; that is followed.
    """

    def __init__(self):
        self._heard_s = 0.0
        self._usual_s: float | None = None  # time less sound
        self._behind_s: deque[float] = deque(maxlen=_SURE_BLOCKS)

    def misses(self, now_s: float, block_s: float) -> bool:
        """Whether sound is missing before this block, or before one of the last few."""
        self._heard_s += block_s
        self._behind_s.append(now_s - self._heard_s)
        least_s = min(self._behind_s)
        if self._usual_s is None:
            self._usual_s = least_s
        if least_s < self._usual_s + _GAP_S:
            self._usual_s += 0.02 * (least_s - self._usual_s)
            return False
        catches_up = self._behind_s[0] - self._behind_s[-1] > 0.2 * _SURE_BLOCKS * block_s
        if len(self._behind_s) < _SURE_BLOCKS or catches_up:
            return False
        self._usual_s = least_s
        return True


def blocks_of(recording: Recording) -> Iterator[Block]:
    """The sound of a recording as if it came from a microphone, as quickly as it is asked for."""
    for _, samples in recording.blocks(block_s=BLOCK_S):
        yield Block(frozen_array(samples))


def _sounddevice():
    try:
        import sounddevice
    except ImportError:
        raise LuthkitError(
            "recording needs the package sounddevice; install it once with: pip install 'luthkit[live]'"
        ) from None
    except OSError:
        raise LuthkitError(
            "recording needs the library PortAudio; install it once (on Debian and Ubuntu: apt install libportaudio2)"
        ) from None
    return sounddevice
