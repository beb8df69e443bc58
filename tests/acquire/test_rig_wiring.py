"""A capture as the rig's wiring says it is, or the sentence why it cannot be."""

from __future__ import annotations

import numpy as np
import pytest

from crankfold.acquire import Rig, changed, wired
from crankfold.analysis import Capture, Channel, InputError


def two_columns():
    return Capture(np.array([[1.0, 512.0], [2.0, 614.4]]), 1000.0, (Channel("a", "V"), Channel("b", "counts")))


def test_the_wiring_names_orders_turns_and_scales() -> None:
    rig = Rig("virtual", probe="counts:5V/10bit,10mV/A", channels=("sync", "current"), reversed_channels=("sync",))
    done = wired(two_columns(), rig)
    assert [(c.name, c.unit) for c in done.channels] == [("current", "A"), ("sync", "V")]
    np.testing.assert_allclose(done.samples, [[250.0, -1.0], [300.0, -2.0]])
    alone = wired(two_columns(), changed(rig, {"channels": ("unused", "current"), "reversed_channels": ()}))
    assert [c.name for c in alone.channels] == ["current"]
    before = wired(two_columns(), Rig("virtual", channels=("cam", "current")))  # in the alphabet
    assert [c.name for c in before.channels] == ["current", "cam"]
    rest = wired(two_columns(), Rig("virtual", channels=("current",)))  # what is not named keeps its own name
    assert [c.name for c in rest.channels] == ["current", two_columns().channels[1].name]
    plain = Capture(np.ones((2, 1)), 1.0, (Channel("current", "mA"),))
    assert wired(plain, Rig("virtual")).samples[0, 0] == 0.001


@pytest.mark.parametrize(("channels", "turned", "said"), [
    (("current", "current"), (), "one twice"), (("b",), (), "share a name"),
    (("unused", "sync"), (), "no channel 'current'"),
    (("current", "sync", "cam"), (), "names 3 channels, the board gives 2"),
    (("cam", "sync"), (), "no channel 'current'"),
    (("current", "sync"), ("cam",), "reverses channel 'cam'")])
def test_wiring_that_does_not_fit(channels, turned, said) -> None:
    with pytest.raises(InputError, match=said):
        wired(two_columns(), Rig("virtual", channels=channels, reversed_channels=turned))


def four_columns() -> Capture:
    samples = np.array([[100.0, 2.2, 0.5, 512.0], [150.0, 2.0, 4.5, 513.0]])
    channels = (Channel("current", "A"), Channel("battery", "V"), Channel("pressure", "mV"), Channel("oil", "counts"))
    return Capture(samples * np.array([1.0, 1.0, 1000.0, 1.0]), 1000.0, channels)


def test_channels_beside_the_current_have_scales_of_their_own() -> None:
    rig = Rig("bench", scales={"battery": "5.7 V", "pressure": "0.5V=0bar,4.5V=35bar", "oil": "0.1degC"})
    done = wired(four_columns(), rig)
    np.testing.assert_allclose(done.samples, [[100.0, 12.54, 0.0, 51.2], [150.0, 11.4, 35.0, 51.3]])
    assert [channel.unit for channel in done.channels] == ["A", "V", "bar", "degC"]


@pytest.mark.parametrize(("scales", "said"), [
    ({"cam": "2V"}, "scale is given for channel 'cam'"),
    ({"oil": "0.5V=0bar,4.5V=35bar"}, r"is in counts.*expects volts"),
    ({"battery": "lots"}, "not understood"), ({"battery": "0V"}, "isn't possible"),
    ({"battery": "1V=2bar,1V=3bar"}, "no two different points"), ({"battery": "1V=2bar"}, "not understood")])
def test_scales_that_cannot_be(scales, said) -> None:
    with pytest.raises(InputError, match=said):
        wired(four_columns(), Rig("bench", scales=scales))
