"""Small help for frozen results: arrays are copied and set read-only, dictionaries are wrapped."""

from __future__ import annotations

import copyreg
from types import MappingProxyType

import numpy as np


def frozen_array(values, *, dtype=float, ndim: int | None = None, name: str = "array") -> np.ndarray:
    """A read-only copy of `values`; a wrong number of dimensions raises `ValueError`."""
    array = np.array(values, dtype=dtype, copy=True)
    if ndim is not None and array.ndim != ndim:
        raise ValueError(f"{name} has {array.ndim} dimensions, {ndim} expected")
    array.setflags(write=False)
    return array


def frozen_dict(values) -> MappingProxyType:
    """A read-only copy of a dictionary."""
    return MappingProxyType(dict(values))


def _pack(mapping: MappingProxyType):
    return frozen_dict, (dict(mapping),)


copyreg.pickle(MappingProxyType, _pack)  # so that results can come back from helper processes
