"""The bar over the sessions of a logbook."""

import datetime

import numpy as np
import pytest
import soundfile

from luthkit import simulate
from luthkit.errors import LuthkitError
from luthkit.shop.bar_record import BAR, check_bar, read_bar_words
from luthkit.shop.keeping import add_session
from luthkit.shop.logbook import start_logbook

SIZES = "length_mm = 300.0\nwidth_mm = 30.0\nthickness_mm = 6.0\nmass_g = 424.0\n"


def session(folder, seed, *, frequency_hz, date, bar=True):
    """A session with three taps of a bar (and one of a guitar, which is not read here)."""
    rng = np.random.default_rng(seed)
    body = simulate.Body(simulate.pole(np.array([frequency_hz]), 2.5e-4), np.array([[1000.0 + 0j]]))
    bench = simulate.Bench(n_taps=3, length_s=1.4, pre_s=0.4, sample_rate_hz=16000, level_spread_db=2)
    folder.mkdir()
    where = folder / ("bar" if bar else "other")
    where.mkdir()
    for k, (samples, _, _) in enumerate(simulate.tap_sounds(rng, body, bench)):
        soundfile.write(where / f"tap_{k}.flac", samples, 16000, subtype="PCM_24")
    kind = "bar" if bar else "knock"
    text = f'guitar = "Twelve"\ndate = {date}\ntemperature_c = 20.0\n'
    text += f'[[recording]]\nfile = "{where.name}"\nkind = "{kind}"\n'
    (folder / "session.toml").write_text(text)
    return folder


@pytest.fixture
def book(tmp_path):
    logbook = start_logbook(tmp_path / "book")
    for k in range(3):
        date = datetime.date(2026, 1, 1 + k)
        add_session(logbook, session(tmp_path / f"s{k}", k, frequency_hz=346.2, date=date))
    return logbook


def test_the_bar_is_held_against_earlier_sessions_and_its_size(book, tmp_path):
    # 300 x 30 x 6 mm of steel with 200 GPa: 346 Hz after Euler and Bernoulli, f = 1.0279 t / L^2 sqrt(E / rho)
    (book.path / BAR).write_text('metal = "steel"\n' + SIZES)
    same = add_session(book, session(tmp_path / "new", 9, frequency_hz=346.2, date="2026-02-01"))
    reading, (history, size) = check_bar(same.path, logbook=book)
    assert reading.frequency_hz == pytest.approx(346.2, rel=1e-5) and reading.n_taps == 3
    assert history.verdict == size.verdict == "as it should be"
    assert size.modulus_pa == pytest.approx(200e9, rel=0.02)
    high = add_session(book, session(tmp_path / "high", 10, frequency_hz=346.2 * 48000 / 44100, date="2026-02-02"))
    _, (history, _) = check_bar(high.path, logbook=book)
    assert history.verdict == "not as it should be" and "sample rate" in history.reasons[0]


def test_later_sessions_do_not_count_and_the_first_cannot_tell(book):
    first = book.sessions()[0]
    _, (history,) = check_bar(first.path, logbook=book)
    assert history.verdict == "cannot tell" and "first reading" in history.reasons[0]
    assert check_bar(first.path)[1][0].verdict == "cannot tell"  # nor without a logbook


def test_a_session_without_the_bar_has_no_check(book, tmp_path):
    plain = session(tmp_path / "plain", 4, frequency_hz=346.2, date="2026-02-01", bar=False)
    assert check_bar(plain, logbook=book) is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("metal = 'tin'", "'tin' is not known; allowed are steel"),
        ("length_mm = -3", "above 0"),
        ("size = 3", "'size' is not known"),
        ("metal = ", "mend"),
    ],
)
def test_a_bar_that_makes_no_sense_is_refused(tmp_path, text, words):
    (tmp_path / BAR).write_text(text)
    with pytest.raises(LuthkitError, match=words):
        read_bar_words(tmp_path / BAR)
    assert read_bar_words(tmp_path / "none.toml") == {}
