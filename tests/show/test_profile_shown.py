"""A reference profile in words: the names and errors that a comparison would give it."""

import json

from shop.test_profile_file import OLD, OLDER, make_set

from luthkit.guitar.comparison import compare
from luthkit.guitar.profile import make_profile
from luthkit.show import data
from luthkit.show.profile import profile_data, profile_page, profile_table
from luthkit.show.words import with_error


def test_each_mode_has_the_name_and_the_error_that_compare_gives_it():
    profile = make_profile("Old spruce", [OLD, OLDER])
    pairs = compare(OLD, [profile]).pairs
    found = json.loads(data.to_json(profile_data(profile)))
    assert [band["frequency_hz"] for band in found] == [pair.reference.frequency_hz for pair in pairs]
    assert [band["frequency_u_hz"] for band in found] == [pair.reference.frequency_u_hz for pair in pairs]
    assert [band["name"] for band in found] == [pair.name for pair in pairs] and any(band["name"] for band in found)
    rows = profile_table(profile).splitlines()[2 : 2 + len(found)]
    for row, band in zip(rows, found, strict=True):
        assert (band["name"] or " no name ") in row and row.count("±") == 4 and row.endswith("Old, Older")
        for end in ("low", "high"):
            assert with_error(band[f"frequency_{end}_hz"], band[f"frequency_{end}_u_hz"], unit="Hz") in row
            assert with_error(100 * band[f"damping_{end}"], 100 * band[f"damping_{end}_u"], unit="%") in row


def test_a_mode_of_one_guitar_has_one_value():
    rows = profile_table(make_profile("Two", [OLD, make_set("Other", drop=(330.0,))])).splitlines()
    assert rows[2].count("±") == 4
    (alone,) = [row for row in rows if "330" in row]
    assert alone.count("±") == 2 and alone.endswith("Old")


def test_the_page_says_where_it_is_kept_and_what_it_is_for():
    page = profile_page(make_profile("Old <spruce>", [OLD, OLDER]), "/here/Old.toml")
    assert "Old &lt;spruce&gt;, from Old, Older, without strums: kept as /here/Old.toml." in page.body
    assert page.body.count("<tr>") == 1 + len(OLD.modes) and "notebooks 2 and 4" in page.body
