"""Numbers in words, tables for the terminal, dictionaries for JSON."""

import json
from dataclasses import replace
from math import inf, nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luthkit._text import one_line
from luthkit.guitar.comparison import compare
from luthkit.guitar.naming import name_modes
from luthkit.show import data, words


@given(st.floats(1e-3, 1e4), st.floats(1e-6, 1e3))
def test_rounding_moves_a_value_by_a_quarter_of_its_error_at_most(value, u):
    # at most two figures of the uncertainty: JCGM 100:2008, 7.2.6 (from memory); one of 2 hides most
    shown, error = (float(part) for part in words.with_error(value, u).split(" ± "))
    assert abs(shown - value) <= 0.26 * u + 1e-12 * value
    assert abs(error - u) <= 0.26 * u
    assert len(words.with_error(value, u).split(" ± ")[1].replace(".", "").strip("0")) <= 2


@pytest.mark.parametrize(
    ("u", "shown"),
    [
        (0.0414, "0.04"),
        (0.0199, "0.02"),
        (0.0149, "0.015"),
        (0.0996, "0.10"),
        (9.96, "10"),
        (57.0, "57"),
        (143.0, "140"),
    ],
)
def test_one_figure_of_the_error_is_shown_and_two_after_a_1(u, shown):
    assert words.with_error(5414.2, u).split(" ± ")[1] == shown


def test_no_error_is_said_and_not_shown_as_zero():
    assert words.with_error(196.3, nan, unit="Hz") == "196.3 Hz, error unknown"
    assert words.with_error(196.3, 0.0) == "196.3, error unknown"
    assert words.with_error(-0.004, 0.02) == "0.00 ± 0.02"
    assert words.with_error(-0.0, nan) == "0, error unknown"
    assert words.with_error(nan, 1.0) == "unknown"


def test_table_for_the_terminal_lines_up():
    text = words.text_table(("a", "bb"), [("1\n22", "x"), ("333", "y\nz")]).splitlines()
    assert text == ["a    bb", "---  --", "1    x", "22", "333  y", "     z"]


def test_text_for_the_terminal_says_what_was_left_out_and_cannot_break_lines(build, comparison):
    from dataclasses import replace

    text = words.modes_text(replace(build, name="bad\nname\x1b[31m"))
    assert text.startswith("bad\\nname\\x1b[31m: 8 taps kept, 2 left out, 2 placements\n")
    assert "taps/<3>.wav at 0.52 s: clipped" in text and "a.wav: silence" in text
    text = words.comparison_text(comparison)
    assert all(sentence in text for sentence in comparison.summary)
    assert "Read only" not in text and "Not judged, string: 146.8 Hz on old" in text
    alone = words.alone_lines(replace(comparison, build_only=(comparison.build.modes[0],)))
    assert alone[0].startswith("Read only on the build: ") and "may be there all the same" in alone[1]


def test_one_line_shows_control_characters():
    assert one_line("a\tb\udcff") == "a\\tb\\udcff"
    assert one_line("Söhne 年輪") == "Söhne 年輪"


def test_json_of_modes_is_sorted_and_has_null_for_nan(build):
    from dataclasses import replace

    found = json.loads(data.to_json(data.modeset_data(replace(build, modes=build.modes[::-1]))))
    frequency = [mode["frequency_hz"] for mode in found["modes"]]
    assert frequency == sorted(frequency) and len(frequency) == 4
    assert found["modes"][-1]["damping_ratio_u"] is None
    assert found["modes"][0]["q_factor"] == pytest.approx(25)
    assert found["taps"]["accepted"] == 8
    assert found["taps"]["rejected"][0] == {
        "file": "taps/<3>.wav",
        "time_s": 0.52,
        "reason": "clipped: 5 samples & more",
    }
    assert found["parameters"]["band_hz"] == [60, 1000]


def test_json_of_a_comparison_carries_verdicts_cautions_and_thresholds(comparison):
    found = json.loads(data.to_json(data.comparison_data(comparison)))
    pair = found["pairs"][0]
    assert pair["frequency"]["verdict"] == comparison.pairs[0].frequency.verdict
    assert pair["frequency"]["difference_cents"] == pytest.approx(comparison.pairs[0].frequency.value)
    assert len(pair["reference"]["members"]) == 2
    assert found["thresholds"]["frequency_heard_typical"]["value"] == 0.02
    assert found["names"]["references"] == ["old", "older"]


def test_the_first_sentence_names_air_top_and_back_with_their_errors(build):
    said = [
        (mode.frequency_hz, name, "seen") for mode, name in zip(build.modes, ("air", "x", "main top"), strict=False)
    ]
    naming = name_modes(build, said=[word for word in said if word[1] != "x"])
    named = {one.name for one in naming.modes}
    first, second = words.mode_summary(build, naming)
    assert first.startswith("Air 104.03 ± 0.10 Hz, main top 201.9 ± 0.2 Hz")
    assert ("main back: cannot tell." in first) is ("main back" not in named)
    assert second == words.mode_summary(build)[0] and "body modes found" in second
    nameless = replace(naming, modes=())
    assert words.mode_summary(build, nameless)[0] == "Air, main top and main back: cannot tell."
    assert first in words.modes_text(build, naming)


def test_json_takes_what_is_no_json():
    odd = {"a": np.float64(nan), "b": np.arange(2), "c": inf, "d": {1: (2,)}, "e": "\udcff", "f": object}
    found = json.loads(data.to_json(odd))
    assert found["a"] is None and found["b"] == [0, 1] and found["c"] is None and found["d"] == {"1": [2]}


def test_how_far_beyond_the_nearest_of_several_references(build, references):
    comparison = compare(build, references)
    seen = 0
    for pair in comparison.pairs:
        d = replace(pair.frequency, verdict="likely heard")
        text = words.verdict_text(d)
        if len(pair.reference.members) > 1 and not d.range_low <= d.value <= d.range_high:
            edges = [1200 * np.log2(pair.build.frequency_hz / m.frequency_hz) for _, m in pair.reference.members]
            assert text == f"likely heard\n({min(edges, key=abs):+.0f} cents from the nearest)"
            seen += 1
        else:
            assert text == "likely heard"
        assert words.verdict_text(replace(d, verdict="cannot tell")) == "cannot tell"
    assert seen
    one = compare(build, references[:1])
    assert not any("nearest" in words.verdict_text(d) for p in one.pairs for d in (p.frequency, p.damping))
