"""What `verify` finds in a whole logbook."""

import shutil

from shop.conftest import make_source

from luthkit.shop.keeping import add_guitar, add_session
from luthkit.shop.verify import enlist, read_register, verify


def findings(logbook, **which):
    return {(finding.name, finding.what) for finding in verify(logbook, **which).findings}


def test_a_logbook_in_order(logbook, source, tmp_path):
    add_session(logbook, source)
    add_session(logbook, make_source(tmp_path / "b", seed=4), guitar="Wren")
    result = verify(logbook)
    assert (result.n_sessions, result.n_files, result.findings, result.unfinished) == (2, 4, (), ())


def test_a_file_a_list_and_a_whole_session(logbook, source, tmp_path):
    first = add_session(logbook, source).path
    second = add_session(logbook, make_source(tmp_path / "b", seed=4)).path
    third = add_session(logbook, make_source(tmp_path / "c", seed=8), guitar="Wren").path
    shutil.rmtree(second)
    second.write_text("a file in its place is no session")
    sums = first / "SHA256SUMS"
    sound = first / "b.wav"
    sound.write_bytes(sound.read_bytes() + b"x")
    assert findings(logbook) == {("Number 12/2024-03-09_2", "vanished"), ("Number 12/2024-03-09/b.wav", "changed")}
    kept = [line for line in sums.read_text().splitlines(keepends=True) if "b.wav" not in line]
    sums.write_text("".join(kept))  # the list was bent to hide it
    (third / "SHA256SUMS").write_text("nonsense")
    assert findings(logbook, guitar="Wren") == {
        ("Wren/2024-03-09/SHA256SUMS", "unreadable"),
        ("Wren/2024-03-09/SHA256SUMS", "changed"),
    }
    assert ("Number 12/2024-03-09/SHA256SUMS", "changed") in findings(logbook, guitar="Number 12")
    sums.unlink()
    found = findings(logbook, guitar="Number 12")
    assert {("Number 12/2024-03-09/SHA256SUMS", "vanished"), ("Number 12/2024-03-09", "no checksums")} <= found
    assert len(verify(logbook).lost) >= 3


def test_sessions_laid_there_by_hand_and_the_register(logbook, source, tmp_path):
    kept = add_session(logbook, source).path
    make_source(kept.parent / "2024-05-01", seed=30)
    assert findings(logbook) == {("Number 12/2024-05-01", "no checksums")}
    (kept.parent / "sessions.csv").unlink()
    assert verify(logbook).lost == ()
    enlist(kept.parent)
    assert list(read_register(kept.parent)) == ["2024-03-09"]
    text = kept.parent / "sessions.csv"
    text.write_text(text.read_text().rstrip("\n"))  # as some editors leave it
    add_session(logbook, make_source(tmp_path / "later", seed=40))
    assert list(read_register(kept.parent)) == ["2024-03-09", "2024-03-09_2"]
    (kept.parent / "sessions.csv").write_text("session,x\n2024-03-09,short\n")
    assert ("Number 12/sessions.csv", "unreadable") in findings(logbook)


def test_a_whole_guitar_that_vanished(logbook, source, tmp_path):
    gone = add_session(logbook, source).path.parent
    add_guitar(logbook, "Robin")  # had no session yet, as `profiles` never has
    (logbook.path / "profiles").mkdir()
    add_session(logbook, make_source(tmp_path / "b", seed=4), guitar="Wren")
    shutil.rmtree(gone)
    gone.write_text("a file in its place is no guitar")
    assert findings(logbook) == {("Number 12", "vanished")} and len(verify(logbook).lost) == 1
    assert findings(logbook, guitar="Wren") == set()
    (logbook.path / "guitars.csv").write_bytes(b"guitar\n\xff\n")
    assert findings(logbook) == {("guitars.csv", "unreadable")}
    (logbook.path / "guitars.csv").unlink()  # a logbook of before there was such a list
    enlist(logbook.path / "Wren")
    assert (logbook.path / "guitars.csv").read_text() == "guitar\nWren\n"


def test_what_a_killed_program_left_is_told(logbook, source):
    kept = add_session(logbook, source).path
    left = kept.parent / ".coming-20240310-abc"
    left.mkdir()
    assert verify(logbook).unfinished == (left,) and verify(logbook).findings == ()
    assert len(logbook.sessions()) == 1
