"""The report: one file, nothing from outside, names escaped, never half-written, nothing lost."""

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from luthkit.errors import LuthkitError
from luthkit.guitar.comparison import compare
from luthkit.shop import safe
from luthkit.show import page as page_module
from luthkit.show.page import default_path, identity_in, page_html, write_page
from luthkit.show.report import report_page


def html_of(result):
    return page_html(report_page(result))


def path_for(result, folder):
    return default_path(report_page(result), folder)


def write(result, path):
    return write_page(report_page(result), path)


class Seen(HTMLParser):
    """Tags with their attributes, and the text, as a browser would see them."""

    VOID = ("meta", "img", "br")

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.words = [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


@pytest.fixture(scope="module")
def html(comparison):
    return html_of(comparison)


def test_names_stay_text(html, build):
    page = Seen(html)
    assert not [tag for tag, _ in page.tags if tag == "b"]
    assert build.name in page.text
    assert "taps/<3>.wav" in page.text and "clipped: 5 samples & more" in page.text and "<one>" in page.text


@pytest.mark.usefixtures("blank_pictures")
def test_names_in_remarks_stay_text(build, references):
    few = compare(replace(build, taps_accepted=2), references)
    page = Seen(html_of(few))
    assert not [tag for tag, _ in page.tags if tag == "b"]
    assert f"fewer than 3 taps were kept ({build.name}: 2)" in page.text


def test_nothing_comes_from_outside(html):
    page = Seen(html)
    assert not [tag for tag, _ in page.tags if tag in ("script", "link", "iframe", "object", "embed")]
    for _, attributes in page.tags:
        for key in ("src", "href", "srcset"):
            assert attributes.get(key, "data:").startswith("data:")
        assert not [key for key in attributes if key.startswith("on")]
    assert not re.search(r"https?:|@import|url\(", html)


def test_pictures_are_inside_and_have_words_for_those_who_cannot_see_them(html):
    images = [attributes for tag, attributes in Seen(html).tags if tag == "img"]
    assert len(images) == 1
    assert base64.b64decode(images[0]["src"].split(",")[1]).startswith(b"\x89PNG")
    assert "spectra from 60 to 1000 Hz" in images[0]["alt"]


def test_the_report_says_all_that_the_numbers_rest_on(html, comparison):
    text = Seen(html).text
    for sentence in (*comparison.summary, *comparison.cautions):
        assert sentence in text
    assert "Relative humidity was 55 % for" in text and "Not the same microphone" in text
    assert "8 taps kept, 2 left out, 2 placements" in text
    assert "0.52 s" in text and "whole file" in text and "silence" in text
    assert "Woodhouse, Manuel, Smith, Wheble & Fritz" in text and "from memory" in text
    assert f"luthkit {comparison.version}" in text
    for modeset in (comparison.build, *comparison.references):
        for digest in modeset.sources.values():
            assert digest in text
    assert "no lump of mass" in text and "soft mallet" in text
    assert "Not judged, string: 146.8 Hz on old" in text
    assert "196.0 ± 0.2 Hz" in text and "error unknown" in text


def test_a_report_of_one_instrument(build):
    page = Seen(html_of(build))
    assert "3 body modes found" in page.text and "too wide" in page.text and "the second opinions differ" in page.text
    assert len([tag for tag, _ in page.tags if tag == "img"]) == 1


@pytest.mark.usefixtures("blank_pictures")
def test_levels_are_grey_and_never_judged(build):
    page = Seen(html_of(build))
    levels = [attributes for tag, attributes in page.tags if tag == "td" and attributes.get("class") == "level"]
    assert len(levels) == len(build.modes)


@pytest.mark.usefixtures("blank_pictures")
def test_the_same_recordings_replace_their_report_and_nothing_else_does(tmp_path, comparison, build, references):
    path = path_for(comparison, tmp_path)
    assert write(comparison, path) == path
    assert path_for(comparison, tmp_path) == path
    write(comparison, path)
    other = replace(build, sources={"new take.wav": "f" * 64})
    again = compare(other, references)
    second = path_for(again, tmp_path)
    assert second != path and second.name.endswith("_2_report.html")
    before = path.read_bytes()
    with pytest.raises(LuthkitError, match="not a report of these recordings"):
        write(again, path)
    assert path.read_bytes() == before


@pytest.mark.usefixtures("blank_pictures")
def test_a_file_that_is_no_report_is_never_replaced(tmp_path, build):
    path = tmp_path / "letter.html"
    path.write_text("dear customer")
    with pytest.raises(LuthkitError, match="already exists"):
        write(build, path)
    assert path.read_text() == "dear customer" and identity_in(path) is None


@pytest.mark.parametrize("stopped_in", ["png_bytes", "os.replace"])
@pytest.mark.parametrize("earlier", [False, True])
def test_stopped_half_way_leaves_no_half_written_report(tmp_path, build, monkeypatch, stopped_in, earlier):
    path = tmp_path / "r.html"
    before = write(build, path).read_bytes() if earlier else None

    def stop(*_, **__):
        raise KeyboardInterrupt

    if stopped_in == "png_bytes":
        monkeypatch.setattr(page_module, "png_bytes", stop)
    else:
        monkeypatch.setattr(safe.os, "replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write(build, path)
    assert [p.name for p in tmp_path.iterdir()] == (["r.html"] if earlier else [])
    assert before is None or path.read_bytes() == before


@pytest.mark.usefixtures("blank_pictures")
def test_a_full_disk_is_one_sentence(tmp_path, build, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(safe.os, "replace", full)
    with pytest.raises(LuthkitError, match=r"r\.html was not written: the disk is full"):
        write(build, tmp_path / "r.html")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(LuthkitError, match="there is no such folder"):
        write(build, tmp_path / "missing" / "r.html")


@pytest.mark.usefixtures("blank_pictures")
@pytest.mark.parametrize("name", ["../../etc", "a/b\\c", '<b>"x"</b>', "", "." * 5, "x" * 300, "\udcff"])
def test_the_name_of_a_report_is_a_plain_file_name(tmp_path, build, name):
    path = path_for(replace(build, name=name), tmp_path)
    assert path.parent == tmp_path and len(path.name) < 140
    assert re.fullmatch(r"[\w.-]+", path.name) and not path.name.startswith(".")
    assert write(replace(build, name=name), path).exists()
