"""The form of the first notebook: the modes of one instrument."""

from __future__ import annotations

import ipywidgets as widgets

from ...shop.names import name_instrument
from ..report import report_page
from .common import Form, Reader, chosen, find_guitars, folder_list, path_field


def modes_form(*, start=None) -> widgets.Widget:
    """The form of the first notebook: the modes of one instrument.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_guitars(start)
    folder = folder_list("Guitar", guitars)
    path = path_field("or a folder elsewhere")
    form = Form("Read modes", [folder, path], name="modes")

    reader = Reader()

    def read():
        (place,) = chosen([folder.value], path.value)
        (modeset,) = reader.read([place])
        return report_page(modeset, name_instrument(place, modeset=modeset))

    form.act = read
    return form.open(ready=bool(guitars))
