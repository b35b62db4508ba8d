"""A plan in words, as plain data, and as a page."""

from __future__ import annotations

import hashlib

from ..guitar.build_stages import CARE
from ..guitar.choosing import Ranking
from ..guitar.design import FINISHED
from ..shop.plan_folder import Plan
from .page import Page, bullets, file_word, image, paragraphs, table
from .plots.plan import percent, plot_progress, plot_ranking
from .words import text_table, with_error

HEADINGS = ("No.", "Top", "Back", "Distance", "Chance", "Air", "Main top", "Main back", "Mobility")
ORDER = (
    "The reference first, then the pairs by their distance from it, the nearest first; each top with its best back "
    "(with more than one where tops are few)."
)
MEANING = (
    "Distance is that of the quantity farthest off, in just-noticeable steps of 2 % in frequency (typical listeners in "
    "the best conditions, from memory) and 15 % in mobility (a planning value); in brackets the middle 68 %.",
    "Pairs are ranked by their difference: errors that two have in common (of a shared piece of wood, of what your "
    "builds taught, of the reference) cancel, and the scatter of building, which no wood alters, is left out. So one "
    "may be surely nearer though the distances in brackets overlap. Where number 1 is nearer with less than 90 % "
    "surety, the two cannot be ranked.",
    "Chance: how likely no quantity of the finished guitar lies beyond the reach, the scatter of building included.",
    "For distance and chance the reading of the reference is drawn a little towards what guitars of this design are, "
    "the more so the worse it was read.",
    "Mobility is how readily the bridge yields at the main top, without its damping, in s/kg (speed for each newton).",
    "Before any of your own guitars is known a forecast is good to 5 to 10 %; with ten or so, to about 2 %.",
    "The damping of wood is not used: no practical effect of a top's damping on guitars is known (Acoustics 7, 11, "
    "2025), and what a guitar's damping will be cannot be forecast from its wood.",
    "Where main top and main back lie close, each moves in both modes and their names may be exchanged.",
)


def pair_rows(ranking: Ranking) -> list[tuple[str, ...]]:
    """The reference, then one row of text for each pair, in the order of HEADINGS."""
    target = ranking.target
    own = (with_error(*target.measured[q], unit=_UNITS[q]) if q in target.measured else "not given" for q in FINISHED)
    rows = [("", target.name, "reference", "", "", *own)]
    for number, pair in enumerate(ranking.pairs, start=1):
        place = (
            f"{number}" if number > ranking.tied or ranking.tied < 2 else f"1–{min(ranking.tied, len(ranking.pairs))}"
        )
        far = f"{pair.distance_steps:.1f} ({pair.distance_low_steps:.1f} to {pair.distance_high_steps:.1f})"
        rows.append((place, pair.top, pair.back, far, percent(pair.chance), *_values(pair.forecast)))
    return rows


def plan_text(plan: Plan) -> str:
    """All of it for the terminal."""
    ranking = plan.ranking
    parts = [*ranking.summary, "", ORDER, text_table(HEADINGS, pair_rows(ranking)), ""]
    parts += ["A step of 0.1 mm in thickness, were it allowed, with the first pair:"]
    parts += [text_table(("Plate", "Chance", *_NAMES, "Mind"), _thickness_rows(plan)), ""]
    if plan.progress:
        parts += [f"On the bench: {plan.folder.in_progress.name}"]
        parts += [text_table(("Stage", "Chance", *_NAMES, "Can be changed"), _progress_rows(plan)), ""]
    return "\n".join([*parts, *notes(plan)])


def notes(plan: Plan) -> list[str]:
    """What must be said beside the figures."""
    said = [*plan.calibration.notes, *plan.folder.notes]
    said += [f"{name} is left out: {why}" for name, why in plan.folder.left_out]
    chosen = {name for pair in plan.ranking.pairs for name in (pair.top, pair.back)}
    sets = (*plan.folder.tops, *plan.folder.backs)
    said += [note for each in sets if each.name in chosen for note in each.notes]
    missing = [name for name in FINISHED if name not in plan.ranking.target.measured]
    if missing:
        said.append(f"the reference has no value for {', '.join(missing)}: it does not count")
    return [*dict.fromkeys(said), *CARE]


def plan_data(plan: Plan) -> dict:
    """As plain dictionaries for JSON."""
    ranking = plan.ranking
    return {
        "reference": ranking.target.name,
        "reach_steps": ranking.target.reach_steps,
        "verdict": ranking.verdict,
        "summary": list(ranking.summary),
        "cannot_be_ranked": ranking.tied,
        "pairs": [
            {
                "top": pair.top,
                "back": pair.back,
                "distance_steps": pair.distance_steps,
                "distance_low_steps": pair.distance_low_steps,
                "distance_high_steps": pair.distance_high_steps,
                "chance": pair.chance,
                "first_pair_nearer_chance": pair.nearer_chance,
                "forecast": _forecast_data(pair.forecast),
            }
            for pair in ranking.pairs
        ],
        "thickness": [
            {
                "plate": step.plate,
                "change_m": step.change_m,
                "chance": step.chance,
                "forecast": _forecast_data(step.forecast),
                "caution": step.caution,
            }
            for step in plan.thickness
        ],
        "progress": [
            {
                "stage": each.stage.name,
                "chance": each.chance,
                "forecast": _forecast_data(each.forecast),
                "can_change": list(each.stage.can_change),
            }
            for each in plan.progress
        ],
        "past_builds": list(plan.calibration.builds),
        "notes": notes(plan),
        "sources": dict(plan.folder.sources),
    }


def plan_page(plan: Plan) -> Page:
    """The page of a plan."""
    ranking, folder = plan.ranking, plan.folder
    title = f"Wood for {folder.design.name} after {ranking.target.name}"
    parts = [
        f'<div class="short">{paragraphs(ranking.summary)}</div>',
        image(plot_ranking(ranking), _alt(ranking)),
        "<h2>Pair by pair</h2>",
        paragraphs([f"Of {ranking.n_tops} tops and {ranking.n_backs} backs every pair was looked at. {ORDER} "
                    "Expected of the finished guitar, ± one standard uncertainty:"]),
        table(HEADINGS, pair_rows(ranking)),
        "<h2>If the thickness were free</h2>",
        paragraphs(["What a step of 0.1 mm would do to the guitar of the first pair:"]),
        table(("Plate", "Chance", *_NAMES, "Mind"), _thickness_rows(plan)),
    ]  # fmt: skip
    if plan.progress:
        parts += [f"<h2>On the bench: {file_word(folder.in_progress.name).replace('-', ' ')}</h2>"]
        words = ", ".join(f"{each.stage.name} {percent(each.chance)}" for each in plan.progress)
        parts += [
            image(plot_progress(plan.progress), f"How the forecast narrows from stage to stage; chances: {words}")
        ]
        parts += [table(("Stage", "Chance", *_NAMES, "Can be changed"), _progress_rows(plan))]
    parts += ["<h2>Before you cut</h2>", f'<div class="caution">{bullets(notes(plan))}</div>']
    parts += ["<h2>What the figures mean</h2>", bullets(MEANING)]
    stem = f"{file_word(folder.design.name)}_plan"
    told = "\n".join(["plan", *(f"{name}={sha}" for name, sha in sorted(folder.sources.items()))])
    return Page(title, "\n".join(parts), stem, hashlib.sha256(told.encode()).hexdigest())


_UNITS = {name: "s/kg" if name == "mobility" else "Hz" for name in FINISHED}
_NAMES = HEADINGS[5:]


def _values(forecast) -> tuple[str, ...]:
    return tuple(with_error(*forecast.value(name), unit=_UNITS[name]) for name in FINISHED)


def _forecast_data(forecast) -> dict:
    from ..shop.plan_folder import key_of

    out = {}
    for name in forecast.quantities:
        value, u = forecast.value(name)
        key = key_of(name)
        out[key] = value
        out[key.replace("_s_kg", "_u_s_kg") if name == "mobility" else key.replace("_hz", "_u_hz")] = u
    return out


def _thickness_rows(plan):
    return [(_step_text(step), percent(step.chance), *_values(step.forecast), step.caution) for step in plan.thickness]


def _step_text(step) -> str:
    return f"{step.plate} {1000 * step.change_m:+.1f} mm".replace("-", "−")


def _progress_rows(plan):
    return [
        (each.stage.name, percent(each.chance), *_values(each.forecast), "; ".join(each.stage.can_change))
        for each in plan.progress
    ]


def _alt(ranking) -> str:
    first = ranking.pairs[0]
    return (
        f"Steps from {ranking.target.name} of the {len(ranking.pairs)} best pairs with 95 % bars; the first is "
        f"{first.top} with {first.back}, chance {percent(first.chance)}"
    )
