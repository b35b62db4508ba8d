"""Results kept in a logbook so that nothing is worked out twice; delete them and they come back equal.

A result is found by the SHA-256 of the sound it was read from, what is said of each recording, the parameters,
and the version of the programs. Texts of JSON, arrays in base64 of their very bytes; no pickle.
"""

from __future__ import annotations

import base64
import datetime
import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, fields, is_dataclass
from functools import cache
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from types import MappingProxyType
from typing import TypeVar

import numpy as np

from .. import __version__
from .._frozen import frozen_dict
from .checksums import sha256_of
from .index import HOME
from .logbook import logbook_around
from .safe import write_if_possible
from .session import SessionRecording

FOLDER = "results"
FLOORS = ("signal", "guitar", "shop")
T = TypeVar("T")
_KIND = "~"  # key that tells what a JSON object stands for


def place_of(what: str, recordings: Sequence[SessionRecording], parameters: Mapping[str, object]) -> Path | None:
    """The file where the result `what` of these recordings and parameters is kept; None outside a logbook.

    Reads every recording to know that it is the same. None also where one cannot be read.
    """
    logbook = logbook_around(recordings[0].path.parent) if recordings else None
    if logbook is None:
        return None
    try:
        told = [{**asdict(r), "path": None, "sha256": sha256_of(r.path)} for r in recordings]
    except OSError:
        return None
    key = json.dumps([what, programs(), told, to_plain(parameters)], sort_keys=True)
    name = hashlib.sha256(key.encode("utf-8", "backslashreplace")).hexdigest()
    return logbook.path / HOME / FOLDER / name[:2] / f"{name}.json"


def recall(place: Path | None, kind: type):
    """The result of this kind that is kept there; None where there is none, or a damaged one."""
    if place is None:
        return None
    try:
        result = from_plain(json.loads(place.read_text(encoding="utf-8")))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, ImportError):
        return None
    return result if isinstance(result, kind) else None


def keep(place: Path | None, result: object) -> None:
    """Keep a result; where that cannot be, on a read-only disk or a full one, nothing is said."""
    if place is not None:
        with suppress(TypeError):
            write_if_possible(place, json.dumps(to_plain(result)))


def remembered(place: Path | None, kind: type[T], work: Callable[[], T]) -> T:
    """The result that is kept there, else that of `work`, which is then kept."""
    result = recall(place, kind)
    if result is None:
        result = work()
        keep(place, result)
    return result


@cache
def programs() -> str:
    """What the numbers depend on beside the sound: luthkit's version and code, numpy and scipy.

    The code is that of all floors that have a part in a reading (sessions are read and cut up in shop/, modes are
    merged in guitar/): better one reading too many after a change than an old one that the new code would not give.
    """
    digest = hashlib.sha256()
    for path in code():
        digest.update(path.read_bytes())
    return f"luthkit {__version__} {digest.hexdigest()} numpy {np.__version__} scipy {version('scipy')}"


def code() -> list[Path]:
    """The files of luthkit from which anything that is kept is worked out."""
    house = Path(__file__).parents[1]
    return [path for floor in (house, *(house / name for name in FLOORS)) for path in sorted(floor.glob("*.py"))]


def to_plain(value: object):
    """What JSON can hold of a result, such that `from_plain` gives an equal one; `TypeError` for other things."""
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, np.generic):
        return to_plain(value.item())
    if isinstance(value, list):
        return [to_plain(item) for item in value]
    if isinstance(value, tuple):
        return {_KIND: "tuple", "items": [to_plain(item) for item in value]}
    if isinstance(value, (dict, MappingProxyType)):
        kind = "dict" if isinstance(value, dict) else "frozen dict"
        return {_KIND: kind, "items": [[to_plain(key), to_plain(item)] for key, item in value.items()]}
    if isinstance(value, np.ndarray) and value.dtype.kind in "biufc":
        array = np.ascontiguousarray(value)
        data = base64.b64encode(array.tobytes()).decode("ascii")
        return {_KIND: "array", "dtype": array.dtype.str, "shape": list(value.shape), "data": data}
    if isinstance(value, complex):
        return {_KIND: "complex", "parts": [value.real, value.imag]}
    if isinstance(value, datetime.date):  # a date with time is one as well
        return {_KIND: type(value).__name__, "text": value.isoformat()}
    if is_dataclass(value) and type(value).__module__.startswith("luthkit."):
        parts = {field.name: to_plain(getattr(value, field.name)) for field in fields(value) if field.init}
        return {_KIND: f"{type(value).__module__}:{type(value).__qualname__}", "parts": parts}
    raise TypeError(f"{type(value).__name__} cannot be kept as text")


def from_plain(plain):
    """The result that `to_plain` was given, arrays read-only; builds only what it knows and luthkit's own results."""
    if isinstance(plain, list):
        return [from_plain(item) for item in plain]
    if not isinstance(plain, dict):
        return plain
    kind = plain[_KIND]
    if kind == "tuple":
        return tuple(from_plain(item) for item in plain["items"])
    if kind in ("dict", "frozen dict"):
        items = {from_plain(key): from_plain(item) for key, item in plain["items"]}
        return items if kind == "dict" else frozen_dict(items)
    if kind == "array":
        array = np.frombuffer(base64.b64decode(plain["data"]), dtype=np.dtype(plain["dtype"]))
        return array.reshape(plain["shape"])  # read-only, as the bytes it stands on
    if kind == "complex":
        return complex(*plain["parts"])
    if kind in ("date", "datetime"):
        return getattr(datetime, kind).fromisoformat(plain["text"])
    module, _, name = kind.partition(":")
    if not module.startswith("luthkit."):
        raise ValueError(f"{kind} is no result of luthkit")
    found = getattr(import_module(module), name)
    if not (isinstance(found, type) and is_dataclass(found)):
        raise ValueError(f"{kind} is no result of luthkit")
    return found(**{key: from_plain(item) for key, item in plain["parts"].items()})
