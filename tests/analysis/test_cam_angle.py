"""A cam sensor's angle learnt from one crank, against the angle that the virtual engine was given."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from crankfold.acquire import load_plugins, open_board, record
from crankfold.analysis import CamAngle, Capture, Engine, Notice, SyncSpec, analyse, learn_cam_angle

ENGINE = Engine((1, 3, 4, 2))
RATE_HZ = 2000


@cache
def cranked(**settings: object) -> Capture:
    whole = {"engine": "pump", "pace": "flat", "quiet": "0.6", "crank": "4", "after": "0.3", "rate": str(RATE_HZ)}
    named = {name.replace("_", "-"): str(value) for name, value in settings.items()}
    (capture,) = record(open_board("virtual", whole | named, load_plugins(enabled=False)))
    return capture


def with_cam(angle: int, known: str = "waste-spark", **settings: object) -> Capture:
    """Return a crank with a known cylinder's signal and the cam sensor's; one seed gives both the same current."""
    one, cam = cranked(sync=known, **settings), cranked(sync="cam", sync_angle=angle, **settings)
    assert np.array_equal(one.samples[:, 0], cam.samples[:, 0])
    return replace(one, samples=np.column_stack([one.samples, cam.samples[:, 1]]),
                   channels=(*one.channels, replace(cam.channels[1], name="cam")))


def learnt(capture: Capture, known: str, channel: str = "cam") -> CamAngle | Notice:
    return learn_cam_angle(capture, analyse(capture, ENGINE, sync=SyncSpec.parse(known, ENGINE)), channel)


@pytest.mark.parametrize(("angle", "known", "settings"), [
    (212, "waste-spark", {}), (30, "single-spark", {"dead": 3}), (500, "pressure", {"low": "2:60"}),
    (690, "waste-spark", {"low": "4:50", "seed": 7})])
def test_the_true_angle_lies_within_what_is_said(angle: int, known: str, settings: Any) -> None:
    found = learnt(with_cam(angle, known, **settings), f"{known}:1")
    assert isinstance(found, CamAngle)
    assert abs((found.edge_deg - angle + 360) % 720 - 360) <= found.half_deg <= 25.0
    assert found.edges >= 4
    turn = 360 if known == "waste-spark" else 720
    assert abs((found.other_way_deg - angle + turn / 2) % turn - turn / 2) <= found.half_deg


def test_with_two_channels_a_known_plug_is_out_and_what_was_learnt_names_the_next_crank() -> None:
    found = learnt(cranked(sync="cam", sync_angle=212, dead=1), "plug-out:1", "sync")
    assert isinstance(found, CamAngle)
    assert np.isnan(found.other_way_deg)
    later = analyse(cranked(sync="cam", sync_angle=212, dead=3, seed=5), ENGINE,
                    sync=SyncSpec.parse(f"cam:{found.text}", ENGINE))
    assert [c.cylinder for c in later.cylinders if c.state == "dead"] == [3]


def test_edges_that_follow_no_angle_are_refused() -> None:
    capture = with_cam(212)
    samples = capture.samples.copy()
    every = round(0.77 * RATE_HZ)  # by the clock, not by the crank
    samples[:, 2] = 5.0 * (np.arange(len(samples)) % every < every // 8)
    found = learnt(replace(capture, samples=samples), "waste-spark:1")
    assert isinstance(found, Notice)
    assert found.code in ("scatter", "missing")


def test_half_of_the_edges_missing_are_refused() -> None:
    capture = with_cam(212)
    samples = capture.samples.copy()
    rises = np.flatnonzero(np.diff((samples[:, 2] > 2.5).astype(int)) == 1)
    for rise in rises[1::2]:
        samples[rise - 5 : rise + RATE_HZ // 5, 2] = 0.0
    found = learnt(replace(capture, samples=samples), "waste-spark:1")
    assert isinstance(found, Notice)
    assert found.code in ("missing", "few-edges")


def test_a_sync_that_contradicts_the_current_is_not_learnt_from() -> None:
    """The known cylinder's pulses moved by 60 degrees: naming by angle refuses, or the two ways differ."""
    capture = with_cam(212, "single-spark")
    samples = capture.samples.copy()
    samples[:, 1] = np.roll(samples[:, 1], round(60.0 / 6.0 / 207.0 * RATE_HZ))
    found = learnt(replace(capture, samples=samples), "single-spark:1")
    assert isinstance(found, Notice)


@pytest.mark.parametrize(("known", "channel", "code"), [("none", "cam", "unnamed"), ("waste-spark:1", "nothing",
                                                                                     "no-channel")])
def test_what_is_missing_is_said(known: str, channel: str, code: str) -> None:
    found = learnt(with_cam(212), known, channel)
    assert isinstance(found, Notice)
    assert found.code == code
