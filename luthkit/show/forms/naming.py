"""The form of the third notebook: which mode is which."""

from __future__ import annotations

import ipywidgets as widgets

from ...guitar.naming import CANNOT_TELL, overrule
from ...guitar.priors import ALL_NAMES, BODY_KINDS
from ...shop.names import TAKEN_BACK, add_overrule, name_instrument, take_back
from ..names import naming_page
from .common import (
    Form,
    Reader,
    WrongEntry,
    chosen,
    each_of,
    find_guitars,
    folder_list,
    list_field,
    path_field,
    text_field,
)

AS_WRITTEN = "as written down with the recordings, or unknown"


def naming_form(*, start=None) -> widgets.Widget:
    """The form of the third notebook: a name for each mode, how sure it is and why, and what to record next.

    A name of the maker's own, with its reason, goes into names.toml in the folder of the guitar, and can be taken
    back. `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_guitars(start)
    folder = folder_list("Guitar", guitars)
    path = path_field("or a folder elsewhere")
    kind = list_field("Kind of body", [AS_WRITTEN, *BODY_KINDS])
    # Textarea: a line that the form does not remember for the next time, so that nothing is written down twice
    own = {"kind": widgets.Textarea, "rows": 1}
    hertz = text_field("The mode at", "in hertz, such as 196; leave empty if the names are right", **own)
    names = [(each, each) for each in (*ALL_NAMES, CANNOT_TELL)]
    name = list_field("is in truth the", [*names, ("as luthkit said (take my name back)", TAKEN_BACK)])
    reason = text_field("because", "a few words; kept in names.toml with the date", **own)
    better = widgets.HTML("<b>If you know better than luthkit, say so here:</b>")
    form = Form("Name the modes", [folder, path, kind, better, hertz, name, reason], name="names")
    reader = Reader()

    def read():
        said = hertz.value.strip() or reason.value.strip()
        (place,), frequency_hz, _ = each_of(
            lambda: chosen([folder.value], path.value),
            lambda: _number(hertz) if said else 0.0,
            lambda: _given(reason) if said and name.value != TAKEN_BACK else "",
        )
        (modeset,) = reader.read([place])
        body_kind = "" if kind.value == AS_WRITTEN else kind.value
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


def _number(field) -> float:
    text = field.value.strip()
    try:
        return float(text.lower().removesuffix("hz").replace(",", "."))
    except ValueError:
        raise WrongEntry(field, f"is {text!r}, no frequency; write the hertz of the mode, such as 196") from None


def _given(field) -> str:
    if not field.value.strip():
        raise WrongEntry(field, "is empty; say in a few words why, so that you know it next year")
    return field.value
