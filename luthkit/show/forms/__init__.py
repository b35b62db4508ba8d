"""Forms for the notebooks: choose, press a button, look at the pictures."""

from .body import body_form
from .comparison import comparison_form
from .history import history_form, start_form
from .listening import listening_form
from .logbook import logbook_form
from .modes import modes_form
from .naming import naming_form
from .piece import piece_form
from .plan import plan_form
from .profile import profile_form
from .record import record_form
from .tone import tone_form
from .wood import wood_form

__all__ = [
    "body_form",
    "comparison_form",
    "history_form",
    "listening_form",
    "logbook_form",
    "modes_form",
    "naming_form",
    "piece_form",
    "plan_form",
    "profile_form",
    "record_form",
    "start_form",
    "tone_form",
    "wood_form",
]
