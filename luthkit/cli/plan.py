"""`luthkit plan`: which top and back of the stock bring a build to its reference."""

from __future__ import annotations

import os

from .common import BadUse, add_output, check_paths, tell
from .located import located


def add(commands) -> None:
    plan = commands.add_parser("plan", help="which top and back of the stock bring a build to its reference")
    plan.add_argument(
        "paths", nargs=1, metavar="FOLDER", help="design.toml, reference.toml, wood.csv, and builds.toml if any"
    )
    plan.add_argument("--reach", type=float, metavar="STEPS", help="how many just-noticeable steps off is near enough")
    plan.add_argument(
        "--reference", metavar="GUITAR|FOLDER|PROFILE", help="taps or a profile, in place of what reference.toml says"
    )
    plan.set_defaults(run=run)
    add_output(plan)


def run(options) -> int:
    (folder,) = options.paths
    check_paths([folder], options.report)
    if not os.path.isdir(folder):
        raise BadUse(f"{folder} is no folder; name the folder in which design.toml and reference.toml lie")
    if options.reach is not None and not 0 < options.reach < 100:
        raise BadUse(f"--reach is {options.reach:g}; give a number of steps above 0, such as 1")
    from ..shop.plan_folder import make_plan, read_plan_folder
    from ..show.plan import plan_data, plan_page, plan_text

    reference = options.reference and located([options.reference])[0]
    if reference and not os.path.exists(reference):
        raise BadUse(
            f"--reference is {reference}, which is not there; name a guitar of the logbook, a folder or a profile"
        )
    plan = make_plan(read_plan_folder(folder, reference=reference), reach_steps=options.reach)
    return tell(options, data=lambda: plan_data(plan), text=lambda: plan_text(plan), page=lambda: plan_page(plan))
