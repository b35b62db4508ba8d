"""A workshop as the maker sees it: a real JupyterLab, a real browser, every notebook, no network."""

import shutil
import urllib.parse
from pathlib import Path

import pytest
from lab import browser_page, open_notebook, running_lab

from luthkit.shop.workshop import lab_command, lay_out

# notebook: how many forms open with a result, what to change in one (label, list entry or text), and its button
FORMS = {
    "1_read_modes": (1, "Guitar", 1, "Read modes"),
    "2_compare": (1, "References", 1, "Compare"),
    "3_names_and_body": (2, "Guitar", 1, "Name the modes"),
    "4_strums_and_plucks": (2, "Build", 1, "Read strums and plucks"),
    "5_follow_a_guitar": (3, "Guitar", 1, "Follow"),
    "6_wood": (1, "Piece", 1, "Measure"),
    "7_choose_wood": (1, "Near enough, in steps", "3", "Choose the wood"),
}
HOME = Path(__file__).parent.parent
LESS = ("*_wing_*.flac", "bridge_centre_2.flac", "A2.flac", "D3.flac", "G3.flac", "B3.flac")
NARROW_125 = {"viewport": {"width": 1024, "height": 640}, "device_scale_factor": 1.25}  # 1280x800 at 125 %
CUT_OFF = """() => [...document.querySelectorAll('.jp-OutputArea .widget-label, .jp-OutputArea .widget-button')]
    .filter(e => e.offsetParent && e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"""
UNREACHABLE = """() => [...document.querySelectorAll('.jp-OutputArea :is(button, select, input)')]
    .filter(e => e.offsetParent && !e.disabled && e.tabIndex < 0).map(e => e.outerHTML.slice(0, 80))"""
TOO_WIDE = """() => [...document.querySelectorAll('.luthkit')].filter(e => e.offsetParent)
    .filter(e => e.getBoundingClientRect().right > e.closest('.jp-OutputArea').getBoundingClientRect().right + 2)
    .map(e => [e.getBoundingClientRect().width, e.closest('.jp-OutputArea').getBoundingClientRect().width])"""
CUT_NAMES = """() => [...document.querySelectorAll('.jp-DirListing-itemText')]
    .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"""
IN_SIGHT = "e => e.getBoundingClientRect().top > 0 && e.getBoundingClientRect().bottom < window.innerHeight"
WITHOUT_ALT = "() => [...document.querySelectorAll('.luthkit-page img')].filter(e => !e.alt).length"


def small_source(folder):
    """luthkit's notebooks and its samples with fewer taps: what is looked at here is the same, and sooner there."""
    shutil.copytree(HOME / "notebooks", folder / "notebooks")
    shutil.copytree(HOME / "sample_audio", folder / "sample_audio", ignore=shutil.ignore_patterns(*LESS))
    for told in folder.glob("sample_audio/*/taps/../session.toml"):
        head, *entries = told.read_text(encoding="utf-8").split("\n[[recording]]\n")
        here = [entry for entry in entries if (told.parent / entry.split('"')[1]).exists()]
        told.write_text("\n[[recording]]\n".join([head, *here]), encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def workshop(tmp_path_factory):
    """Where a notebook of a freshly laid out workshop is to be seen."""
    folder = tmp_path_factory.mktemp("bench") / "Werkstatt Größe 2"
    lay_out(folder, source=small_source(tmp_path_factory.mktemp("source")))
    with running_lab(folder, lab_command(folder)[1]) as address:
        yield address


def asked_elsewhere(page):
    hosts = {urllib.parse.urlsplit(url).hostname for url in page.requested if url.startswith(("http", "ws"))}
    return hosts - {"127.0.0.1"}


@pytest.mark.browser
def test_from_the_first_page_to_a_form_that_can_be_stopped(workshop):
    """All of JupyterLab as the maker sees it, with the list of files, on a small screen."""
    with browser_page(**NARROW_125) as page:
        page.goto(workshop())
        page.get_by_role("heading", name="What do I do now?").wait_for()
        page.locator(".jp-DirListing-item", has_text="notebooks").dblclick()
        page.locator(".jp-DirListing-itemText", has_text="3_names_and_body").wait_for()
        assert page.evaluate(CUT_NAMES) == []
        page.get_by_role("link", name="3 names and body").click()
        page.get_by_text("Python 3 (ipykernel) | Idle").wait_for()
        page.get_by_role("button", name="Open the form").click()
        forms = page.locator(".luthkit-status")
        forms.nth(0).get_by_text("At work for").wait_for()
        forms.nth(1).get_by_text("Waits until").wait_for()
        first = page.get_by_role("button", name="Name the modes", exact=True)  # its sign is no word
        first.wait_for()
        page.wait_for_function("document.querySelectorAll('.jp-Cell')[1].matches('.jp-mod-active')")
        assert first.evaluate(IN_SIGHT)
        assert not page.locator(".jp-DirListing").is_visible()  # room for pictures and tables
        for k in (1, 0):  # the second, which waits, and the first, which is at work
            stop = page.get_by_role("button", name="Stop", exact=True).nth(k)
            stop.focus()
            page.keyboard.press("Enter")
            forms.nth(k).get_by_text("Stopped.").wait_for()
            assert page.evaluate("document.activeElement.innerText") == ("Name the modes", "Read the body")[k]
        names = page.get_by_role("slider").evaluate_all("all => all.map(e => e.ariaLabel)")
        assert names and all(names)
        assert page.get_by_text("Would you like to").count() == 0  # no question about news
        assert asked_elsewhere(page) == set()


@pytest.mark.browser
@pytest.mark.parametrize("name", FORMS)
def test_another_choice_gives_another_picture_and_table(workshop, name, tmp_path):
    n_forms, label, choice, button = FORMS[name]
    options = NARROW_125 if int(name[0]) % 2 else {}
    with open_notebook(workshop(name), **options) as page:
        for k in range(n_forms):
            page.locator(".luthkit-status").nth(k).locator('[data-done="1"]').wait_for()
        form = page.locator(".jp-OutputArea").filter(has=page.get_by_role("button", name=button))
        press = form.get_by_role("button", name=button)
        status, shown = form.locator(".luthkit-status"), form.locator(".luthkit-page")
        picture = shown.locator("img").first
        before, table = picture.get_attribute("src"), shown.locator("table").first.inner_text()
        field = form.get_by_label(label, exact=True).first
        cells = page.locator(".jp-Cell").count()
        field.focus()
        for key in ("b", "ArrowDown"):  # in a field they are for the field, not for the cells of the notebook
            page.keyboard.press(key)
        assert page.locator(".jp-Cell").count() == cells
        assert field.evaluate("e => e === document.activeElement")
        if isinstance(choice, int):
            field.select_option(index=choice)
        else:
            field.fill(choice)
            field.press("Tab")
        press.focus()
        page.keyboard.press("Enter")
        status.locator('[data-done="2"]').wait_for()
        assert press.evaluate("e => e === document.activeElement")  # the keyboard stays where it was
        assert picture.get_attribute("src") != before
        assert shown.locator("table").first.inner_text() != table
        page.screenshot(path=tmp_path / f"{name}.png")
        assert page.evaluate(CUT_OFF) == []
        assert page.evaluate(UNREACHABLE) == []
        assert page.evaluate(TOO_WIDE) == []
        assert page.evaluate(WITHOUT_ALT) == 0
        elsewhere = form.get_by_label("elsewhere").first
        elsewhere.fill("/nowhere/at <all>")
        elsewhere.press("Tab")
        press.click()
        status.get_by_text("/nowhere/at <all>").wait_for()
        assert "Traceback" not in page.locator("body").inner_text()
        assert asked_elsewhere(page) == set()
