"""`luthkit history`: exit codes, one sentence, valid JSON."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from shop.test_history import record

from luthkit.cli import main
from luthkit.shop.logbook import start_logbook

SAMPLE = str(Path(__file__).parent.parent / "sample_audio" / "build_four_over_time")


def test_words_json_and_report(tmp_path, capsys):
    assert main(["history", SAMPLE, "--report", str(tmp_path / "r.html")]) == 0
    out = capsys.readouterr().out
    assert "At rest" in out and "Looking ahead" in out and "Report:" in out
    page = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "<img" in page and "://" not in page.replace("http://www.w3.org", "")
    assert main(["history", SAMPLE, "--json", "--climate", "20", "50", "--within", "1"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["alarm"]["state"] == "nothing unusual" and data["outlooks"][0]["within"] == pytest.approx(0.01)


def test_looking_back_and_a_study_of_ones_own(tmp_path, capsys):
    rng = np.random.default_rng(0)
    lines = ["mode,day,hanging,frequency_hz,damping_ratio"]
    lines += [
        f"air,{d},{h},{100 * np.exp(rng.normal(0, 0.002))},0.01" for d in range(3) for h in range(3) for _ in "ab"
    ]
    (tmp_path / "study.csv").write_text("\n".join(lines))
    told = ["--start-for", "196", "main top", "--settled", SAMPLE, "--repeat-study", str(tmp_path / "study.csv")]
    assert main(["history", SAMPLE, *told]) == 0
    out = capsys.readouterr().out
    assert "must start between" in out and "only one of the shop's own guitars has" in out and "hung up again" in out


@pytest.mark.parametrize(
    ("words", "code", "sentence"),
    [
        (["/nowhere/at all"], 2, "does not exist"),
        ([SAMPLE, "--start-for", "high", "main top"], 2, "frequency in hertz"),
        ([SAMPLE, "--start-for", "196", "nothing", "--settled", SAMPLE], 1, "has no mode 'nothing'"),
        ([SAMPLE, "--within", "0"], 1, "fraction"),
        ([str(Path(SAMPLE).parent / "build_seven")], 1, "no dated session"),
    ],
)
def test_what_is_wrong_is_one_sentence(words, code, sentence, capsys):
    assert main(["history", *words]) == code
    error = capsys.readouterr().err
    assert sentence in error and error.count("\n") == 1 and "Traceback" not in error


def test_a_guitar_of_the_logbook_goes_by_its_name(tmp_path, capsys):
    home = start_logbook(tmp_path / "my logbook").path
    shutil.copytree(SAMPLE, home / "four")
    assert main(["history", "build four", "--logbook", str(home)]) == 0
    assert "19 sessions" in capsys.readouterr().out
    assert main(["history", "build nine", "--logbook", str(home)]) == 2
    assert "there is Build Four" in capsys.readouterr().err


@pytest.mark.usefixtures("blank_pictures")
def test_a_study_in_the_logbook_is_found_and_can_be_left_out(tmp_path, capsys, monkeypatch):
    home = start_logbook(tmp_path / "logbook").path
    shutil.copytree(SAMPLE, home / "four")
    monkeypatch.chdir(tmp_path)  # the workshop, with the logbook in it
    study = str(Path(SAMPLE) / "repeat_study.csv")
    assert main(["keep", study, "--date", "2024-11-02"]) == 0
    assert "use it from now on" in capsys.readouterr().out
    said = "from your repeat study, in use since 2024-11-02"

    def notes(*words):
        assert main([*words, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        return " ".join(found.get("notes", found.get("cautions", ())))

    assert said in notes("history", "Build Four")
    assert "repeat study" not in notes("history", "Build Four", "--no-repeat-study")
    guitars = [str(tmp_path / name) for name in ("build", "reference")]
    for number, guitar in enumerate(guitars):
        record(Path(guitar), seed=number)
    assert "repeat study" not in notes("compare", *guitars)  # these lie elsewhere: another hand's
    shutil.copytree(guitars[0], home / "four" / "2025-01-01")
    guitars[0] = str(home / "four" / "2025-01-01")
    assert said in notes("compare", *guitars)
    assert "repeat study" not in notes("compare", *guitars, "--no-repeat-study")
    assert main(["history", "Build Four", "--repeat-study"]) == 1
    assert "repeat_study = true" in capsys.readouterr().err
    assert main(["history", SAMPLE, "--repeat-study"]) == 2
    assert "no logbook" in capsys.readouterr().err
    assert main(["history", SAMPLE, "--days", "2024-01-01", "2024-01-02"]) == 2


def test_verdicts_of_compare_use_the_study(tmp_path):
    from luthkit import Thresholds
    from luthkit.shop.study import read_repeat_study

    rng = np.random.default_rng(1)
    lines = ["mode,day,hanging,frequency_hz,damping_ratio"]
    for d in range(4):
        for h in range(3):
            for _ in "ab":
                lines.append(f"air,{d},{h},{100 * np.exp(rng.normal(0, 0.01))},{0.01 * np.exp(rng.normal(0, 0.1))}")
    (tmp_path / "study.csv").write_text("\n".join(lines))
    own = read_repeat_study(tmp_path / "study.csv").thresholds()
    assert own.frequency_same_setup.value == pytest.approx(0.01, rel=0.5)
    assert own.repeat_limit_cents() > 2 * Thresholds().repeat_limit_cents()
    (tmp_path / "slip.csv").write_text("\n".join([*lines, "air,5,1,high,0.01"]))
    samples = Path(SAMPLE).parent
    build, reference = str(samples / "build_seven"), str(samples / "reference_marlpit")
    assert main(["compare", build, reference, "--repeat-study", str(tmp_path / "slip.csv")]) == 1
