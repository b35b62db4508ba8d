"""Tracking: the same mode of one guitar found again in session after session."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from ..signal.modes import ModeSet
from .pairing import candidate, pair_up
from .priors import UNNAMED

FEWEST = 3  # a mode found in fewer sessions is not followed (all of them when there are fewer)


def track(modesets: Sequence[ModeSet], names: Sequence[Mapping[int, str]] = ()) -> tuple[Mapping[int, str], ...]:
    """For each session, by date: index of a body mode -> the name it keeps over time.

    Sessions are paired one to one with what was known of each mode when it was last seen; a mode without a partner
    begins a track of its own. `names` may say for each session what a mode is called: of two under one peak the one of
    that name is taken, and a track bears the name that most sessions give it, else it is "no name at" its mean
    frequency. Pairs that may be otherwise as well are left out of the track rather than guessed.
    """
    tracks: list[dict] = []
    for number, modeset in enumerate(modesets):
        body = [k for k, mode in enumerate(modeset.modes) if mode.kind == "body"]
        called = names[number] if number < len(names) else {}
        new = [candidate(modeset, modeset.modes[k], called.get(k, "")) for k in body]
        taken = set()
        for i, j, sure in pair_up(new, [one["last"] for one in tracks]):
            taken.add(i)
            if sure:
                tracks[j]["found"][number] = body[i]
                tracks[j]["last"] = replace(new[i], name=new[i].name or tracks[j]["last"].name)
        tracks.extend({"last": new[i], "found": {number: body[i]}} for i in range(len(body)) if i not in taken)
    least = min(FEWEST, len(modesets))
    kept = sorted((one for one in tracks if len(one["found"]) >= least), key=lambda one: _mean_hz(one, modesets))
    result: list[dict[int, str]] = [{} for _ in modesets]
    used: set[str] = set()
    for one in kept:
        name = _name(one, modesets, names)
        name = name if name not in used else f"{name} at {_mean_hz(one, modesets):.0f} Hz"
        used.add(name)
        for number, k in one["found"].items():
            result[number][k] = name
    return tuple(result)


def _mean_hz(one, modesets) -> float:
    found = [modesets[number].modes[k].frequency_hz for number, k in one["found"].items()]
    return sum(found) / len(found)


def _name(one, modesets, names) -> str:
    said = [names[number].get(k, "") for number, k in one["found"].items() if number < len(names)]
    said = [name for name in said if name]
    name = max(sorted(set(said)), key=said.count, default=UNNAMED)
    return f"{UNNAMED} at {_mean_hz(one, modesets):.0f} Hz" if name == UNNAMED else name
