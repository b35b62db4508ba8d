"""The second form of the third notebook: the body in numbers, and sliders that ask what a change would do."""

from __future__ import annotations

import ipywidgets as widgets

from ...guitar.body_fit import NAMES
from ...guitar.what_if import Change
from ...shop.body import read_body
from ..body import body_page
from .common import Form, Reader, WrongEntry, chosen, each_of, find_guitars, folder_list, path_field, text_field

_SLIDERS = {  # field of Change: words, lowest, highest
    "hole_radius_factor": ("Soundhole diameter, %", -20, 20),
    "volume_factor": ("Volume of the box, %", -20, 20),
    "bridge_mass_kg": ("Mass of the bridge, g", -15, 20),
    "top_stiffness_factor": ("Stiffness of the top, %", -30, 30),
    "top_mass_factor": ("Mass of the top, %", -30, 30),
    "back_stiffness_factor": ("Stiffness of the back, %", -30, 30),
    "back_mass_factor": ("Mass of the back, %", -30, 30),
}


def body_form(*, start=None) -> widgets.Widget:
    """The form of the body: box, masses, stiffnesses and areas, and where air, top and back go when a slider moves.

    `start` is the folder where guitars are looked for (default: the current folder and those beside it).
    """
    guitars = find_guitars(start)
    folder = folder_list("Guitar", guitars)
    path = path_field("or a folder elsewhere")
    by_hand = text_field("Air, top, back in Hz", "such as 104 196 220; leave empty to go by the names")
    hole = text_field("Soundhole in mm", "its diameter; leave empty if it is written down, or nobody measured it")
    volume = text_field("Air inside in litres", "leave empty if it is written down, or nobody measured it")
    sliders = {
        field: text_field(
            words, kind=widgets.FloatSlider, min=low, max=high, step=1, readout_format="+.0f", continuous_update=False
        )
        for field, (words, low, high) in _SLIDERS.items()
    }
    asked = widgets.HTML("<b>What if it were more (right) or less (left)?</b>")
    form = Form("Read the body", [folder, path, by_hand, hole, volume, asked, *sliders.values()])
    reader, known = Reader(), {}

    def change():
        values = {field: slider.value for field, slider in sliders.items()}
        bridge = values.pop("bridge_mass_kg") / 1000
        return Change(bridge_mass_kg=bridge, **{field: 1 + value / 100 for field, value in values.items()})

    def read():
        (place,), three, width, room = each_of(
            lambda: chosen([folder.value], path.value),
            lambda: _numbers(by_hand, 3),
            lambda: _numbers(hole, 1),
            lambda: _numbers(volume, 1),
        )
        hand, (hole_mm,), (litres,) = dict(zip(NAMES, three, strict=False)), width or [None], room or [None]
        (modeset,) = reader.read([place])
        words = (by_hand.value, hole.value, volume.value)
        if known.get("asked") != (place, words) or known.get("modeset") is not modeset:
            sheet = read_body(place, by_hand=hand, hole_diameter_mm=hole_mm, volume_l=litres, modeset=modeset)
            known.update(asked=(place, words), modeset=modeset, sheet=sheet)
        while True:  # a slider may have moved while this was at work
            asked = change()
            page = body_page(known["sheet"], asked)
            if asked == change():
                return page

    form.act = read
    view = form.open(ready=bool(guitars))
    for slider in sliders.values():
        slider.observe(lambda _: form.press(), names="value")
    return view


def _numbers(field, most: int) -> list[float]:
    """Up to `most` numbers out of what was typed."""
    words = field.value.replace(";", " ").lower().replace("hz", " ").replace("mm", " ").replace(", ", " ").split()
    try:
        numbers = [float(word.replace(",", ".")) for word in words]
    except ValueError:
        numbers = [-1.0]
    if len(numbers) > most or any(not number > 0 for number in numbers):
        allowed = "one number above 0" if most == 1 else f"up to {most} numbers above 0"
        raise WrongEntry(field, f"is {field.value.strip()!r}; write {allowed}, or leave it empty")
    return numbers
