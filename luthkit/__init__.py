"""luthkit: the modes and damping of guitars, read from tap recordings, with the uncertainty of each number.

Public names load when first used, so that `import luthkit` costs little more than numpy.
"""

from importlib import import_module

__version__ = "0.1.0"

_HOMES = {
    "LuthkitError": "luthkit.errors",
    "Plan": "luthkit.shop.plan_folder",
    "PlanFolder": "luthkit.shop.plan_folder",
    "make_plan": "luthkit.shop.plan_folder",
    "read_plan_folder": "luthkit.shop.plan_folder",
    "RecordingError": "luthkit.errors",
    "Recording": "luthkit.signal.recording",
    "open_recording": "luthkit.signal.recording",
    "find_recordings": "luthkit.signal.recording",
    "Tap": "luthkit.signal.taps",
    "TapSet": "luthkit.signal.taps",
    "Rejection": "luthkit.signal.taps",
    "find_taps": "luthkit.signal.taps",
    "Session": "luthkit.shop.session",
    "read_session": "luthkit.shop.session",
    "Logbook": "luthkit.shop.logbook",
    "start_logbook": "luthkit.shop.logbook",
    "open_logbook": "luthkit.shop.logbook",
    "add_session": "luthkit.shop.keeping",
    "add_event": "luthkit.shop.keeping",
    "verify": "luthkit.shop.verify",
    "Profile": "luthkit.guitar.profile",
    "make_profile": "luthkit.guitar.profile",
    "read_profile": "luthkit.shop.profile_file",
    "write_profile": "luthkit.shop.profile_file",
    "average_spectrum": "luthkit.signal.spectrum",
    "Spectrum": "luthkit.signal.spectrum",
    "find_peaks": "luthkit.signal.peaks",
    "decay_from_envelope": "luthkit.signal.decay",
    "decay_time": "luthkit.signal.decay",
    "spectral_centroid": "luthkit.signal.tone",
    "transfer": "luthkit.signal.transfer",
    "find_strokes": "luthkit.signal.strokes",
    "StrokeSet": "luthkit.signal.strokes",
    "read_note": "luthkit.signal.partials",
    "Note": "luthkit.signal.partials",
    "third_octaves": "luthkit.signal.bands",
    "read_tone": "luthkit.shop.tone_reading",
    "ToneReading": "luthkit.guitar.played",
    "compare_tone": "luthkit.guitar.tone_comparison",
    "ToneComparison": "luthkit.guitar.tone_comparison",
    "Mode": "luthkit.signal.modes",
    "ModeSet": "luthkit.signal.modes",
    "read_modes": "luthkit.signal.modes",
    "Naming": "luthkit.guitar.naming",
    "name_modes": "luthkit.guitar.naming",
    "Comparison": "luthkit.guitar.comparison",
    "Thresholds": "luthkit.guitar.comparison",
    "compare": "luthkit.guitar.comparison",
    "BodyModel": "luthkit.guitar.air_top_back",
    "Change": "luthkit.guitar.what_if",
    "WhatIf": "luthkit.guitar.what_if",
    "what_if": "luthkit.guitar.what_if",
    "BodySheet": "luthkit.shop.body",
    "read_body": "luthkit.shop.body",
    "read_stock": "luthkit.wood.stock",
    "Piece": "luthkit.wood.piece",
    "read_wood": "luthkit.shop.woodpile",
    "WoodReading": "luthkit.wood.reading",
    "Plate": "luthkit.wood.plates",
    "Stiffness": "luthkit.wood.plates",
    "plate_modes": "luthkit.wood.plates",
    "equilibrium_moisture_percent": "luthkit.wood.moisture",
    "History": "luthkit.guitar.history",
    "read_history": "luthkit.shop.history",
    "Following": "luthkit.guitar.follow",
    "follow": "luthkit.guitar.follow",
    "look_back": "luthkit.guitar.forecast",
    "repeat_study": "luthkit.guitar.repeat_study",
}
__all__ = list(_HOMES)


def __getattr__(name):
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"luthkit has no {name!r}; it has {', '.join(__all__)}")


def __dir__():
    return __all__
