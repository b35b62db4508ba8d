"""A reference profile: as good as the guitars it was drawn from, in a file that reads back equal."""

import json
import re
import tomllib
from dataclasses import replace
from math import exp, isclose, log, nan, sqrt

import numpy as np
import pytest

from luthkit.errors import LuthkitError
from luthkit.guitar.comparison import compare
from luthkit.guitar.played import ToneMean, ToneReading
from luthkit.guitar.profile import make_profile, merge_sessions
from luthkit.shop.cache import to_plain
from luthkit.shop.profile_file import profile_text, read_profile, write_profile
from luthkit.show.report import report_page
from luthkit.show.words import comparison_text
from luthkit.signal.modes import Mode, ModeSet
from luthkit.signal.taps import Rejection


def make_set(name, *, stretch=1.0, damping=0.02, u=0.001, taps=8, drop=(), **conditions):
    """A mode set of written-down numbers, with an amplitude pattern over three places."""
    frequencies = [f for f in (101.0, 196.0, 224.0, 330.0) if f not in drop]
    modes = tuple(Mode(f * stretch, f * u, damping, 0.05 * damping, -3.0, 0.5) for f in frequencies)
    pattern = np.random.default_rng(1).standard_normal((4, 3)) + 0.1j
    return ModeSet(
        modes=modes,
        taps_accepted=taps,
        rejected=(),
        placements=2,
        sources={"a.wav": "0" * 64},
        parameters={"band_hz": (60.0, 1000.0), "conditions": conditions},
        version="0.1.0",
        name=name,
        positions=("bridge centre", "bass wing", "treble wing"),
        amplitudes=pattern[: len(modes)],
        notes=("one placement only",),
    )


OLD, OLDER = make_set("Old", relative_humidity_percent=47), make_set("Older", stretch=1.01, damping=0.018)
BUILD = make_set("Build", stretch=1.03, damping=0.03)


def numbers(comparison):
    return json.dumps(
        to_plain((comparison.pairs, comparison.build_only, comparison.reference_only, comparison.summary))
    )


@pytest.mark.usefixtures("blank_pictures")
def test_a_build_beside_a_profile_is_judged_as_beside_its_guitars(tmp_path):
    profile = make_profile("Old spruce", [OLD, OLDER])
    path = write_profile(profile, tmp_path)
    assert path.name == "Old spruce.toml"
    direct = compare(BUILD, [OLD, OLDER])
    assert len(direct.pairs) == 4
    for reference in (profile, read_profile(path), [read_profile(path)]):
        through = compare(BUILD, reference)
        assert numbers(through) == numbers(direct)
        assert through.cautions == direct.cautions
        assert through.called == ("Build", "Old spruce") and direct.called == ("Build", "Old", "Older")
        assert report_page(through).title == "Build beside Old spruce"
        assert comparison_text(through).startswith("Build beside Old spruce\n")
    mixed = compare(BUILD, [make_profile("One", [OLD]), OLDER])
    assert numbers(mixed) == numbers(direct) and mixed.called == ("Build", "One", "Older")
    assert compare(BUILD, [profile, make_set("Third")]).called == ("Build", "Old spruce", "Third")


def test_what_was_left_out_of_its_guitars_is_still_told(tmp_path):
    lost = (Rejection("a.wav", 1.25, "double hit"), Rejection("b.wav", None, "silent"))
    worse = replace(OLD, rejected=lost)
    profile = read_profile(write_profile(make_profile("One", [worse, OLD, OLDER]), tmp_path))
    assert [guitar.rejected for guitar in profile.guitars] == [lost, ()]
    said = comparison_text(compare(BUILD, profile))
    older = tmp_path / "older.toml"  # written before this was kept
    older.write_text(re.sub(r"(?ms)^left_out = .*?^(?=placements)", "", profile_text(profile)))
    assert "left_out" not in older.read_text()
    assert [guitar.rejected for guitar in read_profile(older).guitars] == [(), ()]
    assert "Old: 16 taps kept, 2 left out" in said and "Older: 8 taps kept, none left out" in said


def test_sessions_of_one_guitar_become_one():
    sessions = [
        make_set("Old", stretch=s, temperature_c=t, mallet="cork") for s, t in ((1, 20), (1.004, 21), (1.002, 19))
    ]
    sessions[2] = replace(sessions[2], modes=sessions[2].modes[:3], amplitudes=sessions[2].amplitudes[:3])
    one = merge_sessions(sessions)
    assert [round(mode.frequency_hz, 1) for mode in one.modes] == [101.2, 196.4, 224.4, 330.7]
    logs = [log(101 * s) for s in (1, 1.004, 1.002)]
    mean = sum(logs) / 3
    scatter = sqrt(sum((x - mean) ** 2 for x in logs) / 2 / 3)
    assert isclose(one.modes[0].frequency_hz, exp(mean)) and isclose(one.modes[0].frequency_u_hz, exp(mean) * scatter)
    assert isclose(one.modes[0].damping_ratio_u, 0.001 / sqrt(3)), "no scatter: the sessions' own errors"
    assert "mean of 2 of 3 sessions" in one.modes[3].notes
    assert (one.taps_accepted, one.placements, len(one.sources)) == (24, 6, 3)
    assert one.parameters["conditions"] == {"mallet": "cork", "temperature_c": 20.0}
    profile = make_profile("x", [*sessions, OLDER])
    assert [guitar.name for guitar in profile.guitars] == ["Old", "Older"]
    assert [band.n_references for band in profile.bands] == [2] * 4


def test_a_mode_that_few_sessions_show_is_left_out():
    few = [make_set("Old", drop=(224.0,)), make_set("Old", drop=(224.0,)), make_set("Old")]
    assert [round(mode.frequency_hz) for mode in merge_sessions(few).modes] == [101, 196, 330]


def test_the_file_reads_back_equal_and_can_be_read_by_people(tmp_path):
    odd = replace(OLD, name='Söhne "x"\n', modes=(replace(OLD.modes[0], damping_ratio_u=nan), *OLD.modes[1:]))
    mean = ToneMean("brightness", "Hz", 901.5, nan, 1)
    tone = {odd.name: ToneReading(odd.name, (), (), (), {}, {"conditions": {}, "pluck_points": ()}, "0", means=(mean,))}
    profile = make_profile("Old: spruce?", [odd, OLDER], tone=tone)
    path = write_profile(profile, tmp_path)
    back = read_profile(path)
    assert profile_text(back) == profile_text(profile)
    assert (
        json.dumps(to_plain(back.tone[odd.name].means)) == json.dumps(to_plain((mean,)))
        and back.guitars[0].name == odd.name
    )
    np.testing.assert_array_equal(back.guitars[0].amplitudes, OLD.amplitudes)
    assert np.isnan(back.guitars[0].modes[0].damping_ratio_u)
    said = tomllib.loads(path.read_text(encoding="utf-8"))
    assert said["guitar"][0]["conditions"] == {"relative_humidity_percent": 47}
    band = said["band"][0]
    assert (band["frequency_low_hz"], band["frequency_high_hz"]) == (101.0, 102.01)
    with pytest.raises(LuthkitError, match="exists already"):
        write_profile(profile, path)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("profile = 1", "profile = 2", "get a newer luthkit"),
        ("profile = 1", "", "this luthkit knows 1"),
        ("taps = 8", 'taps = "many"', "is damaged"),
        ("damping_ratio = 0.02\n", "damping_ratio = -0.02\n", "is damaged"),
        ("frequency_hz = 101.0\n", "", "is damaged"),
        ('name = "', "name = ", 'line 7: name = p"; a quote is not closed'),
    ],
)
def test_a_damaged_profile(tmp_path, old, new, words):
    path = tmp_path / "p.toml"
    text = profile_text(make_profile("p", [OLD]))
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(LuthkitError, match=words):
        read_profile(path)


def test_a_profile_of_nothing():
    for name, sessions, words in (
        ("", [OLD], "needs a name"),
        ("x", [], "at least one"),
        ("x", [replace(OLD, modes=())], "no modes"),
    ):
        with pytest.raises(LuthkitError, match=words):
            make_profile(name, sessions)
