"""The names of a guitar's modes in words, as plain data, and as a page."""

from __future__ import annotations

import hashlib
from html import escape

from .._text import one_line
from ..guitar.naming import CANNOT_TELL, NamedMode, Naming
from ..guitar.next_test import Test
from ..guitar.priors import UNNAMED
from .data import mode_data
from .page import Page, bullets, file_word, image, table
from .words import taps_text, text_table, with_error

NAME_HEADINGS = ("No.", "Frequency", "Q", "Name", "Sure", "Why")
MEANING = (
    "The figure beside a name is the probability that the name is right, as far as luthkit can judge: on simulated "
    "guitars 80 % was right in 80 to 90 of 100 cases. No real guitar was at hand to check that: expect less there.",
    "A name is given from 70 % on. Below that it says “cannot tell”, with the two likeliest names.",
    "A frequency alone never names a mode: where air, top and back lie on different guitars overlaps.",
    "Where top and back ring at nearly the same pitch they move together in both modes, and no test makes one of them "
    "the top alone.",
    "“No name”: a mode of the body, but none of the names here fits; most of these lie above the dipoles. The figure "
    "is then the probability that none fits.",
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
    if named.overruled:
        return ""
    return (
        f"none of the names fits: {percent(named.probability)}" if named.name == UNNAMED else percent(named.probability)
    )


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
            f"{named.mode.q_factor:.0f}",
            name_text(named),
            sure_text(named),
            why_text(named),
        )
        for number, named in enumerate(naming.modes, start=1)
    ]


def naming_summary(naming: Naming) -> tuple[str, ...]:
    """Two or three plain sentences: what has a name, what has none yet, and what to do next."""
    given = [named for named in naming.modes if named.name not in (CANNOT_TELL, UNNAMED)]
    open_ = [named for named in naming.modes if named.name == CANNOT_TELL]
    lines = []
    if given:
        lines.append("; ".join(f"{named.name} {named.mode.frequency_hz:.0f} Hz" for named in given) + ".")
    else:
        lines.append("No mode can be named from these recordings.")
    if open_:
        lines.append("Cannot tell: " + ", ".join(f"{named.mode.frequency_hz:.0f} Hz" for named in open_) + ".")
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
    return f"Nobody said what kind of body it is (body_kind in session.toml); weighed: {shares}."


def naming_text(naming: Naming) -> str:
    """The names for the terminal, reasons below the table."""
    rows = name_rows(naming)
    parts = [f"{one_line(naming.modeset.name or 'instrument')}: {taps_text(naming.modeset)}", ""]
    parts += [text_table(NAME_HEADINGS[:-1], [row[:-1] for row in rows])] if rows else []
    parts += [f"  {row[0]}: {one_line(row[-1])}" for row in rows if row[-1]]
    parts += ["", *naming_summary(naming), "", f"Evidence: {', '.join(naming.evidence)}.", kinds_text(naming)]
    parts += [f"- {one_line(note)}" for note in naming.notes]
    return "\n".join(parts)


def naming_data(naming: Naming) -> dict:
    """The names with all that they rest on, for JSON."""
    return {
        "name": naming.modeset.name,
        "modes": [
            {
                **mode_data(named.mode),
                "name": named.name,
                "probability": named.probability,
                "posterior": dict(named.posterior),
                "reasons": list(named.reasons),
                "weights_db": dict(named.weights),
                "overruled": named.overruled,
            }
            for named in naming.modes
        ],
        "body_kinds": dict(naming.body_kinds),
        "evidence": list(naming.evidence),
        "next_tests": [
            {"what": t.what, "gain_bits": t.gain_bits, "settles_hz": list(t.settles_hz), "care": t.care}
            for t in naming.next_tests
        ],
        "notes": list(naming.notes),
        "sources": dict(naming.modeset.sources),
        "version": naming.version,
    }


def naming_page(naming: Naming) -> Page:
    """The report of the names: pictures, the table, and what to do next."""
    from .plots.naming import plot_evidence, plot_outlines

    name = naming.modeset.name or "the instrument"
    first, *more = naming_summary(naming)
    parts = [f'<div class="short"><p><b>{escape(first)}</b></p>{"".join(f"<p>{escape(x)}</p>" for x in more)}</div>']
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
    files = "\n".join(f"{key}={value}" for key, value in sorted(naming.modeset.sources.items()))
    identity = hashlib.sha256(f"Naming\n{name}\n{files}".encode("utf-8", "backslashreplace")).hexdigest()
    return Page(
        f"Names of the modes of {name}",
        "\n".join(parts),
        f"{file_word(name)}_names",
        identity,
        naming.version,
        done=f"Named the modes of {name}",
    )
