"""Sound that was kept: what changed, vanished or came since.

The form of the list is that of `sha256sum` (GNU coreutils), which is run on it where it is at hand. The hash
itself is held against FIPS 180-4's own example, "abc".
"""

import shutil
import subprocess

import pytest
import soundfile

from luthkit.errors import LuthkitError
from luthkit.shop.checksums import check_folder, is_conflict_copy, read_sums, sha256_of, sums_text
from luthkit.shop.keeping import add_session


def findings(folder):
    return {(finding.name, finding.what) for finding in check_folder(folder)}


def test_the_example_of_the_standard(tmp_path):
    (tmp_path / "abc").write_text("abc")
    assert sha256_of(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_any_unix_can_check_the_list(source, logbook):
    if not shutil.which("sha256sum"):
        pytest.skip("no sha256sum here")
    folder = add_session(logbook, source).path
    command = ["sha256sum", "--check", "--strict", "SHA256SUMS"]
    assert subprocess.run(command, cwd=folder, capture_output=True, check=True).stdout == b"b.wav: OK\ntaps/a.wav: OK\n"
    (folder / "b.wav").write_bytes((folder / "b.wav").read_bytes()[:-1] + b"\x01")
    assert subprocess.run(command, cwd=folder, capture_output=True, check=False).returncode == 1
    assert findings(folder) == {("b.wav", "changed")}


def test_one_bit_a_missing_file_and_new_ones(source, logbook):
    folder = add_session(logbook, source).path
    (folder / "session.toml").write_text('guitar = "x"\nnotes = "words may be changed"\n')
    assert findings(folder) == set()
    sound = bytearray((folder / "taps" / "a.wav").read_bytes())
    sound[1000] ^= 1
    (folder / "taps" / "a.wav").write_bytes(sound)
    (folder / "b.wav").unlink()
    soundfile.write(folder / "new.wav", [0.1] * 100, 16000)
    soundfile.write(folder / "taps" / "a.sync-conflict-20240310-101010-ABCDEFG.wav", [0.1] * 100, 16000)
    assert findings(folder) == {
        ("taps/a.wav", "changed"),
        ("b.wav", "vanished"),
        ("new.wav", "not listed"),
        ("taps/a.sync-conflict-20240310-101010-ABCDEFG.wav", "conflict copy"),
    }
    assert [f.lost for f in check_folder(folder)] == [True, True, False, False]


def test_links_and_lists_that_lead_out(source, logbook):
    folder = add_session(logbook, source).path
    (folder / "b.wav").unlink()
    (folder / "b.wav").symlink_to(source / "b.wav")
    assert findings(folder) == {("b.wav", "link")}
    for line in ("0" * 64 + " *../b.wav", "0" * 64 + " */etc/passwd", "nonsense", "0" * 63 + " *b.wav"):
        (folder / "SHA256SUMS").write_text(line + "\n")
        with pytest.raises(LuthkitError, match="SHA256SUMS, line 1 is no checksum"):
            check_folder(folder)


def test_sound_without_a_list_is_told(source):
    assert findings(source) == {("from the recorder", "no checksums")}
    assert read_sums(source) == {}


def test_the_list_reads_back(tmp_path):
    sums = {"taps/é 1.wav": "a" * 64, "b.wav": "0" * 64}
    (tmp_path / "SHA256SUMS").write_text(sums_text(sums), encoding="utf-8")
    assert read_sums(tmp_path) == sums


@pytest.mark.parametrize(
    ("name", "is_copy"),
    [
        ("tap (conflicted copy 2024-03-10).wav", True),
        ("tap (Wren's conflicted copy 2024-03-10).wav", True),
        ("tap.sync-conflict-20240310-101010-ABCDEFG.wav", True),
        ("tap (shop laptop's conflict).wav", True),
        ("tap (1).wav", False),
        ("other (conflicted copy 2024-03-10).wav", False),
        ("conflict.wav", False),
    ],
)
def test_what_looks_like_the_copy_of_a_synchronising_program(tmp_path, name, is_copy):
    for each in ("tap.wav", name):
        (tmp_path / each).write_bytes(b"x")
    assert is_conflict_copy(tmp_path / name) is is_copy
    assert not is_conflict_copy(tmp_path / "tap.wav")
