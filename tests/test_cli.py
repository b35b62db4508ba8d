"""The command on good and on bad recordings: exit code, one sentence, valid JSON, never a traceback."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from luthkit import simulate
from luthkit.cli import main

RATE = 16000
AWKWARD = """it's "quoted" <b>&"""


def write_guitar(folder: Path, *, seed=1, stretch=1.0, offset=0.0, n_taps=4, rate=RATE) -> Path:
    """A folder of synthetic taps of a small invented guitar with body modes at 100, 200 and 330 Hz."""
    folder.mkdir(parents=True)
    rng = np.random.default_rng(seed)
    frequency = np.array([100.0, 200.0, 330.0])
    body = simulate.Body(simulate.pole(frequency * stretch, 0.02), np.array([[0.6], [1.0], [0.5]]))
    bench = simulate.Bench(n_taps=n_taps, sample_rate_hz=rate, length_s=0.8, hum_db=None)
    for k, (samples, _, _) in enumerate(simulate.tap_sounds(rng, body, bench)):
        soundfile.write(folder / f"tap {k}.wav", samples + offset, rate, subtype="PCM_24")
    return folder


@pytest.fixture(scope="session")
def guitars(tmp_path_factory):
    root = tmp_path_factory.mktemp("guitars")
    write_guitar(root / "old", seed=1)
    write_guitar(root / "older", seed=2, stretch=1.004)
    write_guitar(root / AWKWARD, seed=3, stretch=1.06)
    return root


@pytest.fixture
def run(capsys, tmp_path, monkeypatch):
    """Run the command in an empty folder and give (exit code, standard output, standard error)."""
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)

    def call(*arguments):
        code = main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    call.here = here
    return call


def one_sentence(err: str) -> str:
    """The single line on standard error."""
    assert err.startswith("luthkit: ") and err.count("\n") == 1 and err.endswith("\n"), err
    assert len(err) > 25
    return err


# --- good recordings ---


def test_modes_as_json(run, guitars):
    code, out, err = run("modes", guitars / "old", "--json")
    found = json.loads(out)
    assert (code, err) == (0, "")
    frequency = [mode["frequency_hz"] for mode in found["modes"] if mode["kind"] == "body"]
    assert frequency == sorted(frequency)
    for truth in (100.0, 200.0, 330.0):
        nearest = min(found["modes"], key=lambda mode: abs(mode["frequency_hz"] - truth))
        assert nearest["frequency_hz"] == pytest.approx(truth, rel=2e-3)
        assert nearest["damping_ratio"] == pytest.approx(0.02, rel=0.2)
    assert found["taps"] == {"accepted": 4, "rejected": []}
    assert set(found["sources"]) == {f"tap {k}.wav" for k in range(4)}
    assert found["report"] is None and list(run.here.iterdir()) == []
    needed = {"frequency_u_hz", "damping_ratio_u", "level_db", "level_u_db", "q_factor", "witnesses", "notes"}
    assert needed <= set(found["modes"][0])
    assert {"placements", "parameters", "version"} <= set(found)


def test_modes_of_files_print_a_table_and_write_the_report_asked_for(run, guitars):
    files = sorted((guitars / "old").iterdir())
    code, out, err = run("modes", *files, "--report", "mine.html")
    assert (code, err) == (0, "")
    assert "4 taps kept, none left out, 1 placement" in out and "Damping ratio" in out
    assert out.endswith("Report: mine.html\n") and (run.here / "mine.html").exists()


def test_compare_prints_a_table_and_writes_a_report(run, guitars):
    code, out, err = run("compare", guitars / AWKWARD, guitars / "old", guitars / "older")
    assert (code, err) == (0, "")
    assert "likely heard" in out and "cents" in out
    (report,) = run.here.iterdir()
    assert out.endswith(f"Report: {report.name}\n")
    assert "<b>" not in report.read_text(encoding="utf-8")


@pytest.mark.usefixtures("blank_pictures")
def test_compare_as_json_says_where_the_report_is(run, guitars):
    code, out, err = run("compare", guitars / AWKWARD, guitars / "old", "--json", "--report", "x.html")
    found = json.loads(out)
    assert (code, err, found["report"]) == (0, "", "x.html")
    verdicts = {round(p["build"]["frequency_hz"], -1): p["frequency"]["verdict"] for p in found["pairs"]}
    assert verdicts[210] == "likely heard"
    shift = next(p for p in found["pairs"] if 205 < p["build"]["frequency_hz"] < 220)
    assert shift["frequency"]["difference_cents"] == pytest.approx(1200 * np.log2(1.06), abs=5)


@pytest.mark.usefixtures("blank_pictures")
def test_a_guitar_beside_itself_is_within_repeatability(run, guitars):
    code, out, _ = run("compare", guitars / "old", guitars / "old", "--json")
    found = json.loads(out)
    assert code == 0
    verdicts = [p["frequency"]["verdict"] for p in found["pairs"]]
    assert verdicts.count("within repeatability") >= 3
    assert set(verdicts) <= {"within repeatability", "cannot tell"}
    assert any("same recordings" in caution for caution in found["cautions"])


@pytest.mark.usefixtures("blank_pictures")
def test_an_existing_report_of_another_comparison_is_kept(run, guitars):
    run("compare", guitars / "old", guitars / "older", "--report", "x.html")
    before = (run.here / "x.html").read_bytes()
    code, _, err = run("compare", guitars / AWKWARD, guitars / "older", "--report", "x.html")
    assert code == 2 and "not a report of these recordings" in one_sentence(err)
    assert (run.here / "x.html").read_bytes() == before
    (run.here / "letter.html").write_text("dear customer")
    code, _, err = run("compare", guitars / "old", guitars / "older", "--report", "letter.html")
    assert code == 2 and "no report of luthkit" in one_sentence(err)


def test_direct_current_changes_nothing(run, guitars, tmp_path):
    shifted = write_guitar(tmp_path / "shifted", seed=1, offset=0.1)
    plain = json.loads(run("modes", guitars / "old", "--json")[1])["modes"]
    moved = json.loads(run("modes", shifted, "--json")[1])["modes"]
    assert len(plain) == len(moved)
    for a, b in zip(plain, moved, strict=True):
        assert a["frequency_hz"] == pytest.approx(b["frequency_hz"], rel=1e-5)
        assert a["damping_ratio"] == pytest.approx(b["damping_ratio"], rel=1e-2)


def test_the_good_among_500_files_are_read_and_each_bad_one_named(run, tmp_path):
    folder = write_guitar(tmp_path / "many")
    for k in range(496):
        (folder / f"x{k:03d}.wav").write_bytes(b"no sound")
    code, out, err = run("modes", folder, "--json")
    found = json.loads(out)
    assert (code, err) == (0, "")
    assert found["taps"]["accepted"] == 4 and len(found["taps"]["rejected"]) == 496
    assert found["taps"]["rejected"][0]["file"] == "x000.wav" and found["taps"]["rejected"][0]["reason"]


# --- nothing usable: exit code 1 ---


def silence(path):
    soundfile.write(path, np.zeros(RATE), RATE)


def not_finite(value):
    def write(path):
        samples = 0.1 * np.random.default_rng(1).standard_normal(RATE)
        samples[5000] = value
        soundfile.write(path, samples, RATE, subtype="FLOAT")

    return write


def truncated(path):
    silence(path)
    path.write_bytes(path.read_bytes()[:3000])


def slow(path):
    soundfile.write(path, 0.1 * np.random.default_rng(1).standard_normal(8000), 8000)


def wide(path):
    soundfile.write(path, 0.1 * np.random.default_rng(1).standard_normal((RATE, 32)), RATE)


SPOILT = {
    "text": lambda path: path.write_text("this is no sound"),
    "nothing in it": lambda path: path.write_bytes(b""),
    "no samples": lambda path: soundfile.write(path, np.zeros(0), RATE),
    "truncated": truncated,
    "silence": silence,
    "not a number": not_finite(np.nan),
    "infinite": not_finite(np.inf),
    "8 kHz": slow,
    "32 channels": wide,
}


@pytest.mark.parametrize("fault", SPOILT)
def test_a_folder_with_one_spoilt_recording(run, tmp_path, guitars, fault):
    folder = tmp_path / "spoilt"
    folder.mkdir()
    SPOILT[fault](folder / "tap.wav")
    code, out, err = run("modes", folder, "--json")
    found = json.loads(out)
    assert code == 1 and "tap.wav" in one_sentence(err)
    assert found["modes"] == [] and found["taps"]["accepted"] == 0
    assert [left["file"] for left in found["taps"]["rejected"]] == ["tap.wav"]
    code, out, err = run("compare", folder, guitars / "old")
    assert code == 1 and out == "" and "tap.wav" in one_sentence(err)
    assert list(run.here.iterdir()) == []


def test_an_empty_folder(run, tmp_path):
    (tmp_path / "empty").mkdir()
    code, out, err = run("modes", tmp_path / "empty", "--json")
    assert code == 1 and "holds no sound files" in one_sentence(err)
    assert json.loads(out)["error"] in err
    code, out, err = run("compare", tmp_path / "empty", tmp_path / "empty")
    assert code == 1 and out == "" and "holds no sound files" in one_sentence(err)


def test_a_file_that_may_not_be_read(run, tmp_path, monkeypatch):
    folder = tmp_path / "locked"
    folder.mkdir()
    silence(folder / "tap.wav")

    def locked(file, *arguments, **options):
        raise PermissionError(13, "Permission denied", str(file))

    monkeypatch.setattr("luthkit.signal.recording.open", locked, raising=False)
    code, _, err = run("modes", folder, "--json")
    assert code == 1 and "permission" in one_sentence(err).lower()


def test_names_with_quotes_and_brackets_in_a_sentence(run, tmp_path):
    folder = tmp_path / AWKWARD
    folder.mkdir()
    (folder / "a\nb.wav").write_text("no sound")
    code, _, err = run("modes", folder)
    assert code == 1 and "a\\nb.wav" in one_sentence(err)


def test_a_bad_session_file(run, tmp_path):
    folder = write_guitar(tmp_path / "noted", n_taps=1)
    (folder / "session.toml").write_text("temperature_c = warm")
    code, _, err = run("modes", folder)
    assert code == 1 and "session.toml" in one_sentence(err)


def test_a_fault_in_a_helper_process_is_the_same_sentence(run, tmp_path, guitars, monkeypatch):
    monkeypatch.setattr("luthkit.shop.reading.POOL_FROM_BYTES", 0)
    folder = tmp_path / "bad"
    shutil.copytree(guitars / "old", folder)
    (folder / "session.toml").write_text("colour = 'red'")
    alone = run("modes", folder)[2]
    code, out, err = run("compare", guitars / "old", folder)
    assert (code, out, err) == (1, "", alone)


# --- bad use: exit code 2 ---


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["modes"],
        ["compare", "old"],
        ["listen", "old"],
        ["modes", "old", "--colour"],
        ["modes", "nowhere"],
        ["modes", "old", "older"],
        ["modes", "old", "nowhere", "--json"],
        ["compare", "old", "nowhere"],
        ["compare", "old", "older", "--setting", "next door"],
        ["compare", "old", "older", "--report", "no/such/folder/x.html"],
        ["compare", "old", "older", "--report", "."],
    ],
)
def test_bad_use(run, guitars, monkeypatch, arguments):
    monkeypatch.chdir(guitars)
    code, out, err = run(*arguments)
    one_sentence(err)
    assert code == 2
    assert out == "" or json.loads(out)["error"]


def test_help_and_version(run):
    assert run("--help")[0] == 0
    code, out, err = run("--version")
    assert (code, err) == (0, "") and out.startswith("luthkit ")


# --- stopped half-way ---


def test_ctrl_c_while_the_report_is_written_leaves_none(run, guitars, monkeypatch):
    from luthkit.shop import safe

    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(safe.os, "replace", stop)
    code, _, err = run("compare", guitars / "old", guitars / "older")
    assert code == 130 and "stopped" in one_sentence(err)
    assert list(run.here.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="sends the signal of Ctrl-C")
def test_a_real_ctrl_c_in_the_middle_of_reading(tmp_path, guitars):
    long = tmp_path / "long"
    long.mkdir()
    noise = 0.01 * np.random.default_rng(1).standard_normal(RATE * 300)
    for k in range(8):
        soundfile.write(long / f"{k}.wav", noise, RATE, subtype="PCM_16")
    code = "import sys; from luthkit.cli import main; print('go', flush=True); sys.exit(main(sys.argv[1:]))"
    command = [sys.executable, "-c", code, "compare", str(long), str(guitars / "old")]
    job = subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert job.stdout.readline() == "go\n"
    time.sleep(1)  # any moment will do: while it imports, reads or computes
    job.send_signal(signal.SIGINT)
    out, err = job.communicate(timeout=30)
    assert job.returncode == 130, err
    assert err == "luthkit: stopped by Ctrl-C\n" and out == ""
    assert sorted(p.name for p in tmp_path.iterdir()) == ["long"]


def test_a_reader_that_goes_away_is_no_fault(guitars, tmp_path):
    command = [sys.executable, "-m", "luthkit", "modes", str(guitars / "old")]
    job = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=tmp_path)
    job.stdout.close()
    err = job.stderr.read().decode()
    job.stderr.close()
    assert job.wait(60) == 0 and err == ""
