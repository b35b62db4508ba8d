"""A session in the logbook: whole or not at all, whatever happens, and the source as it was."""

import datetime
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shop.conftest import make_source

from luthkit.errors import LuthkitError
from luthkit.shop.checksums import check_folder, sha256_of
from luthkit.shop.keeping import add_event, add_guitar, add_session
from luthkit.shop.logbook import Logbook, start_logbook
from luthkit.shop.session import Session, SessionRecording, read_session

TESTS = Path(__file__).parents[1]


def everything(folder):
    """Name -> (bytes, time) of every file, hidden ones too."""
    return {
        path.relative_to(folder).as_posix(): (path.read_bytes(), path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".luthkit" not in path.parts
    }


def run(code, *arguments):
    """Run code in a Python of its own and give what it printed."""
    job = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], cwd=TESTS, capture_output=True, text=True, check=False
    )
    assert job.returncode == 0, job.stderr
    return job.stdout.split()


def test_a_folder_is_copied_as_it_is(source, logbook):
    before = everything(source)
    kept = add_session(logbook, source)
    assert everything(source) == before
    assert kept.path == logbook.path / "Number 12" / "2024-03-09"
    after = everything(kept.path)
    sums = after.pop("SHA256SUMS")[0].decode()
    assert {name: held[0] for name, held in after.items()} == {name: held[0] for name, held in before.items()}
    assert after["b.wav"] == before["b.wav"], "the time of the recording is kept"
    assert f"{sha256_of(source / 'b.wav')} *b.wav\n" in sums
    assert check_folder(kept.path) == ()
    (listed,) = logbook.sessions("number 12")
    assert (listed.path, listed.date, listed.stage) == (kept.path, datetime.date(2024, 3, 9), "strung")
    assert listed.conditions["stage_note"] == "day 30"


def test_a_second_session_of_the_day_and_the_same_sound_again(source, logbook, tmp_path):
    add_session(logbook, source)
    second = add_session(logbook, make_source(tmp_path / "later", seed=9))
    assert second.path.name == "2024-03-09_2"
    with pytest.raises(LuthkitError, match="in the logbook already, as Number 12/2024-03-09;"):
        add_session(logbook, source)
    with pytest.raises(LuthkitError, match="in the logbook already, as Number 12/2024-03-09;"):
        add_session(logbook, source, guitar="Wren")  # nor as another guitar's, which does not appear
    with pytest.raises(LuthkitError, match="in the logbook already, as Number 12/2024-03-09;"):
        add_session(logbook, source / "b.wav", guitar="Wren")  # nor a part of it
    assert len(logbook.sessions()) == 2 and [guitar.name for guitar in logbook.guitars()] == ["Number 12"]
    assert logbook.unfinished() == ()
    (second.path / "SHA256SUMS").write_text("nonsense")  # for verify to tell of; it keeps nothing else out
    (second.path.parent / "sessions.csv").write_text("nonsense\nnonsense\n")
    (logbook.path / "guitars.csv").write_bytes(b"\xff")
    assert add_session(logbook, make_source(tmp_path / "third", seed=20)).path.name == "2024-03-09_3"


def test_words_are_added_and_the_rest_stays(source, logbook):
    kept = add_session(logbook, source, guitar="Wren", words={"temperature_c": 21.5, "strings_on": True})
    session = read_session(kept.path)
    assert session.name == "Wren" and session.conditions["temperature_c"] == 21.5
    assert session.conditions["relative_humidity_percent"] == 47
    assert session.positions == {"b.wav": "back", "taps/a.wav": "bridge centre"}
    assert (kept.path / "session.toml").read_text().startswith("# Synthetic")
    with pytest.raises(LuthkitError, match="'temprature' is not known"):
        add_session(logbook, source, words={"temprature": 20})
    assert len(logbook.sessions()) == 1


def test_a_session_from_memory_and_without_a_date(source, logbook):
    taps = tuple(SessionRecording(f"taps/{n}.wav", source / "b.wav", position="back", placement="1") for n in "12")
    kept = add_session(logbook, Session("Wren", taps, {"mallet": "cork"}))
    assert kept.path.name == "undated" and kept.date is None
    assert read_session(kept.path).positions == {"taps/1.wav": "back", "taps/2.wav": "back"}
    assert [s.guitar for s in logbook.sessions()] == ["Wren"]


ODD = st.text(st.characters(blacklist_categories=("Cs",)), min_size=1, max_size=30)


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    guitar=ODD,
    names=st.lists(ODD | st.sampled_from(["../../b", "/etc/x", "NUL", "a\\..\\b", "B"]), min_size=1, max_size=4),
)
def test_odd_names_stay_inside_and_are_told_apart(source, logbook, guitar, names):
    outside = everything(logbook.path.parent / "from the recorder")
    logbook = start_logbook(logbook.path.parent / f"logbook {len(list(logbook.path.parent.iterdir()))}")
    recordings = tuple(SessionRecording(f"{name}.wav", source / "b.wav") for name in names)
    before = set(logbook.path.parent.iterdir())
    if not guitar.split():
        with pytest.raises(LuthkitError, match="needs a name"):
            add_session(logbook, Session(guitar, recordings, {}))
        return
    kept = add_session(logbook, Session(guitar, recordings, {}))
    assert set(logbook.path.parent.iterdir()) == before
    assert everything(logbook.path.parent / "from the recorder") == outside
    assert kept.path.resolve().parent.parent == logbook.path.resolve()
    assert len(read_session(kept.path).recordings) == len(names)
    assert len(logbook.sessions()) == 1
    assert logbook.guitar(guitar).path == kept.path.parent


def test_guitars_whose_names_some_systems_mix_up(logbook):
    names = ["Robin", "Robin?", "Robin:", "ROBIN ?", "nul", "profiles", "é", "…"]
    folders = [add_guitar(logbook, name, role="build").path.name for name in names]
    assert len({folder.casefold() for folder in folders}) == len(names)
    assert "profiles" not in folders
    assert [guitar.role for guitar in logbook.guitars()] == ["build"] * len(names)
    assert add_guitar(logbook, "robin").name == "Robin" and add_guitar(logbook, "e\u0301").name == "é"
    with pytest.raises(LuthkitError, match="allowed are build, reference, other"):
        add_guitar(logbook, "x", role="good")
    with pytest.raises(LuthkitError, match="body_kind 'cello' is not known; allowed are classical"):
        add_guitar(logbook, "x", body_kind="cello")


KILLED = """
import os, shutil, signal, sys
from pathlib import Path
from luthkit.shop.keeping import add_event, add_session
import datetime, tomli_w, soundfile

first, source, homes = map(Path, sys.argv[1:])
steps = 0

def step(*_):
    global steps
    steps += 1
    if steps == last:
        os.kill(os.getpid(), signal.SIGKILL)

def hook(name, arguments):
    if counting and (name.startswith(("os.", "shutil.")) or name == "open"):
        step()

counting, survived, last = False, False, 0
while not survived:
    last += 1
    home = homes / str(last)
    shutil.copytree(first, home)
    child = os.fork()
    if not child:
        sys.addaudithook(hook)
        real = os.fsync
        os.fsync = lambda handle: (step(), real(handle))
        counting = True
        add_event(home, "Number 12", "repair", date=datetime.date(2024, 1, 2))
        add_session(home, source)
        os._exit(0)
    status = os.waitpid(child, 0)[1]
    assert status in (0, signal.SIGKILL), status
    survived = status == 0
print(last)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_killed_at_every_step_nothing_is_lost_and_nothing_is_half(source, logbook, tmp_path):
    kept = add_session(logbook, make_source(tmp_path / "first", seed=70))
    add_event(logbook, "Number 12", "strung", date=datetime.date(2024, 1, 1))
    before = everything(kept.path)
    homes = tmp_path / "homes"
    (steps,) = run(KILLED, logbook.path, source, homes)
    assert int(steps) > 30
    n_sessions, n_events, left = set(), set(), 0
    for n in range(1, int(steps) + 1):
        home = Logbook(homes / str(n))
        assert everything(home.path / "Number 12" / "2024-03-09") == before
        sessions, events = home.sessions(), home.events("Number 12")
        assert [event.kind for event in events] in (["strung"], ["strung", "repair"])
        for session in sessions:
            assert session.problem == "" and check_folder(session.path) == ()
            assert len(read_session(session.path).recordings) == 2
        n_sessions.add(len(sessions))
        n_events.add(len(events))
        left += len(home.unfinished())
        shutil.rmtree(home.path)
    assert n_sessions == {1, 2} and n_events == {1, 2}
    assert left > 0, "what a killed program left is told of"


FULL = """
import resource, sys
from luthkit.errors import LuthkitError
from luthkit.shop.keeping import add_session
resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))  # each sound has 40 kB
try:
    add_session(sys.argv[1], sys.argv[2])
except LuthkitError as error:
    print("full" if "disk is full" in str(error) else error)
"""


def test_a_full_disk_is_said_and_leaves_nothing_half(source, logbook):
    pytest.importorskip("resource")
    add_guitar(logbook, "Number 12")
    before = everything(logbook.path)
    assert run(FULL, logbook.path, source) == ["full"]
    assert everything(logbook.path) == before and logbook.sessions() == () and logbook.unfinished() == ()


def test_a_full_disk_that_is_one(source, tmp_path):
    small = tmp_path / "small"
    small.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=128k", "none", str(small)]
    if os.name == "nt" or subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("only root may mount a small disk")
    try:
        logbook = start_logbook(small / "book")
        kept = add_session(logbook, source)
        before = everything(kept.path)
        later = make_source(tmp_path / "later", seed=5)
        with pytest.raises(LuthkitError, match="the disk is full; make room and try again"):
            add_session(logbook, later)
        assert everything(kept.path) == before and len(logbook.sessions()) == 1 and logbook.unfinished() == ()
    finally:
        subprocess.run(["umount", str(small)], check=True)


TWO = """
import datetime, sys
from pathlib import Path
from luthkit.shop.keeping import add_event, add_session
from shop.conftest import make_source
home, mine, seed = Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3])
print("ready", flush=True)
sys.stdin.readline()
for k in range(4):
    add_session(home, make_source(mine / str(k), seed=seed + 10 * k))
    add_event(home, "Number 12", "other", date=datetime.date(2024, 1, 1 + k), note=f"{seed} {k}")
"""


def at_once(*jobs):
    """The last line each program prints (code, arguments), all let go when all are ready."""
    jobs = [
        subprocess.Popen(
            [sys.executable, "-c", *map(str, job)], cwd=TESTS, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        for job in jobs
    ]
    assert [job.stdout.readline().strip() for job in jobs] == ["ready"] * len(jobs)
    for job in jobs:
        job.stdin.write("go\n")
        job.stdin.flush()
    said = [job.communicate()[0].strip() for job in jobs]
    assert [job.returncode for job in jobs] == [0] * len(jobs)
    return said


def test_two_programs_at_once(logbook, tmp_path):
    at_once([TWO, logbook.path, tmp_path / "one", 1000], [TWO, logbook.path, tmp_path / "two", 2000])
    sessions = logbook.sessions()
    assert len(logbook.guitars()) == 1 and len(sessions) == 8 and len(logbook.events("Number 12")) == 8
    assert all(check_folder(session.path) == () for session in sessions)
    assert logbook.unfinished() == ()


SAME = """
import sys, time
from luthkit.errors import LuthkitError
from luthkit.shop import keeping
home, what, guitar = sys.argv[1:]
real = keeping.add_guitar  # what comes after the search for the same sound: the other has time to search as well
keeping.add_guitar = lambda *a, **k: (time.sleep(0.5), real(*a, **k))[1]
print("ready", flush=True)
sys.stdin.readline()
try:
    print(keeping.add_session(home, what, guitar=guitar).path.name)
except LuthkitError as error:
    print("refused" if "is in the logbook already" in str(error) else error)
"""


def test_the_same_sound_by_two_programs_at_once_is_kept_once(logbook, source):
    said = at_once([SAME, logbook.path, source, "Wren"], [SAME, logbook.path, source, "Robin"])
    assert sorted(said) == ["2024-03-09", "refused"]
    assert len(logbook.sessions()) == len(logbook.guitars()) == 1 and logbook.unfinished() == ()


READ_ONLY = """
import os, sys
from pathlib import Path
from luthkit.errors import LuthkitError
from luthkit.shop.checksums import check_folder
from luthkit.shop.keeping import add_event, add_session
from luthkit.shop.logbook import open_logbook
from luthkit.shop import reading
import encodings.utf_8_sig, tomli_w, soundfile
home, source = Path(sys.argv[1]), Path(sys.argv[2])
if os.geteuid() == 0:
    os.setuid(65534)
logbook = open_logbook(home)
(session,) = logbook.sessions()
print(session.date, check_folder(session.path))
try:
    add_session(home, source, words={"stage": "braced"})
except LuthkitError as error:
    print("refused" if "cannot be written to" in str(error) else error)
"""


def test_a_disk_that_can_only_be_read(source, tmp_path, tmp_path_factory):
    import tempfile

    with tempfile.TemporaryDirectory() as home:  # pytest's own folders are closed to others
        logbook = start_logbook(Path(home) / "book")
        add_session(logbook, source)
        new = make_source(Path(home) / "new", seed=50)
        folders = [path for path in (Path(home), *Path(home).rglob("*")) if path.is_dir()]
        for folder in folders:
            folder.chmod(0o555)
        try:
            before = everything(logbook.path)
            assert run(READ_ONLY, logbook.path, new) == ["2024-03-09", "()", "refused"]
            assert everything(logbook.path) == before
        finally:
            for folder in folders:
                folder.chmod(0o755)


def test_links_in_the_logbook_are_not_followed(source, logbook, tmp_path):
    kept = add_session(logbook, source)
    elsewhere = tmp_path / "elsewhere"
    add_session(start_logbook(elsewhere), make_source(tmp_path / "other", seed=7), guitar="Stranger")
    (logbook.path / "Stranger").symlink_to(elsewhere / "Stranger")
    (kept.path.parent / "2024-03-10").symlink_to(elsewhere / "Stranger" / "2024-03-09")
    assert [s.path for s in logbook.sessions()] == [kept.path]
    assert [g.name for g in logbook.guitars()] == ["Number 12"]
    with pytest.raises(LuthkitError, match="no guitar in the logbook is called 'Stranger'"):
        logbook.guitar("Stranger")
    linked = tmp_path / "linked"
    linked.symlink_to(logbook.path)
    assert len(Logbook(linked).sessions()) == 1, "the logbook itself may be reached by a link"


def test_a_link_among_the_sources_becomes_sound_of_its_own(source, logbook, tmp_path):
    real = tmp_path / "real.wav"
    (source / "b.wav").rename(real)
    (source / "b.wav").symlink_to(real)
    (source / "session.toml").unlink()
    kept = add_session(logbook, source, guitar="Wren")
    assert not (kept.path / "b.wav").is_symlink() and (kept.path / "b.wav").read_bytes() == real.read_bytes()


def test_the_copy_of_a_synchronising_program_is_not_kept_as_sound(source, logbook):
    soundfile.write(source / "b (conflicted copy 2024-03-10).wav", [0.1] * 2000, 16000)
    kept = add_session(logbook, source)
    assert sorted(read_session(kept.path).positions) == ["b.wav", "taps/a.wav"]


def test_events_stay_in_order_and_faults_are_named(logbook):
    guitar = add_guitar(logbook, "Wren")
    add_event(logbook, "Wren", "repair", date=datetime.date(2024, 5, 1), note='new "saddle",\nbone')
    add_event(logbook, "wren", "strung", date=datetime.date(2024, 1, 1))
    assert [(e.kind, e.note) for e in logbook.events("Wren")] == [("strung", ""), ("repair", 'new "saddle", bone')]
    with pytest.raises(LuthkitError, match="allowed are strung, strings changed, set-up, repair, other"):
        add_event(logbook, "Wren", "dropped", date=datetime.date(2024, 5, 1))
    table = guitar.path / "events.csv"
    table.write_text(table.read_text() + "9.3.2024,repair,\n")
    with pytest.raises(LuthkitError, match=r"events\.csv, line 4: '9\.3\.2024' is no date"):
        logbook.events("Wren")
    before = table.read_text()
    with pytest.raises(LuthkitError, match="is no date"):
        add_event(logbook, "Wren", "repair", date=datetime.date(2024, 5, 2))
    assert table.read_text() == before


def test_folders_that_sort_one_way_as_paths_and_another_as_text_are_kept(tmp_path, logbook):
    """A space comes before a slash in text; "taps" comes before "taps 2" among paths."""
    make_source(tmp_path / "from" / "inner")
    for name in ("taps", "taps 2"):
        (tmp_path / "day" / name).mkdir(parents=True)
    (tmp_path / "from/inner/taps/a.wav").rename(tmp_path / "day/taps/a.wav")
    (tmp_path / "from/inner/b.wav").rename(tmp_path / "day/taps 2/a.wav")
    kept = add_session(logbook, tmp_path / "day", guitar="Twelve")
    assert {r.name for r in read_session(kept.path).recordings} == {"taps/a.wav", "taps 2/a.wav"}
