"""Notebook 0 in a real browser, recording through a real audio path."""

import shutil
from pathlib import Path

import pytest
import soundfile
from audio_path import RATE, audio_path
from lab import open_notebook, running_lab

from luthkit.shop.logbook import open_logbook
from luthkit.shop.session import read_session

HOME = Path(__file__).parent.parent


@pytest.mark.browser
def test_the_first_notebook_records_what_is_played(tmp_path):
    expect = pytest.importorskip("playwright.sync_api").expect
    bench = tmp_path / "bench"
    shutil.copytree(HOME / "notebooks", bench / "notebooks")
    (bench / "sample_audio").symlink_to(HOME / "sample_audio")
    sound, rate = soundfile.read(HOME / "sample_audio/build_seven/taps/bridge_centre_2.flac")
    assert rate == RATE
    soundfile.write(tmp_path / "taps.wav", sound[: round(9.2 * RATE)], RATE, subtype="PCM_24")
    with (
        audio_path(tmp_path / "sound") as (environment, play),
        running_lab(bench, environment) as address,
        open_notebook(address("0_record"), environment) as page,
    ):
        status, large = page.locator(".luthkit-status"), page.locator(".luthkit-large")
        status.locator('[data-done="1"]').wait_for()
        assert "rehearsal" in page.locator(".luthkit-page").inner_text().lower()
        assert not page.get_by_role("button", name="Ready").is_visible()
        page.get_by_role("button", name="Start recording").click()  # below the fold, and the guitar is not named yet
        status.locator('[role="alert"]').wait_for()
        assert page.get_by_label("Guitar", exact=True).evaluate("e => document.activeElement == e")
        expect(page.get_by_label("Guitar", exact=True)).to_be_in_viewport(ratio=1)
        page.get_by_label("Guitar", exact=True).fill("Number <12>")
        page.get_by_label("Microphone", exact=True).select_option(label="pulse")
        for field, value in (("Good taps at each", "2"), ("Placements", "1")):
            page.get_by_label(field, exact=True).fill(value)
            page.get_by_label(field, exact=True).press("Tab")
        page.get_by_role("button", name="Start recording").click()
        large.get_by_text("Tap bridge centre: 2 more.").wait_for()
        assert not status.locator('[role="alert"]').count()
        expect(large).to_be_in_viewport(ratio=1)
        assert large.bounding_box()["y"] < 250  # of 800
        assert page.get_by_role("button", name="Ready").evaluate("e => document.activeElement == e")
        assert page.get_by_role("button", name="Take the last one back").is_disabled()
        assert page.get_by_role("meter").is_visible()
        player = play(tmp_path / "taps.wav")
        large.get_by_text("Kept").first.wait_for()
        expect(large).to_be_in_viewport(ratio=1)
        assert page.locator("audio").count() == 1  # the chime
        status.locator('[data-done="2"]').wait_for()
        assert page.evaluate("document.activeElement.innerText") == "Read the modes of this session"
        assert "2 good taps" in page.locator(".luthkit-page").inner_text()
        assert "Traceback" not in page.locator("body").inner_text()
        page.screenshot(path=tmp_path / "screen.png", full_page=True)
        player.terminate()
        player.wait()
    (kept,) = open_logbook(bench / "logbook").sessions("Number <12>")
    assert len(read_session(kept.path).find_taps().taps) == 2
