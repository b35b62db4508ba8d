"""The hand of a maker on a form: finds its parts by what stands on them."""

import re


class Hand:
    """Finds the parts of a form by what stands on them."""

    def __init__(self, form):
        self.parts = {}
        todo = [form]
        while todo:
            part = todo.pop()
            todo += getattr(part, "children", ())
            name = getattr(part, "description", "") or next(iter(part._dom_classes), "")
            self.parts[name] = part

    def __getitem__(self, name):
        return self.parts[name]

    @property
    def said(self):
        return re.sub(r"<[^>]*>", "", self["luthkit-status"].value)

    @property
    def done(self):
        """How often the form has done its work, as the line of status says it; None for any other line."""
        found = re.search(r'data-done="(\d+)"', self["luthkit-status"].value)
        return found and int(found[1])

    @property
    def picture(self):
        found = re.search(r'src="(data:image/png[^"]*)"', self["luthkit-page"].value)
        return found and found[1]
