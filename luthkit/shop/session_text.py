"""The text of a session.toml, from a session in memory."""

from __future__ import annotations

from .session import Session

_FIRST = ("guitar", "date", "stage", "stage_note")  # what a reader looks for at the top
_RECORDING = ("kind", "position", "placement", "condition", "added_mass_g", "string", "pluck_point")


def session_text(session: Session) -> str:
    """What `read_session` reads back as the same session: conditions first, then one [[recording]] for each file.

    >>> from pathlib import Path
    >>> from luthkit.shop.session import SessionRecording
    >>> one = SessionRecording("tap_1.wav", Path("tap_1.wav"), position="back")
    >>> print(session_text(Session("Wren", (one,), {"mass_g": 1450})))
    guitar = "Wren"
    mass_g = 1450
    <BLANKLINE>
    [[recording]]
    file = "tap_1.wav"
    kind = "tap"
    position = "back"
    <BLANKLINE>
    """
    import tomli_w

    words = {**session.conditions, "guitar": session.name}
    words.pop("kind", None)  # said of each recording below
    top = {key: words[key] for key in (*_FIRST, *words) if key in words}
    parts = [tomli_w.dumps(top)]
    for recording in session.recordings:
        told = {key: getattr(recording, key) for key in _RECORDING}
        entry = {"file": recording.name, **{key: value for key, value in told.items() if value}}
        parts.append("\n[[recording]]\n" + tomli_w.dumps(entry))
    return "".join(parts)
