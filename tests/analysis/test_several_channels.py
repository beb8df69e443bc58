"""More than one channel beside the current: sync sources that confirm or contradict, and a pressure that anchors."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from crankfold.analysis import Capture, Channel, Engine, InputError, SyncSpec, analyse
from crankfold.analysis.result import SyncFound
from crankfold.analysis.sync import Naming, join_namings
from crankfold.plugins.virtual.engine import leak_for, simulate
from crankfold.plugins.virtual.leads import SyncLead
from crankfold.plugins.virtual.signals import RigSpec, record
from crankfold.plugins.virtual.specs import Bench, KeySpec

if TYPE_CHECKING:
    from crankfold.plugins.virtual.engine import VirtualRun

FOUR = Engine((1, 3, 4, 2))
LOW = 3
CAM_DEG = 200.0
RATE_HZ = 5000.0


@pytest.fixture(scope="module")
def run() -> VirtualRun:
    bench = Bench(key=KeySpec(on_s=0.6, off_s=4.4))
    engine = bench.engine.with_cylinder(LOW, leak_for(bench.engine, 1, 60.0, 200.0))
    return simulate(replace(bench, engine=engine), 5.0, seed=3)


def column(run: VirtualRun, lead: SyncLead) -> tuple[np.ndarray, str]:
    recording = record(run, RigSpec(rate_hz=RATE_HZ, sync=lead), seed=3)
    return recording.columns[1].values(recording.codes[:, 1]), recording.columns[1].unit


@pytest.fixture(scope="module")
def capture(run: VirtualRun) -> Capture:
    """Current, a waste spark of cylinder 1, a cam edge of cylinder 1, the pressure in cylinder 4."""
    recording = record(run, RigSpec(rate_hz=RATE_HZ), seed=3)
    current = recording.columns[0].values(recording.codes[:, 0]) / 0.010
    beside = {"sync": column(run, SyncLead("waste-spark", 1)), "cam sensor": column(run, SyncLead("cam", 1, CAM_DEG)),
              "pressure": column(run, SyncLead("pressure", 4))}
    channels = (Channel("current", "A"), *(Channel(name, unit) for name, (_, unit) in beside.items()))
    return Capture(np.column_stack([current, *(values for values, _ in beside.values())]), RATE_HZ, channels)


SPARK = SyncSpec("waste-spark", 1)
CAM = SyncSpec("cam", 1, CAM_DEG, "cam sensor")
WRONG_CAM = SyncSpec("cam", 2, CAM_DEG, "cam sensor")
PRESSURE = SyncSpec("pressure", 4, channel="pressure")


def codes(notices) -> list[str]:
    return [notice.code for notice in notices]


def test_three_sources_that_agree_name_the_low_cylinder_and_say_so(capture: Capture) -> None:
    result = analyse(capture, FOUR, sync=(SPARK, CAM, PRESSURE))
    assert (result.verdict, result.low) == ("uneven", (LOW,))
    assert [source.agrees for source in result.sync_sources] == [True, True, True]
    assert [source.channel for source in result.sync_sources] == ["sync", "cam sensor", "pressure"]
    confirms = next(note for note in result.notes if note.code == "sync-confirms")
    assert confirms.facts["count"] == 2
    alone = max(analyse(capture, FOUR, sync=spec).sync.confidence for spec in (SPARK, CAM, PRESSURE))
    assert result.sync.confidence >= alone


def test_each_alone_gives_the_same_names(capture: Capture) -> None:
    for spec in (SPARK, CAM, PRESSURE):
        result = analyse(capture, FOUR, sync=spec)
        assert (result.low, result.sync_sources) == ((LOW,), ()), spec


def test_a_source_that_contradicts_is_a_caution(capture: Capture) -> None:
    result = analyse(capture, FOUR, sync=(SPARK, WRONG_CAM, PRESSURE))
    assert result.low == (LOW,)  # two against one
    assert [source.agrees for source in result.sync_sources] == [True, False, True]
    against = next(caution for caution in result.cautions if caution.code == "sync-contradicts")
    assert against.facts["kind"] == "cam"
    assert against.facts["cylinder"] == 2


def test_one_against_one_may_leave_the_cylinders_without_names(capture: Capture) -> None:
    result = analyse(capture, FOUR, sync=(CAM, SyncSpec("pressure", 1, channel="pressure")))
    assert "sync-contradicts" in codes(result.cautions)
    assert result.verdict == "uneven"
    assert result.sync is None or result.sync.confidence < analyse(capture, FOUR, sync=CAM).sync.confidence
    if result.sync is None:
        assert result.low == ()


def test_a_silent_source_is_said_and_harms_nothing(capture: Capture) -> None:
    flat = capture.samples.copy()
    flat[:, 2] = 0.0
    result = analyse(replace(capture, samples=flat), FOUR, sync=(SPARK, CAM))
    assert result.low == (LOW,)
    assert "sync-silent" in codes(result.cautions)
    assert [source.agrees for source in result.sync_sources] == [True, None]


@pytest.mark.parametrize(("first", "second", "said"), [
    (0.999, 0.97, 0.969), (0.97, 0.97, None), (0.999, 0.999, None)])
def test_odds_of_a_contradiction(first: float, second: float, said: float | None) -> None:
    namings = [Naming(0, 0, SyncFound("cam", 1, 9, first)), Naming(0, 2, SyncFound("waste-spark", 1, 9, second))]
    joined = join_namings((CAM, SPARK), namings)
    if said is None:
        assert joined.naming.sync is None
    else:
        assert joined.naming.first == 0
        assert joined.naming.sync.confidence == pytest.approx(said, abs=0.002)


def test_odds_of_a_confirmation() -> None:
    namings = [Naming(0, 1, SyncFound("cam", 1, 9, 0.96)), Naming(0, 1, SyncFound("waste-spark", 1, 9, 0.97))]
    assert join_namings((CAM, SPARK), namings).naming.sync.confidence == pytest.approx(0.999, abs=0.0005)


@pytest.mark.parametrize("sync", [None, SPARK])
def test_a_pressure_channel_anchors_bar_by_itself(capture: Capture, run: VirtualRun, sync: SyncSpec | None) -> None:
    result = analyse(capture, FOUR, sync=sync)
    truth = run.truth()
    peaks = dict(zip(FOUR.firing_order, truth.relative_percent, strict=True))
    note = next(note for note in result.notes if note.code.startswith("channel-anchors"))
    assert note.code == ("channel-anchors" if sync else "channel-anchors-position")
    if sync:
        assert note.facts["cylinder"] == 4
        of_low = next(c for c in result.cylinders if c.cylinder == LOW)
        of_four = next(c for c in result.cylinders if c.cylinder == 4)
        assert of_low.pressure_bar / of_four.pressure_bar == pytest.approx(peaks[LOW] / peaks[4], abs=0.05)
    measured = float(np.percentile(capture.column("pressure"), 99.7) - np.median(capture.column("pressure")))
    at = next(c for c in result.cylinders if c.pressure_bar == pytest.approx(note.facts["gauge_bar"]))
    assert at.pressure_bar == pytest.approx(measured, rel=0.1)
    assert sync is None or at.cylinder == 4
    assert all(c.pressure_bar is not None for c in result.cylinders)


def test_texts_of_several_sources() -> None:
    specs = SyncSpec.parse_all("waste-spark:1, cam:1@200@cam sensor,pressure:4@pressure", FOUR)
    assert specs == (SPARK, CAM, PRESSURE)
    assert SyncSpec.parse_all(", ".join(map(str, specs)), FOUR) == specs
    assert SyncSpec.parse_all("none", FOUR) == SyncSpec.parse_all(None, FOUR) == ()
    with pytest.raises(InputError, match="one channel two meanings"):
        SyncSpec.parse_all("waste-spark:1,cam:1@200", FOUR)
    with pytest.raises(InputError, match="no cylinder 7"):
        SyncSpec.parse_all("pressure:7@pressure", FOUR)
