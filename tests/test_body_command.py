"""From a folder of synthetic taps in three conditions to the body in numbers: the reading and `luthkit body`."""

import json

import numpy as np
import pytest
import soundfile

from luthkit import simulate
from luthkit.cli import main
from luthkit.shop.body import read_body
from luthkit.simulate.guitars import RandomGuitar, random_guitar

RATE = 16000
CONDITIONS = {"usual": ("", 0.0), "plugged": ("soundhole plugged", 0.0), "loaded": ("mass at bridge", 10.0)}


@pytest.fixture(scope="module")
def guitar() -> RandomGuitar:
    """Invented: its lowest three by the model's kind of oscillators, its other modes of their own."""
    plain = random_guitar(np.random.default_rng(9), "classical")
    return RandomGuitar(plain.body_kind, simulate.AirTopBack(), plain.own_modes, plain.shares)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, guitar):
    root = tmp_path_factory.mktemp("guitars") / "Number 12"
    root.mkdir()
    rng = np.random.default_rng(2)
    lines = ['guitar = "Number 12"', "temperature_c = 20.0", 'body_kind = "classical"', "soundhole_diameter_mm = 100"]
    lines.append("body_volume_l = 17.5")
    for name, (condition, grams) in CONDITIONS.items():
        body = guitar.body(condition, added_mass_g=grams)
        bench = simulate.Bench(n_taps=3, sample_rate_hz=RATE, length_s=0.8, hum_db=None, snr_db=50)
        (root / name).mkdir()
        for k, (samples, _, _) in enumerate(simulate.tap_sounds(rng, body, bench)):
            soundfile.write(root / name / f"tap {k}.wav", samples, RATE, subtype="PCM_24")
        lines += ["[[recording]]", f'file = "{name}"', 'position = "bridge centre"']
        lines += [f'condition = "{condition}"'] if condition else []
        lines += [f"added_mass_g = {grams}"] if grams else []
    (root / "session.toml").write_text("\n".join(lines), encoding="utf-8")
    return root


@pytest.fixture
def call(capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def run(*words):
        code = main(["body", *map(str, words)])
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return run


@pytest.fixture(scope="module")
def by_hand(guitar):
    body = guitar.body()
    low = [k for k, label in enumerate(body.labels) if label in ("air", "main top", "main back")]
    return {body.labels[k]: float(body.frequency_hz[k]) for k in low}


def test_a_folder_becomes_a_body(folder, guitar, by_hand):
    sheet = read_body(folder, by_hand=by_hand)
    assert [r.condition for r in sheet.fit.readings] == [
        "as it is",
        "with the soundhole plugged",
        "with 10 g on the bridge",
    ]
    mass, box = sheet.fit.numbers["top_mass_kg"], sheet.fit.numbers["box_frequency_hz"]
    hole = np.pi * guitar.model.hole_radius_m**2
    truth = 343.2 / (2 * np.pi) * np.sqrt(hole / (guitar.model.volume_m3 * guitar.model.hole_length_m))
    assert mass.is_measured and abs(mass.value - guitar.model.top_mass_kg) < 3 * mass.u
    assert mass.u < 0.15 * mass.value
    assert abs(box.value - truth) < 3 * box.u and box.u < 0.03 * truth
    assert sheet.box_check.verdict == "they agree"
    assert sheet.fit.beliefs["hole_radius_m"][0] == pytest.approx(0.050)  # 100 mm across, by session.toml
    assert sheet.fit.beliefs["volume_m3"][0] == pytest.approx(0.0175)
    assert len(sheet.sources) == 9 and sheet.notes == ()


def test_by_names_what_if_and_report(call, folder, tmp_path):
    code, out, err = call(folder, "--hole-change", "-5%", "--bridge-change", "6", "--json", "--report", "body.html")
    said = json.loads(out)
    assert code == 0 and err == "" and said["name"] == "Number 12"
    assert said["what_if"]["change"]["hole_radius_factor"] == pytest.approx(0.95)
    air, top, _ = said["what_if"]["modes"]
    assert air["shift"] < -0.015 and top["shift"] < -0.02 and top["shift_u"] < 0.01
    assert len(said["readings"]) == 3 and said["readings"][2]["added_mass_kg"] == 0.01
    assert any("old finish" in line for line in said["cautions"])
    page = (tmp_path / "body.html").read_text(encoding="utf-8")
    assert page.count("<img") == 2 and "rosette" in page and "soundhole diameter -5 %, 6 g more on the bridge" in page


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--air", "104"), "give --air and --top together"),
        (
            ("--hole-change", "-90"),
            "--hole-change is -90; give by how many percent the soundhole diameter changes",
        ),
        (("--hole-change", "5cm"), "--hole-change is 5cm; give by how many percent"),
        (("--top-mass-change", "nan"), "the mass of the top changes, from -33 to 33"),
        (("--air", "x"), "invalid float value"),
    ],
)
def test_used_wrongly(call, folder, words, sentence):
    code, out, err = call(folder, *words)
    assert code == 2 and out == "" and sentence in err and err.count("\n") == 1


def test_a_mode_that_is_not_there(call, folder):
    code, _, err = call(folder, "--air", "40", "--top", "190")
    assert code == 1 and "air is said to be at 40 Hz, but no mode lies within 3 %" in err
