"""A guitar over time in pictures and on a page: what is drawn is what was found."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.dates import date2num

from luthkit.guitar.follow import follow
from luthkit.guitar.forecast import Settled, look_back
from luthkit.guitar.repeat_study import repeat_study
from luthkit.shop.history import read_history
from luthkit.show import history as words
from luthkit.show.data import to_json
from luthkit.show.forms.history import find_histories, history_form, start_form
from luthkit.show.plots.history import plot_course, plot_falls, plot_following, plot_readings
from luthkit.show.words import with_error

HOME = Path(__file__).parent.parent.parent
SAMPLE = HOME / "sample_audio" / "build_four_over_time"


@pytest.fixture(scope="module")
def following():
    return follow(read_history(SAMPLE))


def drawn(ax, label):
    found = [box for box in ax.containers if box.get_label().startswith(label)]
    return found[0].lines[0].get_xydata() if found else None


def test_readings_are_drawn_as_they_are(following):
    course = following.of("frequency")[1]
    ax = plot_readings(course)
    points = drawn(ax, "as read")
    assert points[:, 1] == pytest.approx(np.exp(course.series.value_log))
    first = date2num(following.history.occasions[0].date)
    assert points[:, 0] == pytest.approx(first + course.series.day)
    assert "main top" in ax.get_title(loc="left") and ax.get_ylabel() == "frequency in Hz"
    assert any("strings changed" in text.get_text() for text in ax.texts)


def test_the_course_is_drawn_with_its_band_and_its_rest(following):
    course = following.of("damping")[0]
    ax = plot_course(course)
    assert drawn(ax, "corrected")[:, 1] == pytest.approx(100 * np.exp(course.corrected_log))
    assert drawn(ax, "at rest")[0, 1] == pytest.approx(100 * np.exp(course.settled_log.value))
    low, high = ax.collections[0].get_paths()[0].vertices[:, 1].min(), ax.lines[0].get_ydata()
    assert low < high.min()
    rest = next(box for box in ax.containers if box.get_label().startswith("at rest"))
    ends = rest.lines[2][0].get_segments()[0][:, 1]
    assert ends == pytest.approx(100 * np.exp([course.settled_log.low, course.settled_log.high]))


def test_raw_and_corrected_stand_side_by_side_on_one_scale(following):
    axes = plot_following(following)
    assert len(axes) == 10
    for left, right in zip(axes[::2], axes[1::2], strict=True):
        assert left.get_ylim() == right.get_ylim() and left.get_xlim() == right.get_xlim()
        assert "as read" in left.get_title(loc="left") and "weather" in right.get_title(loc="left")


def test_the_page_tells_it_in_words(following):
    page = words.following_page(following)
    assert page.title == "Build Four over time" and page.stem == "Build-Four_over_time"
    assert page.body.count("data:image/png;base64") == 2 and "<table>" in page.body
    assert page.body.startswith('<div class="short"><p>Build Four may have settled') and "repairer" in page.body
    assert all(mode in page.body for mode in following.history.mode_names)
    text = words.following_text(following)
    assert "Brought to the mean of the sessions: mass 2" in text and " fell by " in text
    assert text.startswith("Build Four may have settled")
    row = next(line for line in text.splitlines() if line.startswith("long dipole"))
    assert row.count(" ± ") == 2  # the last reading, and with the weather taken out
    data = words.following_data(following)
    assert "NaN" not in to_json(data) and "Infinity" not in to_json(data)
    assert [c["mode"] for c in data["courses"]][:2] == ["air", "main top"]


def test_modes_with_the_same_outlook_share_a_line(following):
    lines = words.outlook_lines(following)
    kinds = {course.shape for course in following.of("frequency")}
    assert 1 <= len(lines) <= len(kinds) < len(following.outlooks)
    assert any("from the last reading on" in line for line in lines)
    assert all(" ".join(lines).count(f" {mode} at most") == 1 for mode in following.history.mode_names)


def test_with_too_few_sessions_it_shows_what_was_read_and_no_more():
    history = read_history(SAMPLE)
    few = follow(replace(history, occasions=history.occasions[:2], notes=("one was left out",)))
    text, page = words.following_text(few), words.following_page(few)
    for said in (text, page.body):
        assert "too few sessions" in said and "cannot tell" not in said and "Looking ahead" not in said
        assert "one was left out" in said and "2021-03-02" in said
        for mode in history.occasions[0].modes.values():
            assert with_error(mode.frequency_hz, mode.frequency_u_hz, unit="Hz") in said
    assert "<img" not in page.body and page.body.count("<table>") == 1


def test_falls_are_drawn_with_the_new_guitar_last():
    guitars = [Settled(f"Build {k}", 0.01 * k, 0.004) for k in (1, 2, 3, 4)]
    start = look_back(196.0, 0.5, guitars)
    ax = plot_falls(start, guitars)
    assert [text.get_text() for text in ax.get_yticklabels()][-1] == "a new guitar"
    values = [box.lines[0].get_xdata()[0] for box in ax.containers]
    assert values == pytest.approx([-1, -2, -3, -4, -100 * start.fall_log])
    page = words.start_page("main top", start, guitars)
    assert "must start between" in page.body and "Build 4" in page.body and "<img" in page.body


def test_the_repeat_study_in_words():
    rng = np.random.default_rng(0)
    rows = [
        dict(mode="air", day=d, hanging=h, frequency_hz=100 * np.exp(rng.normal(0, 0.003)), damping_ratio=0.01)
        for d in range(3) for h in range(3) for _ in range(2)
    ]  # fmt: skip
    text = words.repeat_text(repeat_study(rows))
    assert "hung up again" in text and "nothing touched" in text and "another hand" in text


@pytest.mark.usefixtures("blank_pictures")
def test_the_forms_start_on_the_samples(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)  # where choices are remembered
    found = find_histories(HOME)
    assert len(found) == len(set(found)) >= 2 and any("build_four_over_time" in path for path in found)
    for form, word in ((history_form(start=HOME), "Build Four"), (start_form(start=HOME), "a new guitar")):
        texts = [str(child.value) for child in form.children if hasattr(child, "value")]
        assert any('data-done="1"' in text for text in texts), texts
        assert any(word in text and "<img" in text and "<table>" in text for text in texts)


def test_a_form_says_what_is_wrong(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    form = start_form(start=HOME)
    mode = next(child for child in form.children if getattr(child, "description", "") == "Name of the mode")
    go = next(
        b for box in form.children if hasattr(box, "children") for b in box.children if b.description == "Look back"
    )
    mode.value = "no such mode"
    go.click()
    assert any("has no mode" in str(getattr(child, "value", "")) for child in form.children)
