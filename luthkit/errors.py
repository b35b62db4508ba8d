"""The one error that luthkit raises on purpose."""


class LuthkitError(ValueError):
    """Something the maker can mend: the message names the thing, the value, what is allowed and what to do."""


class RecordingError(LuthkitError):
    """A sound file that cannot be used; the message is one sentence that names the file."""
