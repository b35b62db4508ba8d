"""Strums and plucks shown: what is drawn, said and written, on the sample guitars."""

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from luthkit.cli import main
from luthkit.guitar.profile import kept_tone
from luthkit.guitar.tone_comparison import compare_tone
from luthkit.guitar.verdicts import CANNOT_TELL
from luthkit.shop.tone_reading import read_tone
from luthkit.show import tone as shown
from luthkit.show.data import to_json
from luthkit.show.forms import tone_form
from luthkit.show.page import page_html
from luthkit.show.plots import tone as plots
from luthkit.show.words import with_error

SAMPLE = Path(__file__).resolve().parents[2] / "sample_audio"


@pytest.fixture(scope="module")
def guitars():
    return read_tone(SAMPLE / "build_seven"), read_tone(SAMPLE / "reference_marlpit")


@pytest.fixture(scope="module")
def comparison(guitars):
    return compare_tone(*guitars)


def test_a_profile_beside_a_build_is_shown_by_its_means(guitars):
    build, reference = guitars
    kept = compare_tone(build, kept_tone(reference))
    page = shown.comparison_page((kept,))
    assert "means over 8 strums, kept in a profile" in page.body and "data:image/png" in page.body
    assert shown.strum_rows(kept.reference) == shown.strum_rows(reference)


def test_third_octaves_are_drawn_with_their_scatter(guitars):
    ax = plots.plot_third_octaves(guitars)
    bars = ax.containers
    assert len(bars) == 2 and bars[0].has_yerr
    levels = np.array([tone.relative_db for tone in guitars[0].strums])
    mean = levels.mean(axis=0)
    shown_db = bars[0].lines[0].get_ydata()
    np.testing.assert_allclose(shown_db, mean[np.isfinite(mean) & (mean > -60)])
    segments = bars[0].lines[2][0].get_segments()
    half = (segments[5][1][1] - segments[5][0][1]) / 2  # 2.3646: Student's t, seven degrees of freedom, 95 %
    assert half == pytest.approx(2.3646 * levels[:, 5].std(ddof=1) / np.sqrt(8), rel=1e-3)
    assert "dB" in ax.get_ylabel() and "Hz" in ax.get_xlabel()
    assert "Build Seven (8 strums)" in ax.get_legend_handles_labels()[1]


def test_the_centroid_is_drawn_over_time_and_settled(guitars):
    ax = plots.plot_centroids(guitars)
    settled = [line for line in ax.lines if len(line.get_xdata()) == 2]
    means = [np.mean([tone.centroid.settled_hz for tone in guitar.strums]) for guitar in guitars]
    assert [line.get_ydata()[0] for line in settled] == pytest.approx(means)
    assert len(ax.lines) == 16 + 2 and ax.get_ylabel().startswith("brightness in Hz")


def test_partials_are_drawn_early_and_late(guitars):
    ax = plots.plot_partials(guitars[0])
    assert set(ax.get_legend_handles_labels()[1]) == set(guitars[0].by_string)
    drawn = {
        (round(float(x), 3), round(float(y), 4))
        for bar in ax.containers
        for x, y in zip(*bar.lines[0].get_data(), strict=True)
    }
    partial = guitars[0].by_string["G3"][0].note.partials[0]
    for line in (partial.early, partial.late):
        assert (round(line.frequency_hz, 3), round(line.decay_time_s, 4)) in drawn
    assert ax.get_ylabel().endswith("in s")


def test_differences_are_drawn_in_steps_that_are_noticed(comparison):
    ax = plots.plot_tone_differences(comparison.strums, comparison.thresholds)
    band = next(k for k, d in enumerate(comparison.strums) if d.measure == "500 to 1000 Hz")
    d = comparison.strums[band]
    bars = [line for line in ax.lines if len(line.get_xdata()) == 2 and set(line.get_ydata()) == {band}]
    assert bars[0].get_xdata() == pytest.approx([d.low / 2.0, d.high / 2.0])  # 2 dB is what is noticed
    assert [t.get_text().split("  ")[0] for t in ax.get_yticklabels()] == [d.measure for d in comparison.strums]


def test_the_text_tells_each_number_with_its_error(guitars):
    once = replace(guitars[0], plucks=tuple(plucks[0] for plucks in guitars[0].by_string.values()))
    text = shown.tone_text(once)
    assert "8 strums and 6 plucks kept, none left out" in text
    mean = np.mean([np.log(t.centroid.settled_hz) for t in guitars[0].strums])
    assert f"\nbrightness                {np.exp(mean):.0f} ± " in text
    for string in ("E2", "A2", "D3", "G3", "B3", "E4"):
        assert f"\n{string}  " in text
    assert "± 0.0" in text and "cents" in text and "A4 = 440 Hz" in text and "error unknown" in text
    assert "Plucked only once: E2, A2" in text
    for each in (once, replace(once, strums=()), replace(once, plucks=())):
        assert shown.tone_text(each).count("\nDecay: the time") == 1


def test_decays_of_a_string_plucked_twice_have_their_scatter_for_error(guitars):
    one, *rest = (plucks[0] for plucks in guitars[0].by_string.values())
    other = next(p for p in guitars[1].plucks if p.string == one.string)
    twice = replace(guitars[0], plucks=(one, other, *rest))
    row = next(row for row in shown.pluck_rows(twice) if row[0] == one.string)
    times = [p.tone.decay_early.decay_time_s for p in (one, other)]
    u = times[0] * abs(np.log(times[0] / times[1])) / np.sqrt(2)
    assert row[3] == with_error(times[0], u, unit="s")
    assert one.string not in shown.tone_text(twice).split("only once: ")[1].splitlines()[0]


def test_inharmonicity_is_told_in_cents_of_the_tenth_partial(guitars):
    """Partial n lies at n f0 sqrt(1 + B n^2): Fletcher and Rossing, Physics of Musical Instruments (from memory)."""
    pluck = guitars[0].plucks[0]
    b, u = pluck.note.inharmonicity, pluck.note.inharmonicity_u

    def sharp(b):
        first, tenth = (n * np.sqrt(1 + b * n**2) for n in (1, 10))
        return 1200 * np.log2(tenth / (10 * first))

    row = next(row for row in shown.pluck_rows(guitars[0]) if row[0] == pluck.string)
    u = (sharp(b + u) - sharp(b - u)) / 2
    assert row[-1] == with_error(sharp(b), u, unit="cents")


def test_what_is_heard_stands_first(tmp_path, capsys):
    assert main(["tone", str(SAMPLE / "build_seven"), "--reference", str(SAMPLE / "reference_marlpit")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Build Seven beside Marlpit: The strings were not of one age: 6 h on Build Seven, 8 h on Mar")
    first, *lines = out.splitlines()
    assert lines[0].startswith("Likely heard, be it the guitar or the strings: brightness of single strings (A2 -24 %")
    assert first.count("not of one age") == out.count("not of one age") == 1
    assert out.count("\nattack (more") == 1 and out.count("\nAttack: the time from") == 1
    assert not re.search(
        r"± 0?\.?0*[2-9]\d", out.split("\nStrums")[1].replace(" cents", "")
    )  # one figure, two after a 1
    assert out.count("\nDecay: the time the sound would take to fall by 60 dB") == 1
    assert "\nOn brightness the strums and single strings (A2, G3, B3, E4) disagree" in out and "-0.00 " not in out
    assert out.index("\nearly decay") < out.index("\n80 to 250 Hz") < out.index("\nbrightness")


def test_the_comparison_says_what_cannot_be_told(guitars, comparison):
    text = shown.comparison_text(comparison)
    assert "6 h on Build Seven, 8 h on Marlpit" in text
    assert CANNOT_TELL in text and "String E2" in text and "Plucked only once" not in text
    once = replace(guitars[0], plucks=tuple(plucks[0] for plucks in guitars[0].by_string.values()))
    text = shown.comparison_text(compare_tone(once, guitars[1]))
    assert "Plucked only once on one of the guitars: E2, A2, D3, G3, B3, E4." in text and "String E2" not in text


@pytest.mark.usefixtures("blank_pictures")
def test_no_word_of_the_trade_of_sound_stands_unexplained(guitars, comparison):
    """What an engineer calls it stands behind the maker's word, in brackets, in the list of what the figures mean."""
    for page in (shown.tone_page(guitars[0]), shown.comparison_page((comparison,))):
        shown_words, meaning = page.body.split("What the figures mean</h2>")[0], " ".join(shown.MEANING)
        for word in ("centroid", "A-weighting", "nharmonicity"):
            assert word not in shown_words and word in meaning


def test_pages_hold_pictures_tables_and_no_address(guitars, comparison):
    for page in (shown.tone_page(guitars[0]), shown.comparison_page((comparison,))):
        html = page_html(page)
        assert "data:image/png;base64," in html and "<table>" in html and 'alt="' in html
        assert "http" not in html.replace("http-equiv", "") and "<script" not in html
        assert "ISO 3382-1" in html
    assert "no overall score" in html
    assert page.stem == "Build-Seven_tone_beside_Marlpit"
    assert shown.tone_page(guitars[0]).identity != shown.tone_page(guitars[1]).identity


def test_json_is_whole_and_has_no_nan(guitars, comparison):
    data = json.loads(to_json({**shown.tone_data(guitars[0]), "references": [shown.comparison_data(comparison)]}))
    assert len(data["strums"]) == 8 and len(data["plucks"]) == 18
    assert data["plucks"][0]["partials"][0]["lines"][0]["decay_time_s"] > 0
    assert {d["measure"] for d in data["references"][0]["strums"]} >= {"late decay", "1 to 4 kHz"}
    assert data["references"][0]["thresholds"]["decay_heard"]["certainty"]


def test_the_command(tmp_path, capsys):
    report = tmp_path / "report.html"
    strums = str(SAMPLE / "build_seven" / "strums" / "E_major.flac")
    assert main(["tone", strums, "--report", str(report)]) == 0
    out = capsys.readouterr().out
    assert "8 strums and 0 plucks kept" in out and f"Report: {report}" in out and report.exists()
    assert (
        main(["tone", str(SAMPLE / "build_seven"), "--reference", str(SAMPLE / "reference_quillback"), "--json"]) == 0
    )
    data = json.loads(capsys.readouterr().out)
    assert data["references"][0]["reference"] == "Quillback" and data["report"] is None


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["/nowhere"], 2, "does not exist"),
        ([str(SAMPLE / "build_seven"), str(SAMPLE / "reference_marlpit")], 2, "--reference"),
        ([str(SAMPLE / "build_seven"), "--reference", "/nowhere"], 2, "does not exist"),
    ],
)
def test_misuse_is_one_sentence(arguments, code, words, capsys):
    assert main(["tone", *arguments]) == code
    error = capsys.readouterr().err
    assert words in error and error.count("\n") == 1


def test_silence_is_nothing_usable(tmp_path, capsys):
    import soundfile

    soundfile.write(tmp_path / "still.wav", np.zeros(44_100), 44_100)
    assert main(["tone", str(tmp_path / "still.wav")]) == 1
    assert "silence" in capsys.readouterr().err


@pytest.mark.usefixtures("blank_pictures")
def test_the_form_reads_at_once_and_again(tmp_path, monkeypatch):
    shop = tmp_path / "sample_audio"
    for name in ("build_seven", "reference_marlpit"):
        (shop / name).mkdir(parents=True)
        (shop / name / "strums").symlink_to(SAMPLE / name / "strums")
        (shop / name / "session.toml").write_text(f'guitar = "{name}"\nkind = "strum"\n', encoding="utf-8")
    taps = shop / "taps_only"
    taps.mkdir()
    (taps / "t.flac").symlink_to(SAMPLE / "build_seven/taps/bass_wing_1.flac")
    (taps / "session.toml").write_text('guitar = "no strums"\nkind = "tap"\n', encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    form = tone_form(start=tmp_path)
    parts = {}
    todo = [form]
    while todo:
        part = todo.pop()
        todo += getattr(part, "children", ())
        parts[getattr(part, "description", "") or next(iter(part._dom_classes), "")] = part
    assert [label for label, _ in parts["Build"].options if "taps_only" in label] == []
    assert 'data-done="1"' in parts["luthkit-status"].value and "beside" in parts["luthkit-page"].value.lower()
    parts["References"].value = ()
    parts["Read strums and plucks"].click()
    assert 'data-done="2"' in parts["luthkit-status"].value and "<img" in parts["luthkit-page"].value
    parts["or a build elsewhere"].value = "/nowhere"
    parts["Read strums and plucks"].click()
    assert "/nowhere does not exist" in parts["luthkit-status"].value
