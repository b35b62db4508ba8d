"""The stages of a build in the trade's words, with free words beside them.

The order of the stages, and the rhythm of recordings after stringing, are common practice (no published source).
"""

from __future__ import annotations

import re

STAGES = ("joined", "thicknessed", "braced", "on the rims", "closed box", "bridge on", "finished", "strung")
RHYTHM_DAYS = (0, 1, 3, 7, 14, 30, 60, 90, 180, 365)  # after stringing; from then on
HALF_YEAR_DAYS = 182  # twice a year, at opposite seasons


def split_stage(text: str) -> tuple[str, str]:
    """(a word of `STAGES`, what else was said), from whatever the maker wrote; the text itself where no word fits.

    The words are looked for between commas, so that "not yet strung" stays as it is.

    >>> split_stage("strung, day 30"), split_stage("old, strung"), split_stage("box open")
    (('strung', 'day 30'), ('strung', 'old'), ('box open', ''))
    """
    parts = [part.strip() for part in re.split(r"[,;:()]", text) if part.strip()]
    known = [part for part in parts if part.lower() in STAGES]
    if len(known) != 1:
        return text.strip(), ""
    return known[0].lower(), ", ".join(part for part in parts if part != known[0])
