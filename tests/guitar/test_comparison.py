"""Comparison of hand-made mode sets: what is paired, how the errors add up, what is said."""

from dataclasses import replace
from math import exp, isnan, log, nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.guitar.comparison import compare
from luthkit.guitar.naming import name_modes, overrule
from luthkit.guitar.pairing import Candidate, pair_up, pairing_cost, pattern_likeness, track
from luthkit.guitar.thresholds import Figure, Thresholds
from luthkit.guitar.verdicts import CANNOT_TELL, HEARD, IN_RANGE, OPEN, UNHEARD, WITHIN, sum_up
from luthkit.signal.modes import Mode, ModeSet
from luthkit.signal.notes import cents


def mode(frequency_hz, damping_ratio=0.02, *, u=0.001, damping_u=0.03, kind="body", notes=()):
    return Mode(
        frequency_hz=frequency_hz,
        frequency_u_hz=frequency_hz * u,
        damping_ratio=damping_ratio,
        damping_ratio_u=damping_ratio * damping_u,
        level_db=0.0,
        level_u_db=1.0,
        kind=kind,
        notes=notes,
    )


def modeset(*modes, name="", taps=8, placements=3, **more):
    return ModeSet(
        modes=tuple(m if isinstance(m, Mode) else mode(m) for m in modes),
        taps_accepted=taps,
        rejected=(),
        placements=placements,
        sources={},
        parameters={},
        version="0",
        name=name,
        **more,
    )


def only(comparison):
    (pair,) = comparison.pairs
    return pair


# --- the arithmetic ---


def test_uncertainty_of_a_difference_is_the_root_sum_of_squares():
    # JCGM 100:2008, 5.1.2 (clause from memory): u^2(y) = sum of u^2(x_i) for y = x1 - x2
    pair = only(compare(modeset(mode(200, u=0.004)), modeset(mode(200, u=0.003))))
    assert pair.frequency.u == pytest.approx(1200 / log(2) * 0.005)
    assert pair.frequency.high - pair.frequency.low == pytest.approx(2 * 1.96 * pair.frequency.u)


def test_a_single_placement_adds_the_scatter_it_cannot_show():
    thresholds = Thresholds()
    build, reference = mode(200, u=0.0005, damping_u=0.01), mode(200, u=0.0005, damping_u=0.01)
    several = only(compare(modeset(build), modeset(reference)))
    single = only(compare(modeset(build, placements=1), modeset(reference, placements=1)))
    expected = sqrt(2 * (0.0005**2 + thresholds.frequency_rehung.value**2))
    assert single.frequency.u == pytest.approx(1200 / log(2) * expected)
    assert single.damping.u == pytest.approx(100 * sqrt(2 * (0.01**2 + 0.125**2)), rel=1e-6)
    assert single.frequency.u > 1.5 * several.frequency.u


def test_another_room_is_never_seen_within_one_set():
    build, reference = modeset(200, placements=5), modeset(200, placements=5)
    rehung = only(compare(build, reference))
    moved = only(compare(build, reference, thresholds=Thresholds(setting="other room")))
    assert moved.frequency.u > 3 * rehung.frequency.u


def test_damping_difference_is_a_ratio_and_its_interval_is_symmetrical_in_the_logarithm():
    pair = only(compare(modeset(mode(200, 0.03)), modeset(mode(200, 0.02))))
    d = pair.damping
    assert d.value == pytest.approx(50)
    assert (1 + d.high / 100) * (1 + d.low / 100) == pytest.approx(1.5**2)


# --- the verdicts ---


@pytest.mark.parametrize(
    ("shift", "u", "verdict", "words"),
    [
        (0.0, 0.001, WITHIN, ""),
        (0.002, 0.001, WITHIN, ""),
        (0.006, 0.001, UNHEARD, ""),
        (0.012, 0.001, UNHEARD, "best listeners"),
        (0.020, 0.001, OPEN, ""),
        (0.030, 0.001, HEARD, ""),
        (-0.030, 0.001, HEARD, ""),
        (0.0, 0.02, CANNOT_TELL, "from within repeatability to likely heard"),
    ],
)
def test_verdict_on_frequency(shift, u, verdict, words):
    # 1 % best, 2 to 3 % typical listeners: Woodhouse, Manuel, Smith, Wheble & Fritz 2012, figures from memory
    d = only(compare(modeset(mode(200 * (1 + shift), u=u)), modeset(mode(200, u=u)))).frequency
    assert d.verdict == verdict
    assert words in d.reason
    assert bool(d.reason) == bool(words)


@pytest.mark.parametrize(
    ("ratio", "u", "verdict"),
    [
        (1.0, 0.03, WITHIN),
        (1.2, 0.01, UNHEARD),
        (1.6, 0.03, HEARD),
        (1 / 1.6, 0.03, HEARD),
        (1.3, 0.05, OPEN),
        (1.3, 0.2, CANNOT_TELL),
    ],
)
def test_verdict_on_damping(ratio, u, verdict):
    # Q: 20 % best, 30 to 50 % typical listeners: the same paper, figures from memory
    own = replace(Thresholds(), damping_rehung=Figure(u, u, u, "test", "test"))
    build, reference = mode(200, 0.02 * ratio, damping_u=u), mode(200, 0.02, damping_u=u)
    assert only(compare(modeset(build), modeset(reference), thresholds=own)).damping.verdict == verdict


@pytest.mark.parametrize(("build_taps", "reference_taps", "who"), [(2, 8, "new one: 2"), (8, 1, "old one: 1")])
def test_fewer_than_three_taps_cannot_tell_and_says_on_which_side(build_taps, reference_taps, who):
    comparison = compare(
        modeset(220, name="new one", taps=build_taps), modeset(200, name="old one", taps=reference_taps)
    )
    for d in (only(comparison).frequency, only(comparison).damping):
        assert d.verdict == CANNOT_TELL
        assert who in d.reason and "fewer than 3" in d.reason


def test_no_uncertainty_cannot_tell():
    d = only(compare(modeset(mode(215, damping_u=nan)), modeset(200)))
    assert (d.frequency.verdict, d.damping.verdict) == (HEARD, CANNOT_TELL)
    assert "no uncertainty" in d.damping.reason and isnan(d.damping.low)


@given(
    shift=st.floats(-0.08, 0.08),
    u=st.floats(1e-4, 0.02),
    ratio=st.floats(0.4, 2.5),
    placements=st.integers(1, 5),
)
def test_swapping_build_and_reference_turns_the_sign_and_keeps_the_verdict(shift, u, ratio, placements):
    one = modeset(mode(200, u=u), placements=placements)
    two = modeset(mode(200 * exp(shift), 0.02 * ratio, u=u), placements=placements)
    there, back = only(compare(one, two)), only(compare(two, one))
    assert there.frequency.value == pytest.approx(-back.frequency.value, abs=1e-9)
    assert there.frequency.verdict == back.frequency.verdict
    assert there.damping.verdict == back.damping.verdict
    if there.frequency.verdict == HEARD:
        assert abs(there.frequency.value) > cents(1.02, 1)
    if there.frequency.verdict == WITHIN:
        assert there.frequency.low <= 0 <= there.frequency.high


def test_one_guitar_read_twice_is_seldom_called_different():
    """One guitar drawn 400 times with the stated errors: about 5 % may fall outside, no more."""
    rng = np.random.default_rng(7)
    wrong = 0
    for _ in range(400):
        a, b = 200 * np.exp(0.002 * rng.standard_normal(2))
        pair = only(compare(modeset(mode(a, u=0.002)), modeset(mode(b, u=0.002))))
        assert pair.frequency.verdict != HEARD
        wrong += pair.frequency.verdict == UNHEARD
    assert 6 <= wrong <= 36  # 20 expected; 3.7 standard deviations either way


# --- pairing ---


def test_pairs_are_one_to_one_and_what_lies_too_far_stays_alone():
    comparison = compare(modeset(100, 200, 215, 500), modeset(101, 203, 300))
    assert [(p.build.frequency_hz, p.reference.frequency_hz) for p in comparison.pairs] == [
        (100, pytest.approx(101)),
        (200, pytest.approx(203)),
    ]
    assert [m.frequency_hz for m in comparison.build_only] == [215, 500]
    assert [b.frequency_hz for b in comparison.reference_only] == [pytest.approx(300)]


def test_the_least_total_cost_wins_over_the_nearest_neighbour():
    # nearest neighbour would give 205 to 204 and leave 198 without a partner
    first = [Candidate(198, 0.02), Candidate(205, 0.02)]
    second = [Candidate(204, 0.02), Candidate(212, 0.02)]
    assert [(i, j) for i, j, _ in pair_up(first, second)] == [(0, 0), (1, 1)]


def test_the_same_distance_makes_a_pair_among_few_modes_and_none_in_a_crowd():
    shift = 2 ** (100 / 1200)  # one semitone
    assert len(compare(modeset(100, 200 * shift), modeset(100, 200)).pairs) == 2
    crowd = [700 * 2 ** (80 * k / 1200) for k in range(6)]
    strange = crowd[5] * 2 ** (130 / 1200)
    comparison = compare(modeset(*crowd[:5], strange), modeset(*crowd))
    assert [p.build.frequency_hz for p in comparison.pairs] == crowd[:5]
    assert [m.frequency_hz for m in comparison.build_only] == [strange]


def test_damping_of_two_modes_in_one_peak_is_not_judged():
    # half the half-power width of a peak at 500 Hz with a damping ratio of 2 % is 10 Hz
    alone = compare(modeset(mode(500, 0.04)), modeset(mode(500, 0.02))).pairs[0]
    apart = compare(modeset(mode(500, 0.04), 530), modeset(mode(500, 0.02), 530)).pairs[0]
    blended = compare(modeset(mode(500, 0.04), 509), modeset(mode(500, 0.02), 530)).pairs[0]
    other_side = compare(modeset(mode(500, 0.04), 530), modeset(mode(500, 0.02), 509)).pairs[0]
    assert alone.damping.verdict == apart.damping.verdict == HEARD
    for pair in (blended, other_side):
        assert pair.damping.verdict == CANNOT_TELL and "by guess (50" in pair.damping.reason


def test_the_pattern_over_the_positions_decides_where_frequency_cannot():
    places = ("bridge centre", "bass wing", "treble wing")
    together = np.array([1, 0.9, 0.9], dtype=complex)
    against = np.array([0.05, 1, -1], dtype=complex)
    build = modeset(230, 240, positions=places, amplitudes=np.array([together, against]))
    reference = modeset(228, 238, positions=places, amplitudes=np.array([against, together]))
    pairs = compare(build, reference).pairs
    assert [round(p.reference.frequency_hz) for p in pairs] == [238, 228]
    plain = compare(modeset(230, 240), modeset(228, 238)).pairs
    assert [round(p.reference.frequency_hz) for p in plain] == [228, 238]


def test_pattern_likeness_does_not_mind_scale_or_turned_sign():
    a = Candidate(200, 0.02, (("x", 1 + 0j), ("y", 0.5j)))
    b = Candidate(200, 0.02, (("x", -2 + 0j), ("y", -1j)))
    c = Candidate(200, 0.02, (("x", 0.5 + 0j), ("y", -1j)))
    assert pattern_likeness(a, b) == pytest.approx(1)
    assert pattern_likeness(a, c) == pytest.approx(0, abs=1e-12)
    assert isnan(pattern_likeness(a, Candidate(200, 0.02, (("x", 1 + 0j),))))
    assert pairing_cost(a, c) > pairing_cost(a, b)


def test_a_pairing_that_could_as_well_be_another_says_so_and_claims_no_difference():
    pair = only(compare(modeset(204), modeset(199, 209)))
    assert any("another pairing" in note for note in pair.notes)
    assert pair.frequency.verdict == CANNOT_TELL and "may not be the same mode" in pair.frequency.reason
    assert pair.damping.verdict == WITHIN
    assert only(compare(modeset(204), modeset(199))).frequency.verdict == HEARD
    assert only(compare(modeset(204), modeset(205))).notes == ()


def test_room_and_string_lines_are_listed_and_not_judged():
    comparison = compare(modeset(100, mode(147, kind="string"), name="new"), modeset(100, mode(60, kind="room")))
    assert len(comparison.pairs) == 1
    assert [(who, m.kind) for who, m in comparison.set_aside] == [("new", "string"), ("reference 1", "room")]


# --- several references ---


def test_several_references_make_a_band_and_inside_it_nothing_is_amiss():
    a, b, c = modeset(190, name="a"), modeset(200, name="b"), modeset(195, name="c")
    pair = only(compare(modeset(198), [a, b, c]))
    band = pair.reference
    assert (band.frequency_low_hz, band.frequency_high_hz) == (pytest.approx(190), pytest.approx(200))
    assert band.frequency_hz == pytest.approx((190 * 195 * 200) ** (1 / 3))
    assert [name for name, _ in band.members] == ["a", "b", "c"]
    assert pair.frequency.verdict == IN_RANGE
    assert pair.frequency.range_low < pair.frequency.value < pair.frequency.range_high


def test_outside_the_band_only_the_way_to_its_edge_counts():
    references = [modeset(190), modeset(200)]
    near = only(compare(modeset(201.6), references)).frequency
    assert near.value > cents(1.03, 1)  # 3.4 % from the mean, which would be heard, but 0.8 % from the edge
    assert near.verdict == UNHEARD
    assert only(compare(modeset(207), references)).frequency.verdict == HEARD


def test_the_order_of_the_references_changes_nothing():
    sets = [
        modeset(100, 192, 260, name="a"),
        modeset(103, 200, name="b"),
        modeset(99, 196, 255, 400, name="c"),
    ]
    there, back = (compare(modeset(101, 195, 258), order).pairs for order in (sets, sets[::-1]))
    for one, two in zip(there, back, strict=True):
        assert one.frequency.value == pytest.approx(two.frequency.value)
        assert one.frequency.verdict == two.frequency.verdict
        assert {n for n, _ in one.reference.members} == {n for n, _ in two.reference.members}


def test_a_mode_that_only_some_references_have_says_so():
    pair = only(compare(modeset(260), [modeset(190, 260), modeset(192)]))
    assert "found on 1 of 2 references" in pair.notes


# --- the summary, the thresholds, bad use ---


def test_the_summary_names_what_is_heard_what_is_not_and_what_cannot_be_told():
    build = modeset(100, 206, mode(300, 0.03, damping_u=0.4), 500)
    text = " ".join(compare(build, modeset(100, 200, 300, 700)).summary)
    assert "Likely heard: frequency at 206 Hz (main top, +51 cents, 95 % interval +" in text
    assert "frequency at 100 and 300 Hz" in text
    assert "cannot be told" in text and "damping at 300 Hz" in text
    assert "1 of the build and 1 of the reference" in text


def test_what_is_heard_and_what_is_real_comes_first_with_names():
    build, reference = modeset(100, 206, 301.5), modeset(100, 200, 300)
    names = ("air", "main top", "main back")
    pairs = [replace(p, name=name) for p, name in zip(compare(build, reference).pairs, names, strict=True)]
    for verdict in (UNHEARD, OPEN):
        pairs[2] = replace(pairs[2], frequency=replace(pairs[2].frequency, verdict=verdict))
        first, *more = sum_up(pairs, (), (), 1)
        assert first.endswith(f"{verdict.capitalize()}: frequency at 302 (main back) Hz.")
    assert first.startswith("Likely heard: frequency at 206 Hz (main top, +51 cents, 95 % interval +")
    assert more[0].startswith("Within repeatability, so no difference is shown: frequency at 100 Hz")


def test_nothing_paired_is_said_plainly():
    comparison = compare(modeset(100), modeset(500))
    assert comparison.pairs == ()
    assert "nothing can be compared" in comparison.summary[0]


def test_every_threshold_has_a_value_in_its_range_a_source_and_a_certainty():
    figures = Thresholds().figures()
    assert len(figures) == 12
    for name, figure in figures:
        assert name and figure.low <= figure.value <= figure.high
        assert figure.source and "from memory" in figure.certainty


def test_a_repeat_study_of_some_modes_is_told():
    own = replace(Thresholds(), modes=("air", "main top"))
    build, reference = modeset(100, 200), modeset(101, 205)
    told = [compare(build, reference, thresholds=each).cautions for each in (own, Thresholds())]
    assert ["holds air and main top only" in " ".join(each) for each in told] == [True, False]


def test_repeat_limit_is_two_point_eight_standard_deviations():
    # ISO 5725-6: repeatability limit r = 2.8 s_r (from memory); 1.96 sqrt(2) = 2.77
    assert Thresholds().repeat_limit_log() == pytest.approx(2.8 * 0.125, rel=0.02)


def test_bad_use_says_what_is_allowed():
    with pytest.raises(LuthkitError, match="name at least one reference"):
        compare(modeset(100), [])
    with pytest.raises(LuthkitError, match=r"old one has no modes \(8 taps were kept\)"):
        compare(modeset(100), modeset(name="old one"))
    with pytest.raises(LuthkitError, match=r"next door.*same set-up, re-hung"):
        Thresholds(setting="next door")
    with pytest.raises(LuthkitError, match="positive fraction"):
        Figure(-1, 0, 0, "", "")


def test_a_pair_bears_the_name_that_is_given_and_modes_without_a_name_stay_in():
    comparison = compare(modeset(103, 196, 620), modeset(100, 190, 610))
    assert [pair.name for pair in comparison.pairs] == ["air", "main top", ""]
    assert [naming.modeset for naming in comparison.namings] == [comparison.build, *comparison.references]


def test_of_two_that_would_do_the_one_of_the_name_is_taken():
    """One mode read as two, 106.1 and 106.7 Hz: frequency alone takes the nearer."""
    build, reference = modeset(mode(106.1), mode(106.7), 196), modeset(107.5, 190)
    named = [overrule(name_modes(each), hz, "air", "so") for each, hz in ((build, 106.1), (reference, 107.5))]
    pair = compare(build, reference, namings=named).pairs[0]
    assert (pair.name, pair.build.frequency_hz, pair.notes) == ("air", 106.1, ())
    tracked = track([reference, build, reference], [{0: "air"}, {0: "air"}, {0: "air"}])
    assert tracked[1][0] == "air" and "air" not in (tracked[1].get(1), tracked[1].get(2))


def test_names_that_gainsay_each_other_make_a_pair_unsure():
    build, reference = modeset(103, 205), modeset(100, 193)
    agreed = compare(build, reference)
    mine = overrule(name_modes(build), 205, "main back", "tapped behind")
    apart = compare(build, reference, namings=[mine])
    assert [pair.name for pair in agreed.pairs] == ["air", "main top"]
    assert agreed.pairs[1].frequency.verdict == HEARD
    assert apart.pairs[1].name == "" and apart.pairs[1].frequency.verdict == CANNOT_TELL
    assert "main back on" in apart.pairs[1].frequency.reason and "main top on" in apart.pairs[1].frequency.reason
    assert apart.pairs[0] == agreed.pairs[0]
