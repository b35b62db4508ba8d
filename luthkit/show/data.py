"""Results as plain dictionaries for JSON: NaN becomes None, every key says its unit."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import fields
from math import isfinite

from ..guitar.comparison import Band, Comparison, Difference, Pair, instrument_names
from ..guitar.naming import Naming
from ..signal.modes import Mode, ModeSet


def mode_data(mode: Mode) -> dict:
    """One mode, its errors and its second opinions."""
    figures = "frequency_hz frequency_u_hz damping_ratio damping_ratio_u level_db level_u_db q_factor q_factor_u"
    second = "method frequency_hz damping_ratio damping_ratio_u reason"
    return {
        **picked(mode, f"{figures} decay_time_s kind notes"),
        "witnesses": [picked(witness, second) for witness in mode.witnesses],
    }


def picked(item, names: str) -> dict:
    """Some attributes of an item, by their names with blanks between."""
    return {name: getattr(item, name) for name in names.split()}


def modeset_data(modeset: ModeSet, naming: Naming | None = None) -> dict:
    """The modes of one instrument, the taps kept and left out, and where all of it came from."""
    names = {n.mode: {"name": n.name, "probability": n.probability} for n in naming.modes} if naming else {}
    return {
        "name": modeset.name,
        "modes": [
            {**mode_data(mode), **names.get(mode, {})}
            for mode in sorted(modeset.modes, key=lambda mode: mode.frequency_hz)
        ],
        "taps": {
            "accepted": modeset.taps_accepted,
            "rejected": [
                {"file": left.source, "time_s": left.time_s, "reason": left.reason} for left in modeset.rejected
            ],
        },
        "placements": modeset.placements,
        "positions": list(modeset.positions),
        "sources": dict(modeset.sources),
        "parameters": dict(modeset.parameters),
        "notes": list(modeset.notes),
        "version": modeset.version,
    }


def comparison_data(comparison: Comparison) -> dict:
    """A comparison with all that it rests on."""
    names = instrument_names(comparison.build, comparison.references)
    return {
        "build": modeset_data(comparison.build, comparison.namings[0]),
        "references": [
            modeset_data(reference, naming)
            for reference, naming in zip(comparison.references, comparison.namings[1:], strict=True)
        ],
        "pairs": [_pair(pair) for pair in comparison.pairs],
        "build_only": [mode_data(mode) for mode in comparison.build_only],
        "reference_only": [_band(band) for band in comparison.reference_only],
        "not_judged": [{"instrument": name, **mode_data(mode)} for name, mode in comparison.set_aside],
        "names": {"build": names[0], "references": list(names[1:])},
        "summary": list(comparison.summary),
        "cautions": list(comparison.cautions),
        "thresholds": {
            "setting": comparison.thresholds.setting,
            "modes": list(comparison.thresholds.modes),
            "repeat_study": comparison.thresholds.study,
            **{
                item.name: _flat(getattr(comparison.thresholds, item.name))
                for item in fields(comparison.thresholds)
                if item.name not in ("setting", "modes", "study")
            },
        },
        "version": comparison.version,
    }


def to_json(data) -> str:
    """JSON that any reader takes on any terminal: no NaN, no Infinity, plain ASCII with escapes."""
    return json.dumps(_clean(data), allow_nan=False, indent=2)


def _pair(pair: Pair) -> dict:
    return {
        "name": pair.name,
        "build": mode_data(pair.build),
        "reference": _band(pair.reference),
        "frequency": _difference(pair.frequency),
        "damping": _difference(pair.damping),
        "notes": list(pair.notes),
    }


def _difference(d: Difference) -> dict:
    """The unit goes into the key: difference_cents, difference_u_cents ..."""
    return {
        f"difference_{d.unit}": d.value,
        f"difference_u_{d.unit}": d.u,
        f"interval_95_{d.unit}": [d.low, d.high],
        f"references_range_{d.unit}": [d.range_low, d.range_high],
        "verdict": d.verdict,
        "reason": d.reason,
    }


def _band(band: Band) -> dict:
    flat = _flat(band)
    flat["members"] = [{"instrument": name, **mode_data(mode)} for name, mode in band.members]
    return flat


def _flat(item) -> dict:
    return {f.name: getattr(item, f.name) for f in fields(item)}


def _clean(value):
    """Only what JSON knows: numbers that are not finite become None, what has no JSON form becomes text."""
    if value is None or isinstance(value, (bool, str)):
        return _whole_text(value) if isinstance(value, str) else value
    if isinstance(value, Mapping):
        return {_whole_text(str(key)): _clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [_clean(item) for item in value]
    if hasattr(value, "tolist"):  # numpy arrays and numbers
        return _clean(value.tolist())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if isfinite(value) else None
    return _whole_text(str(value))


def _whole_text(text: str) -> str:
    """File names may hold bytes that are no text; they must not break the output."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
