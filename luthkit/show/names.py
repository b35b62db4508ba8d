"""The names of a guitar's modes in words, as plain data, and as a page."""

from __future__ import annotations

from .._text import one_line
from ..guitar.naming import CANNOT_TELL, NamedMode, Naming
from ..guitar.next_test import Test
from ..guitar.priors import UNNAMED
from .data import mode_data, picked
from .meanings import PLUS_MINUS, UNCERTAINTY
from .page import Page, box, bullets, file_word, identity_of, image, table
from .words import taps_text, text_table, with_error

NAME_HEADINGS = ("No.", "Frequency", "Q", "Name", "Sure", "Why")
MEANING = (
    PLUS_MINUS,
    "The figure beside a name is the probability that the name is right, as far as luthkit can judge: on simulated "
    "guitars 80 % was right in 80 to 90 of 100 cases. No real guitar was at hand to check that: expect less there.",
    "A name is given from 70 % on. Below that it says “cannot tell”, with the two likeliest names.",
    "A frequency alone never names a mode: where air, top and back lie on different guitars overlaps.",
    "Where top and back ring at nearly the same pitch they move together in both modes, and no test makes one of them "
    "the top alone.",
    "“No name”: a mode of the body, but none of the names here fits; most of these lie above the dipoles. The figure "
    "is then the probability that none fits.",
    f"For those who check: {UNCERTAINTY}.",
)
TESTS_SHOWN = 3


def name_text(named: NamedMode) -> str:
    """'main top', 'no name', or 'cannot tell: main top 55 %, main back 40 %'."""
    if named.overruled or named.name != CANNOT_TELL:
        return named.name
    ranked = sorted(named.posterior, key=named.posterior.get, reverse=True)[:2]
    return f"{CANNOT_TELL}: " + ", ".join(f"{name} {percent(named.posterior[name])}" for name in ranked)


def sure_text(named: NamedMode) -> str:
    """How sure the name is; for a mode without one, how sure it is that none fits; nothing for the maker's word."""
    fits = "none of the names fits: " if named.name == UNNAMED else ""
    return "" if named.overruled else f"{fits}{percent(named.probability)}"


def percent(probability: float) -> str:
    """Whole percent, never 0 or 100: nothing here is ever certain.

    >>> percent(0.998), percent(0.0001)
    ('over 99 %', 'under 1 %')
    """
    if probability > 0.99:
        return "over 99 %"
    return "under 1 %" if probability < 0.01 else f"{100 * probability:.0f} %"


def why_text(named: NamedMode) -> str:
    """The reasons in words, or the maker's own."""
    if named.overruled:
        return f"so named by the maker: {named.overruled}"
    return "; ".join(named.reasons)


def name_rows(naming: Naming) -> list[tuple[str, ...]]:
    """One row of text for each mode, in the order of NAME_HEADINGS."""
    return [
        (
            str(number),
            with_error(named.mode.frequency_hz, named.mode.frequency_u_hz, unit="Hz"),
            with_error(named.mode.q_factor, named.mode.q_factor_u),
            name_text(named),
            sure_text(named),
            why_text(named),
        )
        for number, named in enumerate(naming.modes, start=1)
    ]


def naming_summary(naming: Naming) -> tuple[str, ...]:
    """Two or three plain sentences: what has a name, what has none yet, and what to do next."""
    given = [named for named in naming.modes if named.name not in (CANNOT_TELL, UNNAMED)]
    open_ = [f"{named.mode.frequency_hz:.0f} Hz" for named in naming.modes if named.name == CANNOT_TELL]
    told = [f"{n.name} {with_error(n.mode.frequency_hz, n.mode.frequency_u_hz, unit='Hz')}" for n in given]
    named = ", ".join(told) or "no mode can be named from these recordings"
    lines = [f"{naming.modeset.name or 'The guitar'}: {named}."]
    if open_:
        lines.append(f"Cannot tell: {', '.join(open_)}.")
    if naming.next_tests:
        lines.append(f"Next best test: {test_text(naming.next_tests[0])}")
    return tuple(lines)


def test_text(test: Test) -> str:
    """What to do, what for, and what to mind."""
    return f"{test.sentence} {test.care}".strip()


test_text.__test__ = False  # for pytest: no test of ours


def kinds_text(naming: Naming) -> str:
    """What kind of body it is taken for."""
    if len(naming.body_kinds) == 1:
        return f"Body kind as said: {next(iter(naming.body_kinds))}."
    shares = ", ".join(f"{kind} {percent(share)}" for kind, share in naming.body_kinds.items())
    return f"Nobody said what kind of body it is (under Kind of body, or body_kind in session.toml); weighed: {shares}."


def naming_text(naming: Naming) -> str:
    """The names for the terminal, reasons below the table."""
    rows = name_rows(naming)
    parts = [*map(one_line, naming_summary(naming)), f"{taps_text(naming.modeset)}.", ""]
    parts += [text_table(NAME_HEADINGS[:-1], [row[:-1] for row in rows])] if rows else []
    parts += [f"  {row[0]}: {one_line(row[-1])}" for row in rows if row[-1]]
    parts += ["", f"Evidence: {', '.join(naming.evidence)}.", kinds_text(naming)]
    parts += [f"- {one_line(note)}" for note in naming.notes]
    return "\n".join(parts)


def naming_data(naming: Naming) -> dict:
    """The names with all that they rest on, for JSON."""
    return {
        "name": naming.modeset.name,
        "modes": [
            {
                **mode_data(named.mode),
                **picked(named, "name probability posterior reasons overruled"),
                "weights_db": named.weights,
            }
            for named in naming.modes
        ],
        **picked(naming, "body_kinds evidence notes version"),
        "next_tests": [picked(test, "what gain_bits settles_hz care") for test in naming.next_tests],
        "sources": naming.modeset.sources,
    }


def naming_page(naming: Naming) -> Page:
    """The report of the names: pictures, the table, and what to do next."""
    from .plots.naming import plot_evidence, plot_outlines

    name = naming.modeset.name or "the instrument"
    first, *more = naming_summary(naming)
    parts = [box([first, *more])]
    if naming.modes:
        parts += [
            "<h2>Which mode is which</h2>",
            image(plot_outlines(naming), f"The named modes of {name}, each on a plain outline of a guitar. {first}"),
            table(NAME_HEADINGS, name_rows(naming)),
            "<h2>The evidence</h2>",
            image(
                plot_evidence(naming),
                f"How strongly each kind of evidence speaks for or against the likeliest name of each mode of {name}",
            ),
        ]
    parts.append(bullets((kinds_text(naming), *naming.notes)))
    if naming.next_tests:
        parts += ["<h2>What would tell more</h2>"]
        parts.append(bullets(tuple(test_text(test) for test in naming.next_tests[:TESTS_SHOWN])))
    parts += ["<h2>What the figures mean</h2>", bullets(MEANING)]
    title, stem = f"Names of the modes of {name}", f"{file_word(name)}_names"
    identity, done = identity_of("Naming", name, sources=naming.modeset.sources), f"Named the modes of {name}"
    return Page(title, "\n".join(parts), stem, identity, naming.version, done=done)
