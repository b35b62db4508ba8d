"""Recordings: sound files read exactly as they are, whole or in blocks.

Nothing here resamples, normalises or drops a channel, and nothing writes to a recording.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..errors import LuthkitError, RecordingError

SUFFIXES = (".wav", ".flac", ".aif", ".aiff")
LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 16_000, 192_000
_ENCODINGS = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
_FORMATS = ("WAV", "WAVEX", "RF64", "FLAC", "AIFF")
_CHUNK_BYTES = 1 << 20
_UNKNOWN_SIZE = 0xFFFFFFFF  # what a recorder writes that does not know the length yet


@dataclass(frozen=True, eq=False)
class Recording:
    """A mono or stereo recording, on disk or in memory.

    `read` returns float64 of shape (n_samples, n_channels), full scale = 1.0; integer files are scaled by a
    power of two only, so that every sample is exact.

    >>> import numpy as np
    >>> recording = Recording.from_samples(np.zeros(48000), 48000, name="silence")
    >>> recording.duration_s, recording.n_channels, recording.read(0, 10).shape
    (1.0, 1, (10, 1))
    """

    name: str  # what the maker calls it: the path as given, relative to the folder that was named
    sample_rate_hz: int
    n_samples: int
    n_channels: int
    encoding: str  # e.g. "PCM_24", "FLOAT", "memory"
    sha256: str  # of the file's bytes; of the samples' bytes when in memory
    path: Path | None = None
    _samples: np.ndarray | None = None

    @classmethod
    def from_samples(cls, samples, sample_rate_hz: int, *, name: str = "memory") -> Recording:
        """A recording from an array of shape (n_samples,) or (n_samples, n_channels), full scale = 1.0.

        Raises `RecordingError` for the same faults as a file: wrong rate, no samples, more than two channels.
        """
        array = np.array(samples, dtype=np.float64, order="C")
        if array.ndim == 1:
            array = array[:, np.newaxis]
        if array.ndim != 2:
            raise RecordingError(f"{name}: the samples have {array.ndim} dimensions; give (n_samples, n_channels).")
        _check_shape(name, sample_rate_hz, len(array), array.shape[1])
        array.setflags(write=False)
        return cls(
            name=name,
            sample_rate_hz=int(sample_rate_hz),
            n_samples=len(array),
            n_channels=array.shape[1],
            encoding="memory",
            sha256=hashlib.sha256(array.tobytes()).hexdigest(),
            _samples=array,
        )

    @property
    def duration_s(self) -> float:
        """Length in seconds: n_samples / sample_rate_hz."""
        return self.n_samples / self.sample_rate_hz

    def read(self, start: int = 0, stop: int | None = None) -> np.ndarray:
        """Samples `start` to `stop` (to the end when None) as float64 of shape (n, n_channels).

        Raises `LuthkitError` for a range outside the recording, `RecordingError` when the file holds fewer
        samples than its header says, or samples that are not numbers.
        """
        stop = self.n_samples if stop is None else stop
        if not 0 <= start <= stop <= self.n_samples:
            raise LuthkitError(
                f"{self.name}: samples {start} to {stop} were asked for; it holds 0 to {self.n_samples}."
            )
        if self._samples is not None:
            part = self._samples[start:stop].copy()
        else:
            with _opened(self.path, self.name) as file:
                part = _read_frames(file, start, stop - start, self.name)
        return _checked(part, start, self)

    def blocks(self, *, block_s: float = 10.0, overlap_s: float = 0.0) -> Iterator[tuple[int, np.ndarray]]:
        """Pairs (index of the first sample, samples of shape (n, n_channels)), one block at a time.

        Each block but the first begins `overlap_s` before the end of the one before it; the last may be
        shorter. The file is open only while the blocks are being taken. Raises as `read` does.
        """
        length, overlap = round(block_s * self.sample_rate_hz), round(overlap_s * self.sample_rate_hz)
        if not 0 <= overlap < length:
            raise LuthkitError(
                f"block_s is {block_s} and overlap_s is {overlap_s}; "
                "a block must be longer than the overlap, and the overlap not negative."
            )
        starts = range(0, max(self.n_samples - overlap, 1), length - overlap)
        if self._samples is not None:
            for start in starts:
                yield start, _checked(self._samples[start : start + length].copy(), start, self)
            return
        with _opened(self.path, self.name) as file:
            for start in starts:
                count = min(length, self.n_samples - start)
                yield start, _checked(_read_frames(file, start, count, self.name), start, self)


def open_recording(path, *, name: str | None = None) -> Recording:
    """Open a WAV, FLAC or AIFF file: read its header and the SHA-256 of its bytes, not yet its samples.

    `name` is what the recording is called from now on; the path as given when None. Allowed are 16, 24 and
    32-bit integers and floating point, 16 to 192 kHz, one or two channels.

    Raises `RecordingError`, one sentence that names the file, for a file that cannot be used.
    """
    path = Path(path)
    name = path.as_posix() if name is None else str(name)
    if path.is_dir():
        raise RecordingError(f"{name} is a folder; name one sound file, or use find_recordings.")
    digest, size = _digest(path, name)
    if size == 0:
        raise RecordingError(f"{name} is empty (0 bytes); record or copy it again.")
    with _opened(path, name) as file:
        if file.format not in _FORMATS or file.subtype not in _ENCODINGS:
            raise RecordingError(
                f"{name} holds {file.format} {file.subtype} sound; WAV, FLAC and AIFF can be read, "
                "with 16, 24 or 32-bit or floating-point samples: record in one of these."
            )
        found = file.frames
        promised = _promised_frames(path, file)
        _check_shape(name, file.samplerate, max(found, promised), file.channels)
        if found < promised:
            raise _cut_short(name, promised, found)
        return Recording(name, file.samplerate, found, file.channels, file.subtype, digest, path)


def find_recordings(paths) -> list[Path]:
    """The sound files named, or in the folders named and their sub-folders one level down, sorted by path.

    `paths` is one path or several. In a folder the names that end in .wav, .flac, .aif or .aiff are taken
    (small or capital letters), hidden ones (that begin with a dot) are not. A file that is named outright is
    taken whatever its name. No file is opened and none is taken twice.

    Raises `LuthkitError` for a path that does not exist, a folder without sound files, or no path at all.
    """
    if isinstance(paths, (str, os.PathLike)):
        paths = [paths]
    found: dict[Path, None] = {}
    for path in map(Path, paths):
        if path.is_dir():
            inside = _sounds_in(path)
            if not inside:
                raise LuthkitError(
                    f"{path} holds no sound files; put recordings that end in {_either(SUFFIXES)} there, "
                    "or name another folder."
                )
            found.update(dict.fromkeys(inside))
        elif path.exists():
            found[path] = None
        else:
            raise LuthkitError(f"{path} does not exist; check the spelling of the folder or file.")
    if not found:
        raise LuthkitError("No folder or file was named; name at least one.")
    return list(found)


def _sounds_in(folder: Path) -> list[Path]:
    """Visible sound files in a folder and one level of sub-folders."""
    try:
        entries = [entry for entry in sorted(folder.iterdir()) if not entry.name.startswith(".")]
        for entry in list(entries):
            if entry.is_dir():
                entries += [inner for inner in sorted(entry.iterdir()) if not inner.name.startswith(".")]
    except OSError as error:
        raise LuthkitError(f"{folder} cannot be looked into ({_why(error)}); check its permissions.") from error
    return sorted(entry for entry in entries if entry.suffix.lower() in SUFFIXES and entry.is_file())


def _either(words: Iterable[str]) -> str:
    *most, last = words
    return f"{', '.join(most)} or {last}"


def _why(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()


def _digest(path: Path, name: str) -> tuple[str, int]:
    """SHA-256 and size of a file, read piece by piece."""
    digest, size = hashlib.sha256(), 0
    try:
        with open(path, "rb") as file:
            while piece := file.read(_CHUNK_BYTES):
                digest.update(piece)
                size += len(piece)
    except FileNotFoundError:
        raise RecordingError(f"{name} does not exist; check the spelling of the file.") from None
    except OSError as error:
        raise RecordingError(f"{name} cannot be read ({_why(error)}); check its permissions or copy it.") from error
    return digest.hexdigest(), size


def _opened(path: Path, name: str):
    """The open sound file, or a `RecordingError`."""
    import soundfile

    try:
        return soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, OSError, TypeError) as error:
        raise RecordingError(
            f"{name} is not a sound file that can be read (WAV, FLAC, AIFF); record or export it again."
        ) from error


def _read_frames(file, start: int, count: int, name: str) -> np.ndarray:
    import soundfile

    try:
        if file.tell() != start:
            file.seek(start)
        part = file.read(count, dtype="float64", always_2d=True)
    except (soundfile.LibsndfileError, OSError) as error:
        raise RecordingError(
            f"{name} is damaged or cut short at about {max(start, file.tell()) / file.samplerate:.1f} s; "
            "bring it back from a copy, or from the recorder."
        ) from error
    if len(part) < count:
        raise _cut_short(name, file.frames, start + len(part))
    return part


def _cut_short(name: str, promised: int, found: int) -> RecordingError:
    return RecordingError(
        f"{name} is cut short: its header promises {promised} samples, it holds {found}; "
        "bring it back from a copy, or from the recorder."
    )


def _check_shape(name: str, sample_rate_hz, n_samples: int, n_channels: int) -> None:
    if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ:
        raise RecordingError(
            f"{name} has a sample rate of {sample_rate_hz / 1000:g} kHz; allowed are "
            f"{LOWEST_RATE_HZ // 1000} to {HIGHEST_RATE_HZ // 1000} kHz: record at 44.1 or 48 kHz."
        )
    if sample_rate_hz != int(sample_rate_hz):
        raise RecordingError(f"{name} has a sample rate of {sample_rate_hz} Hz; give a whole number.")
    if not 1 <= n_channels <= 2:
        raise RecordingError(f"{name} has {n_channels} channels; one or two are allowed: record in mono or stereo.")
    if n_samples == 0:
        raise RecordingError(f"{name} holds no sound (0 samples); record it again.")


def _checked(part: np.ndarray, start: int, recording: Recording) -> np.ndarray:
    """The samples, if all of them are finite numbers."""
    if not np.isfinite(part).all():
        row = int(np.argmax(~np.isfinite(part).all(axis=1)))
        raise RecordingError(
            f"{recording.name} holds samples that are not numbers (the first at "
            f"{(start + row) / recording.sample_rate_hz:.3f} s); export it again."
        )
    return part


def _promised_frames(path: Path, file) -> int:
    """How many samples per channel the header of a WAV or AIFF file promises; 0 where it does not say.

    The sound library takes the shorter of header and file without a word, so the chunk that holds the sound
    is looked up here. (FLAC: the library itself fails when the frames end early, see `_read_frames`.)
    """
    with open(path, "rb") as raw:
        head = raw.read(12)
        if head[:4] in (b"RIFF", b"RF64") and head[8:] == b"WAVE":
            order, wanted = "little", b"data"
        elif head[:4] == b"FORM":
            order, wanted = "big", b"SSND"
        else:
            return 0
        long_size = None
        while len(chunk := raw.read(8)) == 8:
            size = int.from_bytes(chunk[4:], order)
            if chunk[:4] == b"ds64":
                body = raw.read(size + size % 2)
                long_size = int.from_bytes(body[8:16], "little")
                continue
            if chunk[:4] == wanted:
                if size == _UNKNOWN_SIZE:
                    size = long_size if long_size is not None else 0
                if wanted == b"SSND":
                    size = max(size - 8, 0)
                return size // (file.channels * _bytes_each(file.subtype))
            raw.seek(size + size % 2, os.SEEK_CUR)
    return 0


def _bytes_each(subtype: str) -> int:
    return {"PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}[subtype]
