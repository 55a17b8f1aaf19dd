"""`nodeday plan`: airtime against frames worked by hand, collisions against a simulated channel."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from nodeday.cli.main import main
from nodeday.core import errors, yaml_io
from nodeday.core.errors import SettingsError
from nodeday.core.paths import DEMO_CONFIG
from nodeday.layouts import Layout
from nodeday.stages.devices import airtime
from nodeday.stages.devices.airtime import StreamOnAir
from nodeday.stages.devices.budget import budget, cost
from nodeday.stages.devices.describe import text
from nodeday.stages.devices.radio_plan import RadioPlan, load_plan

PLAN = (DEMO_CONFIG / "radio.yaml").read_text()


def planned(tmp_path: Path, *changes: tuple[str, str]) -> RadioPlan:
    changed = PLAN
    for old, new in changes:
        assert old in changed
        changed = changed.replace(old, new, 1)
    (tmp_path / "radio.yaml").write_text(changed)
    return load_plan(tmp_path / "radio.yaml")


@pytest.mark.parametrize(
    ("payload", "frames_per_s", "milliseconds", "duty"),
    [
        # 8 bytes of header, then 20 or 25 samples of 12 bits, or 10 of three axes.
        (38, 12.5, 1.568, 0.0196),
        (46, 20.0, 1.824, 0.0365),
        (53, 5.0, 2.048, 0.0102),
        (53, 10.0, 2.048, 0.0205),
    ],
)
def test_airtime_of_frames_worked_by_hand(
    payload: int, frames_per_s: float, milliseconds: float, duty: float
) -> None:
    """(4 preamble + 4 sync + 1 length + payload + 2 CRC) x 8 bits at 250 kbit/s: 32 us a byte."""
    seconds = airtime.airtime_s(payload, 4 + 4 + 1 + 2, 250)
    assert 1000 * seconds == pytest.approx(milliseconds, abs=1e-9)
    assert StreamOnAir("heart", "ecg", seconds, frames_per_s).duty == pytest.approx(duty, abs=5e-5)


def test_the_demos_frames_by_hand(beltframe: Layout) -> None:
    """address 1, kind and boot 1, counter 1, ticks 3, samples, battery 1; all else is the radio's or the
    hub's."""
    assert airtime.body_bytes(beltframe, beltframe.stream("ecg")) == 7 + 20 * 12 // 8
    assert airtime.body_bytes(beltframe, beltframe.stream("acc")) == 7 + 3 * 10 * 12 // 8
    assert airtime.body_bytes(beltframe, beltframe.stream("temp")) == 7 + 4 * 2


def test_collisions_of_equal_frames_are_alohas() -> None:
    # Rivals' load of 0.08: 1 - exp(-0.16) = 14.8 %.
    rivals = [StreamOnAir(f"n{n}", "acc", 0.002, 10.0) for n in range(4)]
    own = StreamOnAir("own", "acc", 0.002, 10.0)
    assert airtime.collision(own, [own, *rivals]) == pytest.approx(0.148, abs=0.0005)
    same = [StreamOnAir("own", other, 0.002, 10.0) for other in ("ecg", "temp")]
    assert airtime.collision(own, [own, *same]) == 0  # a node does not meet itself


def test_collisions_are_what_a_simulated_channel_shows() -> None:
    rng = np.random.default_rng(4)
    senders = [
        StreamOnAir("a", "ecg", 0.0016, 12.5),
        StreamOnAir("b", "acc", 0.0021, 5.0),
        StreamOnAir("c", "acc", 0.0021, 9.0),
    ]
    seconds = 20_000.0
    starts = [np.sort(rng.uniform(0, seconds, rng.poisson(s.frames_per_s * seconds))) for s in senders]
    for own, of_sender in zip(senders, starts, strict=True):
        hit = np.zeros(len(of_sender), bool)
        for other, of_other in zip(senders, starts, strict=True):
            if other.node != own.node:
                before, after = of_sender - other.airtime_s, of_sender + own.airtime_s
                hit |= np.searchsorted(of_other, after) > np.searchsorted(of_other, before)
        assert hit.mean() == pytest.approx(airtime.collision(own, senders), rel=0.05)


def test_slots_guards_runtime_and_common_practice() -> None:
    assert airtime.guard_s(50, 1, 0) == pytest.approx(200e-6)
    one = StreamOnAir("a", "ecg", 0.0016, 10.0)
    assert airtime.slots_used([one], 0.0002, 0.0008, 1.0) == pytest.approx(10 * 0.0018 + 0.001)
    assert airtime.runtime_h(220, 0.85, 8.5) == pytest.approx(22.0)
    assert airtime.most_ma(320, 15) == pytest.approx(21.3, abs=0.05)
    pair = [
        StreamOnAir("a", "acc", 0.002, 5.0),
        StreamOnAir("b", "acc", 0.002, 5.0),
        StreamOnAir("c", "ecg", 0.009, 12.5),
    ]
    assert airtime.longest_clash_s(pair, 20) == pytest.approx(200)
    assert airtime.longest_clash_s(pair[1:], 20) == 0


@pytest.mark.parametrize(
    ("mhz", "share"),
    [(433.9, 0.10), (868.3, 0.01), (869.5, 0.10), (868.8, None), (2440.0, None), (None, None)],
)
def test_duty_cycles_are_given_for_listed_bands_only(mhz: float | None, share: float | None) -> None:
    assert airtime.duty_limit(mhz) == share


def test_the_budget_of_the_demo(tmp_path: Path, beltframe: Layout) -> None:
    plan = planned(tmp_path)
    found = budget(plan, beltframe)
    heart = next(node for node in found.nodes if node.node == "heart")
    assert heart.duty == pytest.approx(48 * 32e-6 * 12.5)
    assert heart.mean_ma == pytest.approx(8.5 + 30 * heart.duty)
    assert heart.runtime_h == pytest.approx(320 * 0.85 / heart.mean_ma)
    ecg = found.streams[0]
    assert ecg.loss == pytest.approx(1 - (1 - ecg.collision) * 0.97)
    assert ecg.bytes_per_day == beltframe.frame_bytes(beltframe.stream("ecg")) * 12.5 * 86_400
    printed = text(plan, found)
    for words in (
        "21.3 mA (common practice, no source)",
        "check local rules",
        "MORE than allowed: heart",
        "Never charge a node while it is worn",
        "collide in clumps",
    ):
        assert words in printed.replace("\n", " ")


def test_slots_have_no_collisions_and_may_not_fit(tmp_path: Path, beltframe: Layout) -> None:
    plan = planned(
        tmp_path, ("access: unslotted", "access: slots"), ("bit_rate_kbps: 250", "bit_rate_kbps: 10")
    )
    found = budget(plan, beltframe)
    assert {stream.collision for stream in found.streams} == {0.0}
    assert found.slots_used > 1
    assert "Slots for every frame DO NOT FIT" in text(plan, found)


def test_a_stream_that_no_layout_has_is_refused(tmp_path: Path, beltframe: Layout) -> None:
    with pytest.raises(SettingsError, match=r"node heart sends egc \(did you mean ecg\?\)"):
        budget(planned(tmp_path, ("streams: [ecg]", "streams: [egc]")), beltframe)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("bit_rate_kbps", "bitrate_kbps", r"line 7: unknown key radio\.bitrate_kbps \(did you mean bit_"),
        ("access: unslotted", "access: tdma", r"line 12: radio\.access"),
        ("share: 0.03, burst: 4", "share: 0.9, burst: 4", "needs bursts of 9 frames or more"),
        ("  heart:", "  hub:", "no node's name"),
    ],
)
def test_a_wrong_radio_plan_says_where(tmp_path: Path, old: str, new: str, sentence: str) -> None:
    with pytest.raises(SettingsError, match=sentence):
        planned(tmp_path, (old, new))


def test_cost_counts_what_is_gone_and_how_far_the_rest_is_off() -> None:
    def epochs(values: list[float | None]) -> pd.DataFrame:
        return pd.DataFrame(
            {
                "node": "heart",
                "channel": "ecg",
                "feature": "heart_rate_bpm",
                "start_ns": np.arange(len(values)) * 30,
                "value": pd.Series(values, dtype="float64"),
            }
        )

    full = epochs([60, 70, 80, None])
    row = cost(full, [epochs([60, 72, None, 50]), epochs([60, 70, 80, None])]).iloc[0]
    assert (row["epochs"], row["gone"]) == (6, pytest.approx(1 / 6))
    assert (row["median"], row["value"]) == (0.0, 70.0)
    assert row["p95"] == pytest.approx(np.quantile([0, 2, 0, 0, 0], 0.95))
    assert cost(full, [epochs([None] * 4)]).empty


def test_plan_says_what_loss_costs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command itself, with one accelerometer and one ECG: few seconds, all that it prints."""
    shutil.copytree(DEMO_CONFIG, tmp_path / "config")
    path = tmp_path / "config" / "radio.yaml"
    kept = [line for line in PLAN.splitlines() if not line.startswith(("  trunk", "  ankle", "  skin"))]
    path.write_text("\n".join(kept))
    assert main(["plan", str(path), "--study", str(tmp_path), "--json"]) == errors.GOOD
    found = json.loads(capsys.readouterr().out)
    by_feature = {row["feature"]: row for row in found["cost"]}
    assert by_feature["heart_rate_bpm"]["median"] < 2
    assert 0 <= by_feature["enmo_mg"]["gone"] < 0.5
    assert main(["plan", str(path), "--study", str(tmp_path), "--no-loss"]) == errors.GOOD
    assert "Check local rules" in capsys.readouterr().out
    assert not (tmp_path / "results").exists()


def test_the_demos_radio_plan_can_be_read() -> None:
    assert set(yaml_io.load(DEMO_CONFIG / "radio.yaml", RadioPlan).nodes) == {
        "heart",
        "trunk",
        "wrist",
        "ankle",
        "skin",
    }
