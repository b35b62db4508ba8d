"""`luthkit parcel`: one guitar as a single zip file, for another logbook (`luthkit keep` opens it there)."""

from __future__ import annotations

from .common import tell
from .logbook import add_place, place


def add(commands) -> None:
    command = commands.add_parser("parcel", help="one guitar as a single zip file, for a logbook elsewhere")
    command.add_argument("guitar", metavar="GUITAR", help="name of the guitar in the logbook")
    command.add_argument("file", metavar="FILE.zip", help="new file, or a folder to put it in")
    add_place(command)
    command.add_argument("--json", action="store_true", help="print JSON and nothing else")
    command.set_defaults(run=run)


def run(options) -> int:
    from ..shop.parcel import pack

    path = pack(place(options), options.guitar, options.file)
    return tell(options, data=lambda: {"parcel": str(path)}, text=lambda: f"Packed as {path}")
