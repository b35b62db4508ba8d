"""`luthkit profile`: a reference profile from sessions of one or several guitars."""

from __future__ import annotations

from ..errors import LuthkitError
from .common import check_paths, no_modes, tell


def add(commands) -> None:
    command = commands.add_parser("profile", help="a reference to build towards, from one or several guitars")
    command.add_argument("name", metavar="NAME", help="what the profile is called")
    command.add_argument("folders", nargs="+", metavar="FOLDER", help="sessions; those of one guitar are made one")
    command.add_argument("--to", default=".", metavar="FILE", help="new file, or a folder to put it in (default: here)")
    command.add_argument("--json", action="store_true", help="print JSON and nothing else")
    command.set_defaults(run=run)


def run(options) -> int:
    check_paths(options.folders, None)
    from ..guitar.profile import make_profile
    from ..shop.profile_file import tone_of, write_profile
    from ..shop.reading import read_instruments
    from ..show.profile import profile_data, profile_table

    modesets = read_instruments(options.folders)
    for modeset in modesets:
        if not modeset.modes:
            raise LuthkitError(no_modes(modeset))
    profile = make_profile(options.name, modesets, tone=tone_of(options.folders))
    path = write_profile(profile, options.to)
    guitars = [guitar.name for guitar in profile.guitars]
    return tell(
        options,
        data=lambda: {"profile": str(path), "guitars": guitars, "bands": profile_data(profile)},
        text=lambda: f"{profile_table(profile)}\n\n{profile.name}, from {', '.join(guitars)}: kept as {path}",
    )
