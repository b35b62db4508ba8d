"""The repeat study in the logbook: from recordings of known scatter to a table, and who finds it."""

import datetime
import shutil
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from luthkit import LuthkitError, Thresholds, simulate
from luthkit.guitar.thresholds import OWN
from luthkit.shop import study
from luthkit.shop.history import read_rows
from luthkit.shop.keeping import add_guitar
from luthkit.shop.logbook import start_logbook
from luthkit.shop.study import find_study, keep_study, kept_words, own_thresholds, read_repeat_study, study_rows

DAYS = np.array([-0.004, 0.0, 0.004])  # ln of frequency on each day, and of the two hangings of a day
HANGINGS = np.array([-0.003, 0.003])
RATE = 16000


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A logbook with a guitar recorded on three days, hung up twice a day, eight taps each time; and one day more."""
    logbook = start_logbook(tmp_path_factory.mktemp("shop") / "logbook")
    home = add_guitar(logbook, "Wren").path
    rng = np.random.default_rng(1)
    bench = simulate.Bench(n_taps=8, sample_rate_hz=RATE, length_s=0.8, hum_db=None)
    for number, day in enumerate([*DAYS, 0.1]):
        folder = home / f"2024-03-{number + 1:02d}"
        folder.mkdir()
        lines = ['operator = "A. N."'] + ["repeat_study = true"] * (number < 3)
        for k, hanging in enumerate(HANGINGS):
            pole = simulate.pole(np.array([100.0, 200.0]) * np.exp(day + hanging), 0.02)
            taps = simulate.tap_sounds(rng, simulate.Body(pole, np.ones((2, 1))), bench)
            soundfile.write(folder / f"{k}.wav", np.concatenate([each for each, _, _ in taps]), RATE, subtype="PCM_24")
            lines += ["[[recording]]", f'file = "{k}.wav"', 'position = "bridge centre"', f'placement = "{k}"']
        (folder / "session.toml").write_text("\n".join(lines), encoding="utf-8")
    return logbook, study_rows(home)


def test_the_scatter_of_days_and_hangings_comes_back(shop, tmp_path):
    logbook, rows = shop
    assert {row["session"] for row in rows} == {"2024-03-01", "2024-03-02", "2024-03-03"}
    assert len(rows) == 2 * 3 * 2 * 2  # modes, days, hangings, halves of the taps
    found = read_repeat_study(keep_study(logbook, rows))
    # expected mean squares of a nested plan (ISO 5725-2, formula from memory), with hardly any scatter within
    hanging = 2 * HANGINGS.var(ddof=0)  # one degree of freedom a day
    day = DAYS.var(ddof=1) - hanging / 2
    sds = {component.level: component.sd for component in found.frequency}
    assert sds["hanging"] == pytest.approx(np.sqrt(hanging), rel=0.1)
    assert sds["day"] == pytest.approx(np.sqrt(day), rel=0.15)
    assert sds["reading"] < 0.001
    assert found.words.startswith(
        "your repeat study of Wren, in use since 2024-03-03 (repeat_study_2024-03-03.csv: to retire"
    )


def test_the_days_may_be_named_instead_and_what_is_seldom_seen_is_left_out(shop, monkeypatch):
    logbook, _ = shop
    home = logbook.guitar("Wren").path
    day = datetime.date(2024, 3, 4)
    real = study.track

    def with_one_of_the_room(*readings):
        first, *others = real(*readings)
        low, high = sorted(first)
        return {low: "of the room", high: first[high]}, *others

    monkeypatch.setattr(study, "track", with_one_of_the_room)
    rows = study_rows(home, since=day)
    assert {row["session"] for row in rows} == {"2024-03-04"}
    assert len(rows) == 7 and "of the room" not in {row["mode"] for row in rows}
    monkeypatch.undo()
    assert {row["session"] for row in study_rows(home, until=datetime.date(2024, 3, 1))} == {"2024-03-01"}
    with pytest.raises(LuthkitError, match="was recorded on these days"):
        study_rows(home, since=datetime.date(2025, 1, 1))


def test_the_latest_is_found_for_the_guitars_of_its_logbook_and_for_no_other(shop, tmp_path, monkeypatch):
    logbook = start_logbook(tmp_path / "logbook")
    monkeypatch.chdir(tmp_path)
    session = tmp_path / "logbook" / "Wren" / "2024-03-01"
    session.mkdir(parents=True)
    assert find_study(session) is None and own_thresholds(session) == Thresholds()
    first = keep_study(logbook, shop[1])
    assert first.name == "repeat_study_2024-03-03.csv" and keep_study(logbook, shop[1]) == first
    again = keep_study(logbook, shop[1][:-2])
    assert again.name == "repeat_study_2024-03-03_2.csv" and first.is_file()
    later = keep_study(logbook, shop[1], date=datetime.date(2024, 11, 2))
    (logbook.path / "repeat_study_2025-01-01 (conflicted copy).csv").write_text("")
    assert find_study(session) == later
    samples = tmp_path / "sample_audio" / "build"  # another hand, beside the logbook
    samples.mkdir(parents=True)
    assert find_study(samples) is None and own_thresholds(samples) == Thresholds()
    own = own_thresholds(session, thresholds=Thresholds(setting="same set-up"))
    assert own.frequency_same_setup.source == OWN and own.setting == "same set-up"
    assert "Wren, in use since 2024-11-02" in own.study_sentence and "% in frequency" in own.study_sentence
    assert own_thresholds(session, use=False) == Thresholds()
    assert own_thresholds(session, table=first).study.startswith("your repeat study of Wren, in use since 2024-03-03")
    elsewhere = shutil.copy(first, tmp_path / "mine.csv")  # retired by not naming it
    assert own_thresholds(session, table=elsewhere).study == "your repeat study of Wren (mine.csv)"
    for number in (10, 9):
        shutil.copy(later, later.with_stem(f"{later.stem}_{number}"))
    assert find_study(session).name == "repeat_study_2024-11-02_10.csv"
    other_room = replace(own, setting="other room")  # which the study did not vary
    assert "the planning values are used" in other_room.study_sentence
    find_study(session).write_text("mode\n")
    with pytest.raises(LuthkitError, match="2024-11-02"):
        own_thresholds(session)
    shutil.rmtree(logbook.path)
    assert find_study(session) is None


def test_a_study_on_two_days_is_kept_but_not_used_and_an_older_large_one_stays_in_use(shop, tmp_path):
    logbook = start_logbook(tmp_path / "logbook")
    for few in (
        [row for row in shop[1] if row["day"] != "2024-03-03"],  # two days
        [
            row for row in shop[1] if row["day"] != "2024-03-03" or row["hanging"].endswith("1")
        ],  # one hanging on the third
    ):
        small = keep_study(logbook, few, date=datetime.date(2024, 6, 1))
        assert read_repeat_study(small).too_small.startswith(
            "It is too small and is NOT used: 2 days with two hangings"
        )
        assert "NOT used" in kept_words(small) and "from now on" not in kept_words(small)
        own = own_thresholds(logbook.path / "Wren")
        assert own.frequency_rehung == Thresholds().frequency_rehung and "planning values" in own.study_sentence
        assert small.name in own.study_sentence and "in use" not in own.study_sentence
    good = keep_study(logbook, shop[1])
    assert good.name == "repeat_study_2024-03-03.csv" and "use it from now on" in kept_words(good)
    assert find_study(logbook.path / "Wren") == good


def test_many_hangings_on_two_days_are_too_few_days_too(tmp_path):
    """Their scatter has degrees of freedom enough, but a day is seldom like the next; a row without a day is no day."""
    days = ["2024-03-01", "2024-03-02", ""]
    rng = np.random.default_rng(2)
    rows = [
        {"mode": "air", "day": day, "hanging": n, "frequency_hz": 100 + 0.3 * scatter, "damping_ratio": 0.02}
        for day in days
        for n, scatter in enumerate(rng.standard_normal(8))
    ]
    logbook = start_logbook(tmp_path / "logbook")
    kept = keep_study(logbook, rows)
    assert kept.name == "repeat_study_2024-03-02.csv" and read_repeat_study(kept).n_days == 2
    assert own_thresholds(logbook.path / "Wren") == replace(Thresholds(), study=read_repeat_study(kept).words)


def test_what_is_no_study_is_not_kept(tmp_path):
    logbook = start_logbook(tmp_path / "logbook")
    with pytest.raises(LuthkitError, match="at least 4"):
        keep_study(logbook, [{"mode": "air", "day": 1, "frequency_hz": 100.0, "damping_ratio": 0.01}])
    (tmp_path / "x.csv").write_text("mode,day\nair,1\n")
    with pytest.raises(LuthkitError, match="frequency_hz"):
        keep_study(logbook, read_rows(tmp_path / "x.csv"))
    assert find_study(logbook.path) is None
