"""Strums of a build beside a reference: known differences, honest errors, cautions."""

from dataclasses import replace

import numpy as np
import pytest

from luthkit.errors import LuthkitError
from luthkit.guitar.played import ToneReading, read_pluck
from luthkit.guitar.profile import kept_tone
from luthkit.guitar.repeat_study import combine
from luthkit.guitar.thresholds import Figure
from luthkit.guitar.tone_comparison import ToneThresholds, _mean, _Measure, compare_tone, student_t
from luthkit.guitar.verdicts import CANNOT_TELL, HEARD, OPEN, UNHEARD, WITHIN
from luthkit.signal.recording import Recording
from luthkit.signal.stroke_tone import read_stroke
from luthkit.signal.strokes import find_strokes

RATE = 22_050


def strums(n, *, seed, brighter=1.0, decay=1.0, scatter=0.03):
    """Tones of n made strums; `brighter` lifts the upper partials, `scatter` is how much they differ."""
    rng = np.random.default_rng(seed)
    pieces = [np.zeros(RATE // 2)]
    t = np.arange(3 * RATE) / RATE
    for _ in range(n):
        lift, rate = brighter * np.exp(scatter * rng.standard_normal()), decay * np.exp(scatter * rng.standard_normal())
        partials = [(k, (lift if k > 5 else 1.0) / k) for k in range(1, 25)]
        sound = sum(
            a * np.sin(2 * np.pi * 110 * k * t + rng.uniform(0, 6)) * np.exp(-4 / rate * t) for k, a in partials
        )
        pieces.append(0.1 * sound)
    x = np.concatenate(pieces)
    x += 1e-5 * rng.standard_normal(x.size)
    found = find_strokes(Recording.from_samples(x, RATE, name=f"made {seed}"))
    assert len(found.strokes) == n
    return tuple(read_stroke(s) for s in found.strokes)


def guitar(name, tones, plucks=(), *, points=("a fifth",), **conditions):
    said = {"strings_age_h": 10, **conditions}
    return ToneReading(name, tones, plucks, (), {name: name}, {"conditions": said, "pluck_points": points}, "0")


def by_name(comparison):
    return {d.measure: d for d in comparison.strums}


def test_one_guitar_twice_shows_no_difference():
    found = by_name(compare_tone(guitar("A", strums(8, seed=1)), guitar("B", strums(8, seed=2))))
    assert {d.verdict for d in found.values()} <= {WITHIN, CANNOT_TELL, UNHEARD, OPEN}
    assert found["late decay"].verdict == WITHIN
    assert found["brightness"].verdict == WITHIN


def test_a_profile_is_compared_as_the_guitar_it_was_drawn_from():
    build, old = guitar("A", strums(6, seed=1, brighter=3.0)), guitar("B", strums(5, seed=2), strings_age_h=100)
    direct, kept = compare_tone(build, old), compare_tone(build, kept_tone(old))
    assert not kept.reference.strums and len(kept.strums) == len(direct.strums)
    for one, other in zip(kept.strums, direct.strums, strict=True):
        assert (one.measure, one.verdict, one.n_reference) == (other.measure, other.verdict, 5)
        ours, theirs = ([d.value, d.u, d.low, d.high, d.reference, d.reference_u] for d in (one, other))
        assert ours == pytest.approx(theirs, rel=1e-9, abs=1e-9)
    assert set(direct.cautions) < set(kept.cautions) and any("no plucks" in caution for caution in kept.cautions)
    single = compare_tone(build, kept_tone(guitar("B", strums(1, seed=2))))
    assert {d.verdict for d in single.strums} == {CANNOT_TELL}


def test_differences_that_are_there_are_told():
    bright = guitar("A", strums(8, seed=1, brighter=3.0, decay=2.0))
    found = by_name(compare_tone(bright, guitar("B", strums(8, seed=2))))
    assert found["brightness"].verdict == HEARD and found["brightness"].value > 20
    assert found["late decay"].verdict == HEARD
    assert found["late decay"].low < 100 < found["late decay"].high  # twice as long: +100 %
    assert found["1 to 4 kHz"].value > 4 and found["1 to 4 kHz"].unit == "dB"
    summary = compare_tone(bright, guitar("B", strums(8, seed=2))).summary
    assert summary[0].startswith("Likely heard: ") and "late decay (+" in summary[0]
    dull = compare_tone(
        bright,
        guitar("B", strums(8, seed=2)),
        thresholds=replace(ToneThresholds(), decay_heard=Figure(9, 9, 9, "", "")),
    )
    assert "late decay" not in dull.summary[0]
    assert dull.summary[1].startswith("Real, likely unheard: ") and "late decay (+" in dull.summary[1]


def test_the_summary_says_what_the_table_says_and_of_the_strings_first():
    old = guitar("A", strums(8, seed=1, brighter=1.3, decay=1.2), strings_age_h=60)
    found = compare_tone(old, guitar("B", strums(8, seed=2)))
    first, heard, *more = found.summary
    assert first in found.cautions and "60 h on A" in first
    assert heard.startswith(("Likely heard, be it the guitar or the strings: ", "No difference of the strums is sure"))
    named = {d.measure: sentence for sentence in (heard, *more) for d in found.strums if f"{d.measure} (" in sentence}
    starts = {
        HEARD: "Likely heard",
        UNHEARD: "Real, likely unheard: ",
        OPEN: f"{OPEN.capitalize()}: ",
    }
    assert {d.verdict for d in found.strums if d.measure in named} >= {UNHEARD, OPEN}
    for d in found.strums:
        if d.measure in named:
            assert named[d.measure].startswith(starts[d.verdict])
        else:
            assert d.verdict == WITHIN or d.reason == "the error is too large"


def test_a_slower_attack_is_told():
    tones = strums(6, seed=1)
    quick = guitar("B", tuple(replace(t, attack_s=0.02 * f) for t, f in zip(tones, (1, 1.1) * 3, strict=True)))
    slow = guitar("A", tuple(replace(t, attack_s=0.06 * f) for t, f in zip(tones, (1, 1.1) * 3, strict=True)))
    found = by_name(compare_tone(slow, replace(quick, sources={"B": "other"})))["attack (more the hand's)"]
    assert found.value == pytest.approx(200, rel=1e-6) and found.unit == "%"  # three times as long
    assert found.low < 200 < found.high and found.verdict == HEARD


def test_the_scatter_of_the_strums_is_in_the_error():
    calm = by_name(compare_tone(guitar("A", strums(5, seed=1)), guitar("B", strums(5, seed=2))))
    wild = by_name(
        compare_tone(guitar("A", strums(5, seed=1, scatter=0.4)), guitar("B", strums(5, seed=2, scatter=0.4)))
    )
    assert wild["late decay"].u > 5 * calm["late decay"].u
    assert wild["late decay"].verdict == CANNOT_TELL


def test_intervals_hold_the_truth_as_often_as_they_say():
    """Means of three and four normal values: 95 % intervals by Student's t, Welch and Satterthwaite."""
    rng = np.random.default_rng(0)
    plain, inside = _Measure("x", "", "", lambda v: (v, 0.0), ratio=False), 0
    for _ in range(400):
        a, b = (_mean(plain, rng.normal(5.0, s, n)) for s, n in ((1.0, 3), (0.3, 4)))
        u, dof = combine([a.u, b.u], [2, 3])
        inside += abs(a.value - b.value) < student_t(dof) * u
    assert 0.93 <= inside / 400 <= 0.985


def test_effective_degrees_of_freedom_are_those_of_the_gum():
    """JCGM 100:2008, example G.4.1 (from memory): 0.25 %, 0.57 %, 0.82 % from 10, 5, 15 readings: t = 2.093."""
    assert student_t(combine([0.25, 0.57, 0.82], [9, 4, 14])[1]) == pytest.approx(2.093, abs=0.001)


def test_one_strum_tells_nothing():
    found = compare_tone(guitar("A", strums(1, seed=1)), guitar("B", strums(5, seed=2)))
    assert {d.verdict for d in found.strums} == {CANNOT_TELL}
    assert all("at least two" in d.reason and np.isnan(d.u) for d in found.strums)
    assert "more strums" in found.summary[1]


def test_thresholds_are_the_makers_to_change():
    bright, plain = guitar("A", strums(8, seed=1, brighter=1.3)), guitar("B", strums(8, seed=2))
    mine = replace(ToneThresholds(), centroid_heard=Figure(0.01, 0.01, 0.01, "own trial", "measured"))
    assert by_name(compare_tone(bright, plain))["brightness"].verdict != HEARD
    assert by_name(compare_tone(bright, plain, thresholds=mine))["brightness"].verdict == HEARD
    for name in ("centroid_heard", "level_heard_db", "decay_heard"):
        figure = getattr(ToneThresholds(), name)
        assert figure.source and figure.certainty and figure.low <= figure.value <= figure.high


@pytest.mark.parametrize(
    ("mine", "theirs", "words"),
    [
        ({"strings_age_h": 2}, {"strings_age_h": 60}, "not of one age: 2 h on A, 60 h on B"),
        ({"strings_age_h": None}, {}, "Nobody noted the age of the strings of A"),
        ({"player": "one"}, {"player": "two"}, "Not the same player"),
        ({"room": "shop"}, {"room": "hall"}, "Not the same room"),
        ({"points": ("a fifth",)}, {"points": ("the bridge",)}, "Not plucked at the same place"),
        ({"points": ()}, {}, "Nobody noted where the strings were plucked"),
    ],
)
def test_what_differed_beside_the_guitars_is_said(mine, theirs, words):
    tones = strums(2, seed=1)
    found = compare_tone(guitar("A", tones, **mine), guitar("B", tones, **theirs))
    assert any(words in caution for caution in found.cautions)
    plain = compare_tone(guitar("A", tones), guitar("B", tones))
    assert not any(words in caution for caution in plain.cautions)
    assert "not another player" in plain.cautions[-1]


def pluck_of(string, seed, rate_per_s=1.5):
    rng = np.random.default_rng(seed)
    t = np.arange(4 * RATE) / RATE
    f0 = {"E2": 82.41, "A2": 110.0}[string]
    sound = sum(np.sin(2 * np.pi * f0 * k * t + rng.uniform(0, 6)) * np.exp(-rate_per_s * t) / k for k in range(1, 12))
    x = np.concatenate([np.zeros(RATE // 2), 0.1 * sound]) + 1e-5 * rng.standard_normal(t.size + RATE // 2)
    (stroke,) = find_strokes(Recording.from_samples(x, RATE, name=f"{string}_{seed}.wav"), kind="pluck").strokes
    return read_pluck(stroke, read_stroke(stroke))[0]


def test_plucks_are_compared_string_by_string():
    mine = tuple(pluck_of(s, k, 1.5) for s in ("A2", "E2") for k in (1, 2, 3))
    theirs = tuple(pluck_of("E2", k, 0.75) for k in (4, 5, 6))
    found = compare_tone(guitar("A", (), mine), guitar("B", (), theirs))
    assert found.strums == () and [name for name, _ in found.plucks] == ["E2"]
    decay = {d.measure: d for d in found.plucks[0][1]}["partials, early decay"]
    assert decay.verdict == HEARD and decay.low < -50 < decay.high  # half as long
    with pytest.raises(LuthkitError, match="in common"):
        compare_tone(guitar("A", (), mine[:3]), guitar("B", (), theirs))


def test_strings_and_strums_that_disagree_on_brightness_are_named():
    mine, theirs = (tuple(pluck_of("E2", k) for k in seeds) for seeds in ((1, 2, 3), (4, 5, 6)))
    for brighter, disagree in ((3.0, True), (1.0, False)):
        build = guitar("A", strums(6, seed=1, brighter=brighter), mine)
        told = " ".join(compare_tone(build, guitar("B", strums(6, seed=2), theirs)).summary)
        assert ("single strings (E2) disagree: they are different strokes" in told) is disagree


def test_the_same_recordings_cannot_differ():
    tones = strums(2, seed=1)
    one = guitar("A", tones)
    assert any("cannot differ" in c for c in compare_tone(one, one).cautions)
