"""The form of the third notebook: which mode is which."""

from __future__ import annotations

import ipywidgets as widgets

from ...errors import LuthkitError
from ...guitar.naming import CANNOT_TELL, overrule
from ...guitar.priors import ALL_NAMES, BODY_KINDS
from ...shop.names import TAKEN_BACK, add_overrule, name_instrument, take_back
from ..names import naming_page
from .common import Form, Reader, chosen, find_guitars, folder_list, list_field, path_field, text_field

AS_WRITTEN = "as written down with the recordings, or unknown"


def naming_form(*, start=None) -> widgets.Widget:
    """The form of the third notebook: a name for each mode, how sure it is and why, and what to record next.

    A name of the maker's own, with its reason, goes into names.toml in the folder of the guitar, and can be taken
    back. `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_guitars(start)
    folder = folder_list("Guitar", guitars)
    path = path_field("or a folder elsewhere")
    kind = list_field("Body", [AS_WRITTEN, *BODY_KINDS])
    # Textarea: a line that the form does not remember for the next time, so that nothing is written down twice
    own = {"kind": widgets.Textarea, "rows": 1}
    hertz = text_field("The mode at", "in hertz, such as 196; leave empty if the names are right", **own)
    names = [(each, each) for each in (*ALL_NAMES, CANNOT_TELL)]
    name = list_field("is in truth the", [*names, ("as luthkit said (take my name back)", TAKEN_BACK)])
    reason = text_field("because", "a few words; kept in names.toml with the date", **own)
    form = Form("Name the modes", [folder, path, kind, hertz, name, reason], name="names")
    reader = Reader()

    def read():
        (place,) = chosen([folder.value], path.value)
        (modeset,) = reader.read([place])
        body_kind = "" if kind.value == AS_WRITTEN else kind.value
        said = hertz.value.strip() or reason.value.strip()
        frequency_hz = _number(hertz.value) if said else 0.0
        if said and name.value == TAKEN_BACK:
            take_back(place, frequency_hz)
            hertz.value = reason.value = said = ""
        naming = name_instrument(place, body_kind=body_kind, modeset=modeset)
        if said:
            naming = overrule(naming, frequency_hz, name.value, reason.value)
            add_overrule(place, frequency_hz, name.value, reason.value)
            hertz.value = reason.value = ""
        return naming_page(naming)

    form.act = read
    return form.open(ready=bool(guitars))


def _number(text: str) -> float:
    try:
        return float(text.strip().lower().removesuffix("hz").replace(",", "."))
    except ValueError:
        raise LuthkitError(f"{text!r} is no frequency; write the number of hertz of the mode, such as 196") from None
