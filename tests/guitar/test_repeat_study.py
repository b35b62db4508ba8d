"""The repeat study: NIST's certified analysis of variance, scipy, and made studies of known components."""

from pathlib import Path

import numpy as np
import pytest
import scipy.stats

from luthkit import LuthkitError, Thresholds
from luthkit.guitar.repeat_study import nested_components, repeat_study
from luthkit.guitar.thresholds import SEEN

# NIST Statistical Reference Datasets, analysis of variance, SiRstv: 5 instruments, 5 readings each.
SIRSTV = np.array(
    [
        [196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
        [196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
        [196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
        [196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
        [196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
    ]
)


def test_nist_certified_analysis_of_variance():
    (between, within) = nested_components(SIRSTV.ravel(), [np.repeat(range(5), 5)])
    assert (between[1], within[1]) == (4, 20)
    assert between[0] * 4 == pytest.approx(5.11462616e-02, rel=1e-9)
    assert within[0] * 20 == pytest.approx(2.1663656e-01, rel=1e-9)
    assert between[0] / within[0] == pytest.approx(1.18046237440255, rel=1e-9)
    assert np.sqrt(within[0]) == pytest.approx(0.104076068334656, rel=1e-9)
    assert between[0] / within[0] == pytest.approx(scipy.stats.f_oneway(*SIRSTV).statistic, rel=1e-9)


def test_iso_5725_repeatability_and_reproducibility():
    """ISO 5725-2 (formula from memory): s_L^2 = (MS between - MS within) / n, s_R^2 = s_r^2 + s_L^2."""
    (between, within) = nested_components(SIRSTV.ravel(), [np.repeat(range(5), 5)])
    assert between[2] == pytest.approx((between[0] - within[0]) / 5)
    assert np.sqrt([within[2], between[2], within[2] + between[2]]) == pytest.approx(
        [0.104076068, 0.019772392, 0.105937602], rel=1e-7
    )


@pytest.mark.parametrize(("name", "digits"), [("AtmWtAg", 1e-8), ("SmLs01", 1e-10), ("SmLs04", 1e-8), ("SmLs07", 1e-2)])
def test_large_offsets_do_no_harm(name, digits):
    """NIST's sets whose constant is up to 13 digits larger than the scatter; their files lie in scipy's tests."""
    where = Path(scipy.stats.__file__).parent / "tests/data/nist_anova" / f"{name}.dat"
    if not where.exists():
        pytest.skip("this scipy came without its tests")
    lines = where.read_text().splitlines()
    certified = float(next(line for line in lines if line.startswith("Between")).split()[-1])
    rows = np.array([line.split() for line in lines[60:] if line.strip()], dtype=float)
    (between, within) = nested_components(rows[:, 1], [rows[:, 0]])
    assert between[0] / within[0] == pytest.approx(certified, rel=digits)


def plan(rng, *, days=3, hangings=3, readings=2, operators=1, sd=(0.004, 0.002, 0.003, 0.001), modes=4):
    rows = []
    for operator in range(operators):
        for mode in range(modes):
            at_operator = rng.normal(0, sd[0]) if operators > 1 else 0.0
            for day in range(days):
                at_day = rng.normal(0, sd[1])
                for hanging in range(hangings):
                    at_hanging = rng.normal(0, sd[2])
                    for _ in range(readings):
                        value = at_operator + at_day + at_hanging + rng.normal(0, sd[3])
                        rows.append(
                            {
                                "mode": f"mode {mode}",
                                "operator": f"person {operator}",
                                "day": day,
                                "hanging": hanging,
                                "frequency_hz": 100 * (mode + 1) * np.exp(value),
                                "damping_ratio": 0.012 * np.exp(40 * value),
                            }
                        )
    return rows


def test_components_come_back():
    study = repeat_study(plan(np.random.default_rng(1), days=12, hangings=6, readings=3))
    found = {c.level: c.sd for c in study.frequency}
    assert found == pytest.approx({"day": 0.002, "hanging": 0.003, "reading": 0.001}, rel=0.25)
    assert [c.sd for c in study.damping] == pytest.approx([40 * c.sd for c in study.frequency], rel=1e-6)
    assert {c.level: c.dof for c in study.frequency} == {"day": 11, "hanging": 60, "reading": 144}
    sd, dof = study.scatter("frequency", "hanging")
    assert sd == pytest.approx(np.hypot(found["hanging"], found["reading"])) and 60 < dof < 204
    assert study.smallest_change() == pytest.approx(SEEN * sd) and 2.76 < SEEN < 2.78


def test_unequal_groups_are_unbiased():
    """Ragged plans: the mean of the estimated variance over many is the true one (before cutting at zero)."""
    rng, found = np.random.default_rng(2), []
    groups = np.repeat([0, 1, 2, 3, 4], [2, 5, 3, 1, 6])
    for _ in range(400):
        values = rng.normal(0, 2.0, 5)[groups] + rng.normal(0, 1.0, len(groups))
        found.append([part[2] for part in nested_components(values, [groups])])
    assert np.mean(found, axis=0) == pytest.approx([4.0, 1.0], rel=0.15)


def test_thresholds_become_the_maker_s_own():
    study = repeat_study(plan(np.random.default_rng(3), operators=2))
    own, usual = study.thresholds(), Thresholds()
    assert own.frequency_rehung.value == pytest.approx(study.scatter("frequency", "hanging")[0])
    assert own.frequency_rehung.low < own.frequency_rehung.value < own.frequency_rehung.high
    assert "repeat study" in own.frequency_rehung.source and own.frequency_rehung.dof > 4
    assert own.frequency_other_room == usual.frequency_other_room  # not varied, so not known
    assert own.frequency_heard_best == usual.frequency_heard_best
    alone = repeat_study(plan(np.random.default_rng(3)))
    assert alone.thresholds().frequency_other_operator == usual.frequency_other_operator
    assert any("another hand" in note for note in alone.notes)


def test_its_scatter_is_for_its_own_modes_only():
    rows = [row for row in plan(np.random.default_rng(3), modes=3) if row["mode"] != "mode 2"]
    few = [{**row, "mode": "mode 2"} for row in rows[:3]]
    study = repeat_study([*rows, *few])
    assert study.modes == ("mode 0", "mode 1") and any("mode 2 was read fewer" in note for note in study.notes)
    own, usual = study.thresholds(), Thresholds()
    assert own.scatter("frequency", "Mode 1") == own.frequency_rehung != usual.frequency_rehung
    for quantity in ("frequency", "damping"):
        assert own.scatter(quantity, "mode 2") == usual.scatter(quantity) == usual.scatter(quantity, "mode 2")
    assert len(own.figures()) == len(usual.figures())


def test_three_days_with_two_hangings_are_enough():
    """Three degrees of freedom of one level: none is lost to rounding."""
    labels = [(day, hanging) for day in range(3) for hanging in range(2)]
    rows = [
        {"mode": "air", "day": d, "hanging": h, "frequency_hz": f, "damping_ratio": 0.01}
        for (d, h), f in zip(labels, (100.0, 100.3, 100.1, 99.8, 99.9, 100.2), strict=True)
    ]
    own = repeat_study(rows).thresholds()
    assert own.frequency_rehung.value == pytest.approx(np.sqrt(3 / 6 * 0.003**2), rel=0.01)  # sum of (x - y)^2 / 2 / 3
    assert "0.21 % in frequency (re-hung), from your repeat study" in own.study_sentence


def test_what_cannot_be_studied_is_refused():
    rows = plan(np.random.default_rng(4))
    with pytest.raises(LuthkitError, match="at least 4"):
        repeat_study(rows[:2])
    with pytest.raises(LuthkitError, match="no label"):
        repeat_study([{k: v for k, v in row.items() if k not in ("day", "hanging")} for row in rows])
    with pytest.raises(LuthkitError, match="one label a value"):
        nested_components([1.0, 2.0, 3.0], [[1, 2]])
