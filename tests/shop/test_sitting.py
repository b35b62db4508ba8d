"""The sitting, without a microphone: takes go in, the plan goes on."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from luthkit.errors import LuthkitError
from luthkit.shop.ear import Ear, Take, whole_steps
from luthkit.shop.live import blocks_of
from luthkit.shop.sitting import LOST, TAKEN_BACK, Plan, Sitting, Spot
from luthkit.signal.recording import open_recording

SAMPLES = Path(__file__).parents[2] / "sample_audio"


def takes_in(name):
    recording = open_recording(SAMPLES / f"{name}.flac")
    ear = Ear(recording.sample_rate_hz)
    return [take for block in blocks_of(recording) for take in ear.hear(block)]


@pytest.fixture(scope="module")
def bridge():
    return takes_in("build_seven/taps/bridge_centre_2")  # seven, one of them clipped


@pytest.fixture(scope="module")
def knocks():
    """Two knocks on the bench, 0.4 s apart: noise that dies away."""
    rng = np.random.default_rng(3)
    sound = 1e-5 * rng.standard_normal(48000 * 2)
    for start in (24000, 24000 + 19200):
        sound[start : start + 4800] += 0.2 * rng.standard_normal(4800) * np.exp(-np.arange(4800) / 500)
    return Take(whole_steps(sound[:, None]), 48000, 0.0)


def test_spots_come_in_the_order_of_the_work():
    plan = Plan(("bridge centre", "bass wing"), n_placements=2, n_taps=3, n_bar_taps=2)
    assert [(spot.kind, spot.position, spot.placement) for spot in plan.spots] == [
        ("bar", "", ""),
        ("tap", "bridge centre", "1"),
        ("tap", "bass wing", "1"),
        ("tap", "bridge centre", "2"),
        ("tap", "bass wing", "2"),
    ]
    assert [plan.wanted(spot) for spot in plan.spots] == [2, 3, 3, 3, 3]


def test_only_good_taps_count_and_each_verdict_says_why(bridge):
    sitting = Sitting(Plan(n_taps=6, n_placements=2))
    for take in bridge:
        assert sitting.spot == Spot("bridge centre", "1")
        assert f"{6 - sitting.good(sitting.spot)} more" in sitting.instruction
        sitting = sitting.hear(take)
    assert sorted(one.verdict.split(":")[0] for one in sitting.judged) == ["kept"] * 6 + ["left out"]
    (bad,) = [one for one in sitting.judged if not one.kept]
    assert bad.reason.startswith("clipped") and bad.in_itself
    assert [one.number for one in sitting.judged] == [1, 2, 3, 4, 5, 6, 7]


def test_after_a_round_the_guitar_is_placed_again(bridge, knocks):
    sitting = Sitting(Plan(n_taps=2, n_placements=2))
    good = [take for take in bridge if take.peak_db < -0.1]
    for take in good[:2]:
        sitting = sitting.hear(take)
    assert sitting.must_place_again and "Lift the guitar" in sitting.instruction
    assert sitting.hear(good[2]) is sitting  # a single knock while the guitar is moved counts for nothing
    again = sitting.hear(knocks)
    assert not again.must_place_again and again.spot == Spot("bridge centre", "2")
    assert again.judged == sitting.judged  # the knocks themselves are no tap
    assert sitting.ready().spot == again.spot
    for take in good[2:4]:
        again = again.hear(take)
    assert again.spot is None and again.instruction.startswith("Done") and again.hear(good[4]) is again


def test_a_take_with_lost_sound_is_left_out_whatever_it_sounds_like(bridge):
    good = next(take for take in bridge if take.peak_db < -0.1)
    sitting = Sitting(Plan()).hear(Take(good.samples, good.sample_rate_hz, 0.0, lost=True))
    assert sitting.judged[0].reason == LOST and sitting.good(sitting.spot) == 0
    assert Sitting(Plan()).hear(good).good(Spot("bridge centre", "1")) == 1


def test_a_tap_of_another_guitar_is_found_out_once_there_are_fellows(bridge):
    good = [take for take in bridge if take.peak_db < -0.1]
    sitting = Sitting(Plan(n_taps=9)).hear(takes_in("reference_marlpit/taps/bridge_centre_2")[0])
    assert sitting.judged[0].kept == 1  # alone it is as good as any
    for take in good:
        sitting = sitting.hear(take)
    assert sitting.judged[0].reason.startswith("outlier") and not sitting.judged[0].in_itself
    assert sitting.good(sitting.spot) == len(good)


def test_the_last_take_can_be_taken_back_and_a_spot_skipped(bridge):
    good = [take for take in bridge if take.peak_db < -0.1]
    sitting = Sitting(Plan(n_taps=3)).hear(good[0]).hear(good[1])
    fewer = sitting.without_last()
    assert (sitting.good(sitting.spot), fewer.good(fewer.spot)) == (2, 1)
    assert fewer.judged[1].reason == TAKEN_BACK
    assert fewer.hear(good[2]).judged[2].number == 3
    assert fewer.without_last().good(fewer.spot) == 0
    assert Sitting(Plan()).without_last().judged == ()
    assert sitting.skip().must_place_again and sitting.skip().ready().skip().spot is None


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"positions": ("soundboard",)}, "'soundboard' is not known"),
        ({"positions": ()}, "at least one position"),
        ({"positions": ("back", "back")}, "only once"),
        ({"n_taps": 0}, "n_taps is 0"),
        ({"condition": "unplugged"}, "'unplugged' is not known"),
        ({"condition": "mass at bridge"}, "added_mass_g is 0"),
        ({"added_mass_g": 10.0}, "added_mass_g is 10"),
        ({"n_plucks": 1, "strings": ("H2",)}, "'H2' is not the name of a note"),
        ({"n_plucks": 1, "strings": ("E2", "E2")}, "each only once"),
        ({"n_placements": 2.5}, "n_placements is 2.5"),
        ({"n_bar_taps": True}, "n_bar_taps is True"),
    ],
)
def test_a_plan_that_makes_no_sense_is_refused(wrong, words):
    with pytest.raises(LuthkitError, match=words):
        Plan(**wrong)


def test_a_plug_is_told_of_with_its_care_and_taken_out_again(bridge, knocks):
    """As usual, then plugged, in each placement; knocks in the room come first and strings last."""
    plan = Plan(n_taps=1, condition="soundhole plugged", n_knocks=1, n_strums=1, n_plucks=2, strings=("E2",))
    assert [spot.set_up for spot in plan.spots] == [
        *("no guitar", "1", "1, soundhole plugged", "2", "2, soundhole plugged", "played", "played")
    ]
    sitting, good = Sitting(plan), [take for take in bridge if take.peak_db < -0.1]
    assert sitting.instruction == "Knock on the bench: 1 more."
    sitting = sitting.hear(knocks)
    assert sitting.must_place_again and sitting.instruction.startswith("Hang the guitar up")
    sitting = sitting.hear(knocks).hear(good[0])
    assert "Plug the soundhole" in sitting.instruction and "must not press on the rosette" in sitting.instruction
    sitting = sitting.ready()
    assert sitting.instruction == "Tap bridge centre, soundhole plugged: 1 more."
    sitting = sitting.hear(good[1])
    assert sitting.instruction.startswith("Take the plug out. Lift the guitar")
    sitting = sitting.ready().skip().ready().skip()
    assert sitting.instruction.startswith("Take the plug out. Take the felt off the strings")
    assert sitting.tally == "1 good knock, 2 good taps, 0 good strums, 0 good plucks"
    sitting = sitting.ready().skip()
    assert sitting.instruction == "Pluck the E2 string and let it ring until the chime: 2 more."
    heavy = Sitting(Plan(n_taps=1, condition="mass at bridge", added_mass_g=7.5)).hear(good[0])
    assert "Put 7.5 g of putty on the bridge" in heavy.instruction and "No lump of mass" in heavy.instruction


def test_a_strum_is_judged_as_a_strum():
    """Noise without a beginning is none, and one that is clipped is not kept."""
    strum = open_recording(SAMPLES / "build_seven/strums/E_major.flac")
    sound = strum.read(0, 5 * strum.sample_rate_hz)
    sitting = Sitting(Plan(n_taps=0, n_strums=2)).hear(Take(whole_steps(sound), strum.sample_rate_hz, 0.0))
    assert sitting.judged[0].kept == 1 and sitting.good(sitting.spot) == 1
    quiet = Take(whole_steps(1e-3 * np.random.default_rng(1).standard_normal(sound.shape)), strum.sample_rate_hz, 0.0)
    loud = Take(whole_steps(np.clip(9 * sound, -1, 1)), strum.sample_rate_hz, 0.0)
    sitting = sitting.hear(quiet).hear(loud)
    assert [one.kept for one in sitting.judged] == [1, 0, 0]
    assert sitting.judged[1].reason.startswith("no stroke found") and sitting.judged[2].reason.startswith("clipped")
    assert all(one.in_itself for one in sitting.judged[1:])


@settings(deadline=None, max_examples=60)
@given(st.lists(st.sampled_from(["skip", "ready", "back"]), max_size=12), st.integers(1, 3), st.integers(0, 1))
def test_any_order_of_buttons_leads_through_the_spots_and_to_an_end(orders, n_placements, n_more):
    condition = "back blocked" if n_more else ""
    more = {"n_bar_taps": n_more, "n_knocks": n_more, "condition": condition, "n_strums": n_more}
    sitting = Sitting(Plan(("bridge centre", "rim"), n_placements=n_placements, **more))
    for order in orders:
        sitting = {"skip": sitting.skip, "ready": sitting.ready, "back": sitting.without_last}[order]()
        assert sitting.instruction
        assert sitting.spot is None or sitting.spot in sitting.plan.spots
    left = len(sitting.plan.spots) - len(sitting.skipped)
    for _ in range(left):
        assert sitting.spot is not None
        sitting = sitting.ready().skip()
    assert sitting.spot is None
