"""Cautions: what differs between recordings beside the guitars, and may pass for a difference of guitars."""

from __future__ import annotations

from ..signal.modes import ModeSet

# Comparisons hold inside a window. Slopes for the modes of top and back, computed from the Wood Handbook's moisture
# slopes (from memory): about -0.2 % for each % of relative humidity, -0.1 % for each degree.
_CLIMATE = (  # key, words, unit, window, slope in percent
    ("relative_humidity_percent", "relative humidity", "%", 3.0, 0.2),
    ("temperature_c", "temperature", "°C", 2.0, 0.1),
)
_SAME = ("stage", "strings", "microphone", "room", "support", "mallet")


def conditions(reading) -> dict:
    """What the maker wrote down about the session that modes or tones were read from; empty when nothing was."""
    return dict(reading.parameters.get("conditions", {}))


def cautions(build: ModeSet, references: tuple[ModeSet, ...], names: tuple[str, ...]) -> tuple[str, ...]:
    """Plain sentences; `names` are those of build and references in this order."""
    said = [conditions(modeset) for modeset in (build, *references)]
    found = [*same_sound(build, references, names), *_climate(said, names)]
    for key, told in unlike(said, names, _SAME):
        why = (
            "Compare like with like: strings, bridge and finish all move the modes."
            if key == "stage"
            else "A change of method can move a reading by several per cent."
        )
        found.append(f"Not the same {key}: {told}. {why}")
    places = [tuple(sorted(place for place in m.positions if place)) for m in (build, *references)]
    if len(set(places)) > 1:
        told = "; ".join(
            f"{name}: {', '.join(place) or 'nobody said'}" for name, place in zip(names, places, strict=True)
        )
        found.append(f"Not struck at the same places ({told}): a mode weak at one place may go unseen there.")
    return tuple(found)


def same_sound(build, references, names):
    """A sentence for each reference that was read from recordings of the build."""
    for name, reference in zip(names[1:], references, strict=True):
        if set(build.sources.values()) & set(reference.sources.values()):
            yield f"{name} and {names[0]} were read from the same recordings, so they cannot differ."


def unlike(said, names, keys):
    """(key, who had what) of what was noted of several, and not the same."""
    for key in keys:
        known = [(item[key], name) for name, item in zip(names, said, strict=True) if item.get(key)]
        if len({value for value, _ in known}) > 1:
            yield key, ", ".join(f"{value} ({name})" for value, name in known)


def _climate(said, names):
    for key, words, unit, window, slope in _CLIMATE:
        missing = [name for name, item in zip(names, said, strict=True) if key not in item]
        if missing:
            yield (
                f"Nobody noted the {words} for {', '.join(missing)}: whether climate explains a difference "
                "cannot be told."
            )
        known = {name: float(item[key]) for name, item in zip(names, said, strict=True) if key in item}
        for name, value in known.items():
            apart = value - known[names[0]] if names[0] in known else 0.0
            if abs(apart) > window:
                yield (
                    f"{words.capitalize()} was {known[names[0]]:g} {unit} for {names[0]}, {value:g} {unit} "
                    f"for {name}, more than {window:g} {unit} apart: expect modes of top and back to move "
                    f"by about {abs(apart) * slope:.1f} % from that alone (handbook slopes, from memory)."
                )
