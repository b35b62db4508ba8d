"""A plan in words, as plain data, and as a page."""

from __future__ import annotations

from ..guitar.build_stages import CARE
from ..guitar.choosing import NOT_REACHED, REACHED, SHORT, Ranking
from ..guitar.design import FINISHED
from ..shop.plan_folder import Plan, key_of
from .data import picked
from .meanings import PLUS_MINUS
from .page import Page, box, bullets, file_word, identity_of, image, paragraphs, table
from .plots.plan import percent, plot_progress, plot_ranking
from .words import text_table, with_error

MOBILITY = "mobility"
_NAMES = ("Air, Hz", "Main top, Hz", "Main back, Hz", "Mobility, mm/s per N")
HEADINGS = ("No.", "Top", "Back", "Distance, steps", "Chance", *_NAMES)
ORDER = "The pairs by their distance, the nearest first; each top with its best back (with more where tops are few)."
VALUES = (
    "Expected of the finished guitar. Mobility is how readily the bridge moves: how many millimetres a second for each "
    f"newton that pushes it, at the main top. {PLUS_MINUS}"
)
STEP = "What a step of 0.1 mm in thickness would do to the guitar of the first pair, were it allowed:"
MEANING = (
    "Distance is that of the quantity farthest off, in just-noticeable steps of 2 % in frequency (typical listeners in "
    "the best conditions, from memory) and 15 % in mobility (a planning value); in brackets 95 %.",
    "Pairs are ranked by their difference: errors that two have in common (of a shared piece of wood, of what your "
    "builds taught, of the reference) cancel, and the scatter of building, which no wood alters, is left out. So one "
    "may be surely nearer though the distances in brackets overlap. Where number 1 is nearer with less than 90 % "
    "surety, the two cannot be ranked.",
    "Chance: how likely no quantity of the finished guitar lies beyond the reach, the scatter of building included.",
    "For distance and chance the reading of the reference is drawn a little towards what guitars of this design are, "
    "the more so the worse it was read.",
    "The mobility holds stiffness and mass, not the damping. A mm/s per newton is 0.001 s/kg.",
    "Before any of your own guitars is known a forecast is good to 5 to 10 %; with ten or so, to about 2 %.",
    "The damping of wood is not used: no practical effect of a top's damping on guitars is known (Acoustics 7, 11, "
    "2025), and what a guitar's damping will be cannot be forecast from its wood.",
    "Where main top and main back lie close, each moves in both modes and their names may be exchanged.",
)


def lead(ranking: Ranking) -> tuple[str, ...]:
    """What to take, how near it comes and how likely; where no set reaches the reference, that first."""
    target, first, reached = ranking.target, ranking.pairs[0], ranking.verdict == REACHED
    tied = min(ranking.tied, len(ranking.pairs))
    others = f", or another of the first {tied} pairs" if tied > 1 else ""
    pair = f"{first.top} for the top and {first.back} for the back"
    take = f"Take {pair}{others}." if reached else f"The nearest: {pair}."
    sentences = [
        f"{take} That guitar is expected {_far(first)} steps from {target.name}; the chance that nothing in it lies "
        f"farther off than {_reach(target)} is {percent(first.chance)}. "
        "A step is what one just notices: 2 % of a pitch."
    ]
    if not reached:
        sentences = [
            _short_of_it(ranking),
            *sentences,
            f"Of the nearest pair, {first.top} with {first.back}, the {_farthest(first.steps)} the reference.",
        ]
    if ranking.tied > 1:
        shown = f"{ranking.tied} or more" if ranking.tied >= SHORT else ranking.tied
        sentences.append(
            f"The first {shown} pairs cannot be ranked among each other: that number 1 is nearer than the others is "
            "less than 90 % sure. Choose among them by what luthkit does not know."
        )
    return tuple(sentences)


def bench(plan: Plan) -> tuple[str, ...]:
    """How the guitar on the bench stands, and what can still be changed; nothing when there is none."""
    if not plan.progress:
        return ()
    guitar, last, target = plan.folder.in_progress, plan.progress[-1], plan.ranking.target
    tapped = f"last tapped at the stage {last.stage.name}" if last.measured else "not tapped yet"
    return (
        f"{guitar.name}, of {guitar.top.name} and {guitar.back.name}, {tapped}: its {_farthest(last.steps)} "
        f"{target.name}. The chance that all of it comes within {_reach(target)} is {percent(last.chance)}; it was "
        f"{percent(plan.progress[0].chance)} before cutting.",
        f"What can still be changed: {'; '.join(last.stage.can_change)}.",
    )


def pair_rows(ranking: Ranking) -> list[tuple[str, ...]]:
    """The reference, then one row of text for each pair, in the order of HEADINGS."""
    target, tied = ranking.target, min(ranking.tied, len(ranking.pairs))
    rows = [("", target.name, "reference", "", "", *_values(target.measured.get))]
    for number, pair in enumerate(ranking.pairs, start=1):
        place = f"{number}" if number > tied or tied < 2 else f"1–{tied}"
        rows.append((place, pair.top, pair.back, _far(pair), percent(pair.chance), *_values(pair.forecast.value)))
    return rows


def plan_text(plan: Plan) -> str:
    """All of it for the terminal."""
    parts = [*lead(plan.ranking), "", ORDER, VALUES, _text_table(HEADINGS, pair_rows(plan.ranking)), ""]
    parts += [STEP, _text_table(("Plate", "Chance", *_NAMES), _thickness_rows(plan)), *_thickness_cautions(plan), ""]
    if plan.progress:
        parts += ["On the bench:", *bench(plan), _text_table(("Stage", "Chance", *_NAMES), _progress_rows(plan)), ""]
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
        "summary": list(lead(ranking)),
        "cannot_be_ranked": ranking.tied,
        "pairs": [
            {
                **picked(pair, "top back distance_steps distance_low_steps distance_high_steps chance"),
                "first_pair_nearer_chance": pair.nearer_chance,
                "forecast": _forecast_data(pair.forecast),
            }
            for pair in ranking.pairs
        ],
        "thickness": [
            {**picked(step, "plate change_m chance caution"), "forecast": _forecast_data(step.forecast)}
            for step in plan.thickness
        ],
        "progress": [
            {
                "stage": each.stage.name,
                **picked(each, "chance"),
                **picked(each.stage, "can_change"),
                "forecast": _forecast_data(each.forecast),
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
    reference, *pairs = pair_rows(ranking)
    parts = [
        box(lead(ranking)),
        image(plot_ranking(ranking), _alt(ranking)),
        "<h2>Pair by pair</h2>",
        paragraphs([f"Of {ranking.n_tops} tops and {ranking.n_backs} backs every pair was looked at. {ORDER}"]),
        table(HEADINGS[:5], [row[:5] for row in pairs]),
        "<h3>The finished guitars</h3>",
        paragraphs([VALUES]),
        table((*HEADINGS[1:3], *_NAMES), [row[1:3] + row[5:] for row in (reference, *pairs)]),
        "<h2>If the thickness were free</h2>",
        paragraphs([STEP]),
        table(("Plate", "Chance", *_NAMES), _thickness_rows(plan)),
        bullets(_thickness_cautions(plan)),
    ]
    if plan.progress:
        words = ", ".join(f"{each.stage.name} {percent(each.chance)}" for each in plan.progress)
        parts += [
            "<h2>On the bench</h2>",
            paragraphs(bench(plan)),
            image(plot_progress(plan.progress), f"How the forecast narrows from stage to stage; chances: {words}"),
            table(("Stage", "Chance", *_NAMES), _progress_rows(plan)),
        ]
    parts += ["<h2>Before you cut</h2>", f'<div class="caution">{bullets(notes(plan))}</div>']
    parts += ["<h2>What the figures mean</h2>", bullets(MEANING)]
    return Page(
        f"Wood for {folder.design.name} after {ranking.target.name}",
        "\n".join(parts),
        f"{file_word(folder.design.name)}_plan",
        identity_of("plan", sources=folder.sources),
    )


def _short_of_it(ranking) -> str:
    target = ranking.target
    reach = _reach(target, "just-noticeable step")
    if ranking.verdict == NOT_REACHED:
        n = ranking.n_tops * ranking.n_backs
        return (
            f"No set in the stock reaches {target.name} within {reach}: in each of the {n} pairs some quantity alone "
            "lies beyond it, sure to 95 %."
        )
    best = max(pair.chance for pair in ranking.pairs)
    return (
        f"Cannot tell whether any pair comes within {reach} of {target.name}: the best chance of the stock is "
        f"{percent(best)}."
    )


def _farthest(steps) -> str:
    """'main top lies farthest off, 1.2 ± 0.3 steps above'."""
    name, (step, u) = max(steps.items(), key=lambda item: abs(item[1][0]))
    return f"{name} lies farthest off, {abs(step):.1f} ± {u:.1f} steps {'above' if step > 0 else 'below'}"


def _reach(target, step="step") -> str:
    return f"{target.reach_steps:g} {step}{'s' * (target.reach_steps != 1)}"


def _far(pair) -> str:
    return f"{pair.distance_steps:.1f} ({pair.distance_low_steps:.1f} to {pair.distance_high_steps:.1f})"


def _values(value) -> tuple[str, ...]:
    """Air, main top, main back in Hz and the mobility in mm/s per N; `value` gives (value, error) or None by name."""
    found = [(value(name), 1000 if name == MOBILITY else 1) for name in FINISHED]
    return tuple(with_error(factor * pair[0], factor * pair[1]) if pair else "not given" for pair, factor in found)


def _text_table(headings, rows) -> str:
    return text_table([heading.replace(", ", ",\n") for heading in headings], rows)


def _forecast_data(forecast) -> dict:
    out = {}
    for name in forecast.quantities:
        stem, key = name.replace(" ", "_"), key_of(name)
        out[key], out[f"{stem}_u{key.removeprefix(stem)}"] = forecast.value(name)
    return out


def _thickness_rows(plan):
    return [(_step_text(step), percent(step.chance), *_values(step.forecast.value)) for step in plan.thickness]


def _thickness_cautions(plan) -> list[str]:
    return [f"{_step_text(step)}: {step.caution}" for step in plan.thickness if step.caution]


def _step_text(step) -> str:
    return f"{step.plate} {1000 * step.change_m:+.1f} mm".replace("-", "−")


def _progress_rows(plan):
    return [(each.stage.name, percent(each.chance), *_values(each.forecast.value)) for each in plan.progress]


def _alt(ranking) -> str:
    first = ranking.pairs[0]
    return (
        f"Steps from {ranking.target.name} of the {len(ranking.pairs)} best pairs with 95 % bars; the first is "
        f"{first.top} with {first.back}, chance {percent(first.chance)}"
    )
