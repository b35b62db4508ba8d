"""A reference profile as a text file that opens in ten years: TOML, one table for each guitar and each of its modes."""

from __future__ import annotations

from dataclasses import asdict
from math import nan
from pathlib import Path

import numpy as np

from .._frozen import frozen_array, frozen_dict
from ..errors import LuthkitError
from ..guitar.played import ToneMean, ToneReading
from ..guitar.profile import Profile, kept_tone
from ..signal.modes import Mode, ModeSet
from ..signal.taps import Rejection
from .reading import read_instruments
from .safe import safe_name, told, write_whole
from .texts import read_toml
from .tone_reading import read_tone

FORM = 1
_HEAD = """# A reference profile, written by luthkit: the modes of one or several guitars that a build is held against.
# `luthkit compare BUILD THIS_FILE` reads the [[guitar]] tables. The [[band]] tables at the end say the same in
# short, for people: each mode over all guitars, lowest and highest reading. Frequencies in hertz, _u is the
# standard uncertainty, amplitudes are complex (real, imaginary) with the strongest of a guitar 1.

"""
_MODE = ("frequency_hz", "frequency_u_hz", "damping_ratio", "damping_ratio_u", "level_db", "level_u_db", "kind")
_BAND = ("frequency_hz", "frequency_low_hz", "frequency_high_hz", "damping_ratio", "damping_low", "damping_high")


def write_profile(profile: Profile, path) -> Path:
    """Write a profile, in one step; `path` is a new file, or a folder in which it is called by its name.

    Raises `LuthkitError` where the file stands already or cannot be written.
    """
    path = Path(path).expanduser()
    if path.is_dir():
        path = path / f"{safe_name(profile.name)}.toml"
    if path.exists():
        raise LuthkitError(f"{path} exists already; name a new file, so that older profiles stay as they are")
    with told(f"the profile {path}"):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, profile_text(profile))
    return path


def profile_text(profile: Profile) -> str:
    """What `read_profile` reads back equal."""
    import tomli_w

    top = {"profile": FORM, "name": profile.name, "luthkit": profile.version, "notes": list(profile.notes)}
    guitars = [_guitar_table(guitar, profile.tone.get(guitar.name)) for guitar in profile.guitars]
    bands = [
        {**{key: float(f"{getattr(band, key):.5g}") for key in _BAND}, "guitars": [name for name, _ in band.members]}
        for band in profile.bands
    ]
    return _HEAD + tomli_w.dumps({**top, "guitar": guitars, "band": bands}, multiline_strings=False)


def _guitar_table(guitar: ModeSet, tone) -> dict:
    modes = []
    for k, mode in enumerate(guitar.modes):
        table = {key: getattr(mode, key) for key in _MODE}
        if guitar.amplitudes is not None:
            table["amplitudes"] = [[float(a.real), float(a.imag)] for a in guitar.amplitudes[k]]
        modes.append({**table, "notes": list(mode.notes)})
    return {
        "name": guitar.name,
        "taps": guitar.taps_accepted,
        "left_out": [{k: value for k, value in asdict(left).items() if value is not None} for left in guitar.rejected],
        "placements": guitar.placements,
        "positions": list(guitar.positions),
        "luthkit": guitar.version,
        "notes": list(guitar.notes),
        "conditions": dict(guitar.parameters.get("conditions", {})),
        "sources": dict(guitar.sources),
        **({} if tone is None else {"tone": _tone_table(tone)}),
        "mode": modes,
    }


def _tone_table(tone: ToneReading) -> dict:
    return {
        "luthkit": tone.version,
        "pluck_points": list(tone.parameters.get("pluck_points", ())),
        "conditions": dict(tone.parameters.get("conditions", {})),
        "sources": dict(tone.sources),
        "mean": [asdict(mean) for mean in tone.means],
    }


def _tone(table: dict, name: str) -> ToneReading:
    parameters = {"conditions": table["conditions"], "pluck_points": tuple(table["pluck_points"])}
    means = tuple(
        ToneMean(m["measure"], m["value_unit"], float(m["value"]), float(m["u"]), int(m["n_strokes"]))
        for m in table["mean"]
    )
    parts = frozen_dict(table["sources"]), frozen_dict(parameters), table["luthkit"]
    return ToneReading(name, (), (), (), *parts, means=means)


def is_profile(path) -> bool:
    """Whether this is a file that says it is a profile, by its ending."""
    path = Path(path)
    return path.suffix.lower() == ".toml" and path.is_file() and path.name != "session.toml"


def read_profile(path) -> Profile:
    """A profile from its file. `LuthkitError` for a file that is none, is damaged, or comes from a newer luthkit."""
    path = Path(path).expanduser()
    if not path.exists():
        raise LuthkitError(f"{path} does not exist; check the spelling of the file")
    said = read_toml(path)
    if said.get("profile") != FORM:
        raise LuthkitError(
            f"{path} says profile = {said.get('profile')!r}; this luthkit knows {FORM}: name a file that "
            "`luthkit profile` wrote, or get a newer luthkit"
        )
    try:
        guitars = tuple(_guitar(table) for table in said["guitar"])
        tone = {each["name"]: _tone(each["tone"], each["name"]) for each in said["guitar"] if "tone" in each}
        if not guitars or not all(guitar.modes for guitar in guitars):
            raise ValueError("a guitar without modes")
        return Profile(said["name"], guitars, tone, tuple(said.get("notes", ())), said["luthkit"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise LuthkitError(f"{path} is damaged: {error!r}; bring it back from a copy, or make it anew") from error


def _guitar(table: dict) -> ModeSet:
    rows = [{key: row[key] if key == "kind" else float(row[key]) for key in _MODE} for row in table["mode"]]
    notes = [tuple(row.get("notes", ())) for row in table["mode"]]
    modes = tuple(Mode(**row, notes=said) for row, said in zip(rows, notes, strict=True))
    if any(not mode.frequency_hz > 0 or not mode.damping_ratio > 0 for mode in modes):
        raise ValueError("a frequency or damping ratio that is not above 0")
    positions = tuple(table.get("positions", ()))
    amplitudes = None
    if positions:
        missing = [[nan, nan]] * len(positions)
        rows = np.array([row.get("amplitudes", missing) for row in table["mode"]], dtype=float)
        rows = rows.reshape(len(modes), len(positions), 2)
        amplitudes = frozen_array(rows.copy().view(complex)[..., 0], dtype=complex)
    return ModeSet(
        modes=modes,
        taps_accepted=int(table["taps"]),
        rejected=tuple(Rejection(**{"time_s": None, **left}) for left in table.get("left_out", ())),
        placements=int(table["placements"]),
        sources=frozen_dict(table.get("sources", {})),
        parameters=frozen_dict({"conditions": table.get("conditions", {})}),
        version=table["luthkit"],
        name=table["name"],
        positions=positions,
        amplitudes=amplitudes,
        notes=tuple(table.get("notes", ())),
    )


def read_references(paths, **options) -> tuple[ModeSet | Profile, ...]:
    """References for `compare`, in the order given: profiles from their files, guitars from folders of recordings."""
    modesets = iter(read_instruments([path for path in paths if not is_profile(path)], **options))
    return tuple(read_profile(path) if is_profile(path) else next(modesets) for path in paths)


def read_tones(path) -> tuple[ToneReading, ...]:
    """The strums and plucks that a reference stands for: of a folder of recordings, or of each guitar of a profile.

    Raises `LuthkitError` as `read_tone` and `read_profile`, and for a profile without strums.
    """
    if not is_profile(path):
        return (read_tone(path),)
    tones = tuple(read_profile(path).tone.values())
    if not tones:
        raise LuthkitError(f"{path} holds no strums; make the profile anew from sessions that hold strums as well")
    return tones


def tone_of(folders) -> dict[str, ToneReading]:
    """The strums of sessions in figures, by guitar: the last folder of a guitar that has strums speaks for it."""
    found = {}
    for folder in folders:
        try:
            reading = read_tone(folder)
        except LuthkitError:
            continue  # no strums there
        if reading.strums:
            found[reading.name] = kept_tone(reading)
    return found
