"""Pictures: what is drawn, where, and that its error is drawn with it."""

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure

from luthkit.guitar.comparison import compare
from luthkit.guitar.verdicts import VERDICTS
from luthkit.show.plots import common, modes
from luthkit.show.plots import comparison as pictures


def bars(ax):
    """All error bars of an Axes as (x, low, high), upright ones only."""
    found = []
    for item in ax.collections:
        if isinstance(item, LineCollection):
            found += [(s[0, 0], s[0, 1], s[1, 1]) for s in item.get_segments() if len(s) and s[0, 0] == s[1, 0]]
    return found


def labels(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def test_spectrum_is_drawn_from_60_to_1000_hz_with_the_noise_under_it(build):
    ax = modes.plot_spectrum(build)
    level, noise = (line.get_ydata() for line in ax.get_lines()[:2])
    frequency = ax.get_lines()[0].get_xdata()
    assert frequency[0] == 60 and frequency[-1] == 1000
    assert level.max() == 0
    assert np.nanmax(noise) < -15
    assert any("noise before the taps" in text for text in labels(ax))
    assert "uncalibrated" in ax.get_ylabel() and ax.yaxis.label.get_color() == common.FAINT


def test_noise_and_level_stand_on_one_scale(build):
    frequency, level, noise = modes.spectrum_levels(build)
    at = np.searchsorted(build.spectrum.frequency_hz, frequency)
    ratio = build.spectrum.noise[at] / build.spectrum.value[at]
    assert np.allclose(noise - level, 10 * np.log10(ratio))


def test_modes_show_q_with_the_ends_of_the_95_percent_interval_of_damping(build):
    ax = modes.plot_modes(build)
    q = {round(x, 3): (low, high) for x, low, high in bars(ax)}
    low, high = q[round(101 * 1.03, 3)]
    assert low == pytest.approx(0.5 / (0.020 + 1.96 * 0.0004))
    assert high == pytest.approx(0.5 / (0.020 - 1.96 * 0.0004))
    words = labels(ax)
    assert "second opinion: band decay" in words
    assert "second opinion: peak width" not in words  # it gave no value
    assert "a string, 95 % bars" in words


@pytest.mark.parametrize("quantity", ["frequency", "damping"])
def test_differences_are_drawn_where_the_comparison_says(comparison, quantity):
    ax = pictures.plot_differences(comparison, quantity)
    drawn = {round(x, 3): (low, high) for x, low, high in bars(ax)}
    for pair in comparison.pairs:
        d = getattr(pair, quantity)
        key = round(pair.build.frequency_hz, 3)
        if not np.isfinite(d.u):
            assert key not in drawn
            continue
        ends = (d.low, d.high) if quantity == "frequency" else np.log1p(np.array([d.low, d.high]) / 100)
        assert drawn[key] == pytest.approx(tuple(ends))
    heard = [line.get_ydata()[0] for line in ax.get_lines() if line.get_linestyle() == "--"]
    expected = 1200 * np.log2(1.02) if quantity == "frequency" else np.log(1.3)
    assert sorted(heard) == pytest.approx([-expected, expected])


def test_damping_ticks_are_percent_of_the_ratio(comparison):
    ax = pictures.plot_differences(comparison, "damping")
    for place, text in zip(ax.get_yticks(), ax.get_yticklabels(), strict=True):
        assert np.expm1(place) * 100 == pytest.approx(float(text.get_text()))


def test_the_wall_picture_lines_up_its_three_parts(comparison):
    axes = pictures.plot_comparison(comparison)
    assert len(axes) == 3 and all(isinstance(ax, Axes) for ax in axes)
    ((left, right),) = {ax.get_xlim() for ax in axes}
    assert left == 60 and 1000 <= right < 1100
    numbers = {text.get_text() for text in axes[0].texts}
    assert numbers == {str(k) for k in range(1, len(comparison.pairs) + 1)}
    curves = [line for line in axes[0].get_lines() if len(line.get_xdata()) > 100]
    styles = {(line.get_color(), line.get_linestyle()) for line in curves}
    assert len(styles) == 4  # build, two references told apart by their dashes, the noise


def test_every_verdict_has_a_shape_of_its_own():
    styles = [pictures.VERDICT_STYLES[verdict] for verdict in VERDICTS]
    assert len({(marker, face) for marker, face, _ in styles}) == len(VERDICTS)


def test_nothing_global_is_touched_and_own_axes_are_used(build, comparison):
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    ax = Figure().subplots()
    assert modes.plot_spectrum(build, ax=ax) is ax
    assert modes.plot_modes(build, ax=Figure().subplots()) is not ax
    pictures.plot_comparison(comparison)
    assert dict(mpl.rcParams) == before


def test_no_text_is_cut_or_printed_over_another_panel(comparison, build):
    for axes in (pictures.plot_comparison(comparison), modes.plot_instrument(build)):
        figure = axes[0].figure
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        page, renderer = figure.bbox, canvas.get_renderer()
        texts = [t for ax in axes for t in (ax.xaxis.label, ax.yaxis.label, *ax.texts, *ax.get_yticklabels())]
        for text in (*texts, *figure.texts):
            box = text.get_window_extent(renderer)
            if text.get_text() and text.get_visible():
                assert box.x0 >= 0 and box.x1 <= page.x1 and box.y0 >= 0 and box.y1 <= page.y1, text


@pytest.mark.parametrize("name", ["$x^{", "_hidden", "年輪", "two\nlines", "\udcff.wav"])
def test_any_name_can_be_drawn(build, name):
    from dataclasses import replace

    odd = replace(build, name=name)
    axes = pictures.plot_comparison(compare(odd, [build]))
    assert common.png_bytes(axes, dots_per_inch=40).startswith(b"\x89PNG")
    assert len(labels(axes[0])) == 3


def test_a_set_without_a_spectrum_or_without_modes_is_still_drawn(build):
    from dataclasses import replace

    bare = replace(build, spectrum=None)
    assert len(pictures.plot_comparison(compare(bare, [bare]))[0].texts) == 3
    assert common.png_bytes(modes.plot_instrument(replace(build, modes=())), dots_per_inch=40)
