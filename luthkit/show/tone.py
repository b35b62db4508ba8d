"""Strums and plucks: in words, as plain data, and as a page."""

from __future__ import annotations

from html import escape
from math import isfinite, log, log2
from statistics import stdev

from .._text import one_line
from ..guitar.played import PluckReading, ToneReading
from ..guitar.tone_comparison import ToneComparison, ToneDifference, strum_means
from .basis import basis, left_out_lines
from .data import picked
from .meanings import PLUS_MINUS, UNCERTAINTY
from .page import Page, box, bullets, file_word, identity_of, image, paragraphs, table
from .plots.tone import plot_tone, plot_tone_comparison
from .words import text_table, with_error

STRUM_HEADINGS = ("Measure", "Mean of the strums", "Read in")
PLUCK_HEADINGS = (
    "String",
    "At",
    "Tuning (A4 = 440 Hz)",
    "Early decay",
    "Late decay",
    "Beating partials",
    "Brightness",
    "10th partial is sharp by",
)
PARTIAL_HEADINGS = ("No.", "Frequency", "Level", "Early decay", "Late decay", "What is there")
DIFFERENCE_HEADINGS = ("Measure", "Build", "Reference", "Difference", "Verdict", "Remark")
DECAY_MEANING = (
    "Decay: the time the sound would take to fall by 60 dB, to a thousandth of its swing, at the pace of its first "
    "10 dB (early) or of its fall from 5 to 25 dB down (late)."
)
STRUM_MEANING = (
    "Brightness: the middle of the spectrum from 0.2 to 1.2 s after the stroke, in Hz; the higher, the brighter. It "
    "counts the faint high partials too; “by power” counts the strong low ones almost alone.",
    "Share the ear is keen on: the level with all turned down that the ear hears poorly, bass above all, against the "
    "level of the whole.",
    "Attack: the time from 10 to 90 % of the loudest moment; the hand that strikes decides most of it.",
)
MEANING = (
    PLUS_MINUS,
    "Of strums ± is that of the mean, from their scatter. Of plucks it is the error of the reading; for their decays, "
    "how far the plucks of that string scatter, unknown with a single one.",
    *STRUM_MEANING,
    "Levels of bands are taken against the whole stroke, so how hard it was struck plays little part. The microphone "
    "and the room colour them: compare only what was recorded alike.",
    DECAY_MEANING,
    "Decay of a partial: of its two motions, early of the one louder at first, late of the one that rings longest.",
    "Beating: the string moves up and down and across at slightly different pitch. Two motions nearer than half a beat "
    "in the time read pass for one; the stated error allows for that.",
    "Tuning: how far above (+) or below (-) the note of the string, in equal temperament from A4 = 440 Hz.",
    "Partials: the overtones of a string, the fundamental counted as the first. Those of a stiff string lie sharp; "
    "shown is how far the tenth stands above ten times the first. Stiffer strings have more; old or dirty ones stray.",
    f"For those who check: {UNCERTAINTY}; brightness is the spectral centroid by amplitude, and by power; the share "
    "the ear is keen on is the level after A-weighting (IEC 61672); early and late decay are EDT and T20 of ISO "
    "3382-1; partial n lies at n f0 √(1 + B n²), where B is the inharmonicity.",
)
HEARING = (
    "Likely heard: the whole 95 % interval lies beyond what a typical listener begins to notice, back to back. Real, "
    "perhaps heard: there is a difference, but the error is too large to say whether it is noticed.",
    "What is noticed is from memory or abstracts: brightness 10 % (3 % by the trained), a band 2 dB (1 to 3), decay of "
    "strings 25 % (5 to 40 %, sources disagree).",
    "There is no overall score. Your ear decides.",
)


def strum_rows(reading: ToneReading) -> list[tuple[str, ...]]:
    """One row for each measure over the strums, in the order of STRUM_HEADINGS."""
    total = len(reading.strums) or max((mean.n_strokes for mean in reading.means), default=0)
    return [
        (mean.measure, with_error(mean.value, mean.u, unit=mean.value_unit), f"{mean.n_strokes} of {total}")
        for mean in strum_means(reading)
    ]


def pluck_rows(reading: ToneReading) -> list[tuple[str, ...]]:
    """One row for each pluck, the lowest string first, in the order of PLUCK_HEADINGS."""
    return [_pluck_row(pluck, plucks) for plucks in reading.by_string.values() for pluck in plucks]


def _pluck_row(pluck: PluckReading, fellows) -> tuple[str, ...]:
    note, tone = pluck.note, pluck.tone
    read = [p for p in note.partials if p.lines]
    beating = sum(p.shape == "beats" for p in read)
    return (
        pluck.string,
        f"{tone.time_s:.1f} s",
        f"{'+' * (pluck.cents >= 0)}{with_error(pluck.cents, pluck.cents_u, unit='cents')}",
        _decay_text(tone.decay_early, [fellow.tone.decay_early for fellow in fellows]),
        _decay_text(tone.decay_late, [fellow.tone.decay_late for fellow in fellows]),
        f"{beating} of {len(read)}",
        with_error(tone.centroid.settled_hz, tone.centroid.settled_u_hz, unit="Hz"),
        _sharp_text(note),
    )


def _sharp_text(note) -> str:
    """How far the tenth partial stands above ten times the first: 600 log2((1 + 100 B) / (1 + B)) cents."""
    b = note.inharmonicity
    if not note.inharmonicity_u > 0:
        return f"unknown: {note.reason}"
    slope = 600 / log(2) * (100 / (1 + 100 * b) - 1 / (1 + b))
    return with_error(600 * log2((1 + 100 * b) / (1 + b)), slope * note.inharmonicity_u, unit="cents")


def partial_rows(pluck: PluckReading) -> list[tuple[str, ...]]:
    """One row for each partial, in the order of PARTIAL_HEADINGS."""
    rows = []
    for p in pluck.note.partials:
        early, late = (with_error(x.decay_time_s, x.decay_time_u_s, unit="s") if x else "" for x in (p.early, p.late))
        what = f"beats {p.beat_hz:.2g} times a second" if p.shape == "beats" else p.shape
        frequency = with_error(p.frequency_hz, p.frequency_u_hz if p.early else float("nan"), unit="Hz")
        rows.append(
            (
                str(p.number),
                frequency,
                f"{p.level_db:.0f} dB",
                early,
                "" if p.late == p.early else late,
                what or f"cannot tell: {p.reason}",
            )
        )
    return rows


def difference_rows(differences: tuple[ToneDifference, ...]) -> list[tuple[str, ...]]:
    """One row for each measure, in the order of DIFFERENCE_HEADINGS."""
    return [
        (
            d.measure,
            with_error(d.build, d.build_u, unit=d.value_unit),
            with_error(d.reference, d.reference_u, unit=d.value_unit),
            _difference_text(d),
            d.verdict,
            d.reason,
        )
        for d in differences
    ]


def _difference_text(d: ToneDifference) -> str:
    places = 1 if d.unit == "dB" else 0
    if not isfinite(d.value):
        return "unknown"
    if not isfinite(d.low):
        return f"{d.value:+.{places}f} {d.unit}, error unknown"
    value, low, high = (f"{round(x, places) + 0.0:+.{places}f}" for x in (d.value, d.low, d.high))
    return f"{value} {d.unit} (95 %: {low} to {high})"


def _decay_text(decay, fellows) -> str:
    """A decay with the scatter of the plucks of its string as its error; one alone shows none."""
    if not isfinite(decay.decay_time_s):
        return f"unknown: {decay.reason.replace('T20', 'late decay').replace('EDT', 'early decay')}"
    known = [log(each.decay_time_s) for each in fellows if isfinite(each.decay_time_s)]
    scatter = stdev(known) if len(known) > 1 else float("nan")
    if not scatter > 0:
        return f"{decay.decay_time_s:.2g} s, error unknown"
    return with_error(decay.decay_time_s, decay.decay_time_s * scatter, unit="s")


def count_text(reading: ToneReading) -> str:
    """'3 strums and 6 plucks kept, 2 strokes or files left out'."""
    if reading.means:
        return f"means over {_many(max(mean.n_strokes for mean in reading.means), 'strum')}, kept in a profile"
    kept = f"{_strokes(reading)} kept"
    left = len(reading.rejected)
    return f"{kept}, {_many(left, 'stroke or file', 'strokes or files')} left out" if left else f"{kept}, none left out"


def _strokes(reading: ToneReading) -> str:
    return f"{_many(len(reading.strums), 'strum')} and {_many(len(reading.plucks), 'pluck')}"


def _many(n, one, several=None) -> str:
    return f"{n} {one if n == 1 else several or one + 's'}"


def remarks(reading: ToneReading) -> list[str]:
    """What was noticed: notes of the whole, and those that strokes have in common with their number."""
    counted: dict[str, int] = {}
    for tone in (*reading.strums, *(pluck.tone for pluck in reading.plucks)):
        for note in tone.notes:
            counted[note] = counted.get(note, 0) + 1
    return [*reading.notes, *(f"{_many(n, 'stroke')}: {note}." for note, n in counted.items())]


def tone_text(reading: ToneReading, *, compared: bool = False) -> str:
    """All of a reading for the terminal; its strums only unless they stand in a comparison already."""
    parts = [f"{one_line(reading.name)}: {count_text(reading)}."]
    if reading.strums and not compared:
        parts += ["", text_table(STRUM_HEADINGS, strum_rows(reading)), "", DECAY_MEANING, *STRUM_MEANING]
    if reading.plucks:
        parts += ["", text_table(PLUCK_HEADINGS, pluck_rows(reading))]
        parts += [] if reading.strums else ["", DECAY_MEANING]
        parts += _plucked_once(reading)
    parts += ["", *map(one_line, remarks(reading))] if remarks(reading) else []
    if reading.rejected:
        parts += ["", "Left out:", *(f"  {line}" for line in left_out_lines(reading.rejected))]
    return "\n".join(parts)


def _plucked_once(found: ToneReading | ToneComparison) -> list[str]:
    """A sentence on the strings plucked only once, where there are such."""
    if isinstance(found, ToneReading):
        once, where, told = [s for s, p in found.by_string.items() if len(p) == 1], "", "its decays have no error"
    else:
        once = [string for string, differences in found.plucks if _single(differences)]
        where, told = " on one of the guitars", "no difference can be told"
    more = f"One pluck shows no scatter, so {told}; pluck each string at least twice, better five times."
    return [f"Plucked only once{where}: {', '.join(once)}. {more}"] if once else []


def comparison_text(comparison: ToneComparison) -> str:
    """All of a comparison for the terminal."""
    first, *more = comparison.summary
    parts = [f"{one_line(comparison.build.name)} beside {one_line(comparison.reference.name)}: {first}", *more]
    if comparison.strums:
        parts += ["", "Strums", text_table(DIFFERENCE_HEADINGS, difference_rows(comparison.strums))]
        parts += ["", DECAY_MEANING, *STRUM_MEANING]
    for string, differences in comparison.plucks:
        if not _single(differences):
            parts += ["", f"String {string}", text_table(DIFFERENCE_HEADINGS, difference_rows(differences))]
    parts += ["", *once] if (once := _plucked_once(comparison)) else []
    return "\n".join([*parts, "", *map(one_line, _other_cautions(comparison))])


def _other_cautions(comparison) -> list[str]:
    """Those that do not stand in the summary already."""
    return [caution for caution in comparison.cautions if caution not in comparison.summary]


def _single(differences) -> bool:
    """Whether a string was plucked once only on one of the guitars."""
    return max(min(d.n_build, d.n_reference) for d in differences) < 2


# ---- plain data ------


def tone_data(reading: ToneReading) -> dict:
    """A reading as plain dictionaries."""
    return {
        "name": reading.name,
        "strums": [_stroke_data(tone) for tone in reading.strums],
        "strum_means": [vars(mean) for mean in strum_means(reading)],
        "plucks": [
            {
                **_stroke_data(pluck.tone),
                "string": pluck.string,
                "tuning_cents": pluck.cents,
                "tuning_u_cents": pluck.cents_u,
                **picked(pluck.note, "frequency_hz frequency_u_hz inharmonicity inharmonicity_u"),
                "partials": [
                    {**picked(p, "number frequency_hz level_db shape reason"), "lines": list(map(vars, p.lines))}
                    for p in pluck.note.partials
                ],
            }
            for pluck in reading.plucks
        ],
        "rejected": [{"file": r.source, "time_s": r.time_s, "reason": r.reason} for r in reading.rejected],
        "sources": dict(reading.sources),
        "parameters": dict(reading.parameters),
        "notes": remarks(reading),
        "version": reading.version,
    }


def _stroke_data(tone) -> dict:
    return {
        "file": tone.source,
        "time_s": tone.time_s,
        "centroid_amplitude_hz": tone.centroid.settled_hz,
        "centroid_amplitude_u_hz": tone.centroid.settled_u_hz,
        "centroid_power_hz": tone.centroid_by_power.settled_hz,
        "third_octave_hz": tone.bands.mid_hz,
        "third_octave_relative_db": tone.relative_db,
        "level_db": tone.bands.whole_db,
        "level_a_weighted_db": tone.bands.a_weighted_db,
        "balance_db": tone.balance_db,
        "attack_s": tone.attack_s,
        "decay_early_s": tone.decay_early.decay_time_s,
        "decay_late_s": tone.decay_late.decay_time_s,
        "notes": list(tone.notes),
    }


def comparison_data(comparison: ToneComparison) -> dict:
    """A comparison as plain dictionaries."""
    return {
        "build": comparison.build.name,
        "reference": comparison.reference.name,
        "summary": list(comparison.summary),
        "strums": [vars(d) for d in comparison.strums],
        "plucks": {string: [vars(d) for d in found] for string, found in comparison.plucks},
        "cautions": list(comparison.cautions),
        "thresholds": {name: vars(figure) for name, figure in vars(comparison.thresholds).items()},
    }


# ---- pages ------


def tone_page(reading: ToneReading) -> Page:
    """The report of one guitar's strums and plucks."""
    parts = [box([f"{count_text(reading)}."]), *_pieces(reading, picture=True)]
    parts += ["<h2>What the figures mean</h2>", bullets(MEANING)]
    title, stem = f"Strums and plucks of {reading.name}", f"{file_word(reading.name)}_tone"
    done, identity = f"Read {_strokes(reading)} of {reading.name}", identity_of(title, sources=reading.sources)
    return Page(title, "\n".join(parts), stem, identity, reading.version, done=done)


def comparison_page(comparisons: tuple[ToneComparison, ...]) -> Page:
    """The report of a build beside one reference or several, one after the other."""
    build = comparisons[0].build
    both = (build, *(c.reference for c in comparisons))
    names = " and ".join(c.reference.name for c in comparisons)
    parts = []
    for c in comparisons:
        alt = f"{c.build.name} beside {c.reference.name}: third octaves, brightness and differences of the strums. "
        parts += [f"<h2>Beside {escape(c.reference.name)}</h2>", box(c.summary)]
        parts.append(image(plot_tone_comparison(c), alt + " ".join(c.summary)))
        if c.strums:
            parts += ["<h3>Strums</h3>", table(DIFFERENCE_HEADINGS, difference_rows(c.strums))]
        parts.append(paragraphs(_plucked_once(c)))
        for string, found in c.plucks:
            inner = table(DIFFERENCE_HEADINGS, difference_rows(found))
            parts.append(f"<details><summary>Plucks of string {escape(string)}</summary>{inner}</details>")
        parts += ["<h3>Before you trust a difference</h3>", f'<div class="caution">{bullets(_other_cautions(c))}</div>']
    parts += ["<h2>What the figures mean</h2>", bullets(MEANING + HEARING)]
    for reading in both:
        parts += [f"<h2>{escape(reading.name)}</h2>", *_pieces(reading)]
    stem = f"{file_word(build.name)}_tone_beside_{'_and_'.join(file_word(c.reference.name) for c in comparisons)}"
    identity = identity_of("tone", *(identity_of(each.name, sources=each.sources) for each in both))
    done = f"Compared {_strokes(build)} of {build.name} with those of {names}"
    return Page(f"Tone of {build.name} beside {names}", "\n".join(parts), stem, identity, build.version, done=done)


def _pieces(reading, *, picture=False) -> list[str]:
    parts = []
    if picture and (reading.strums or reading.plucks):
        alt = f"{reading.name}: {count_text(reading)}; third octaves, brightness over time and decays of the partials"
        parts.append(image(plot_tone(reading), alt))
    else:
        parts.append(f"<p>{escape(count_text(reading))}.</p>")
    parts.append(bullets(remarks(reading)))
    said = dict(reading.parameters.get("conditions", {}))
    if reading.strums or reading.means:
        parts += ["<h3>Strums</h3>", table(STRUM_HEADINGS, strum_rows(reading))]
    if reading.plucks:
        parts += ["<h3>Plucks</h3>", table(PLUCK_HEADINGS, pluck_rows(reading))]
        parts.append(paragraphs(_plucked_once(reading)))
        for plucks in reading.by_string.values():
            for number, pluck in enumerate(plucks, start=1):
                which = f"{pluck.string}, pluck {number}" if len(plucks) > 1 else pluck.string
                inner = table(PARTIAL_HEADINGS, partial_rows(pluck), grey=(2,))
                parts.append(f"<details><summary>Partials of {escape(which)}</summary>{inner}</details>")
    parts += basis(reading.rejected, said, reading.sources, version=reading.version)
    return [part for part in parts if part]
