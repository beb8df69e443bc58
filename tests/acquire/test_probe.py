"""Probe texts, what they make of a column in any unit, and the sentences for what cannot be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from crankfold.acquire import Probe, in_base_units
from crankfold.analysis import Capture, Channel, InputError

TEXTS = ["10mV/A", "1 mV/A", "0.5V/A", "250uV/A", "100uOhm", "0.1mOhm", "0.0001ohm", "500A/60mV", "200A/0.05V",
         "25mm2:0.5m@20C", "50mm2:40cm", "25mm2:0.5m@60C:class2", "counts:5V/10bit", "counts:3300mV/12bit",
         "counts:5V/10bit,10mV/A", "counts:5V/10bit,500A/60mV", "cal:0.512V=0A,2.498V=200A", "cal:105=0A,512=200A",
         "counts:5V/10bit,cal:0.5V=0A,2.5V=200A", "battery"]


def capture_of(values, unit="V", **more):
    return Capture(np.array(values, float)[:, None], 1000.0, (Channel("current", unit, **more),))


def amperes(text, values, unit="V"):
    done = Probe.parse(text).apply(capture_of(values, unit))
    return done.channels[0].unit, done.samples[:, 0]


@pytest.mark.parametrize("text", TEXTS)
def test_texts_come_back(text) -> None:
    probe = Probe.parse(text)
    assert Probe.parse(str(probe)) == probe
    assert Probe.parse(f"  {text} ") == probe


@pytest.mark.parametrize(("text", "value", "wanted"), [
    ("10mV/A", 2.0, 200.0),             # common practice, no source: 10 mV/A, so 2 V is 200 A
    ("10mv/a", 2.0, 200.0),
    ("100uOhm", 0.01, 100.0),
    ("100\u00b5\u03a9", 0.01, 100.0),
    ("0.1mOhm", 0.01, 100.0),
    ("500A/60mV", 0.03, 250.0),
    ("25mm2:0.5m@20C", 0.0585, 150.0),
    ("cal:0.512V=0A,2.498V=200A", 0.512, 0.0),
    ("cal:0.512V=0A,2.498V=200A", 2.498, 200.0),
    ("cal:2.5V=0A,0.5V=200A", 1.5, 100.0),
])
def test_volts_become_amperes(text, value, wanted) -> None:
    unit, got = amperes(text, [value])
    assert unit == "A"
    assert got[0] == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize(("unit", "value"), [("V", 2.0), ("mV", 2000.0), ("uV", 2e6), ("", 2.0)])
def test_the_unit_of_the_column_is_used(unit, value) -> None:
    assert amperes("10mV/A", [value], unit) == ("A", pytest.approx([200.0]))


@pytest.mark.parametrize("unit", ["counts", ""])
def test_counts(unit) -> None:
    assert amperes("counts:5V/10bit", [512.0], unit) == ("V", pytest.approx([2.5]))
    assert amperes("counts:5V/10bit,10mV/A", [512.0], unit) == ("A", pytest.approx([250.0]))
    assert amperes("cal:105=0A,512=200A", [105.0, 512.0], unit) == ("A", pytest.approx([0.0, 200.0]))


def test_the_battery_stays_in_volts_and_is_noted() -> None:
    done = Probe.parse("battery").apply(capture_of([12.0, 9.5]))
    assert (done.channels[0].unit, done.notes["probe"]) == ("V", "battery")
    assert Probe.parse("battery").battery


def test_codes_keep_their_meaning_through_a_probe() -> None:
    capture = capture_of([0.5], scale=0.001, offset=0.1, code_range=(0, 4095), code_dtype="uint16")
    channel = Probe.parse("10mV/A").apply(capture).channels[0]
    assert 400 * channel.scale + channel.offset == pytest.approx(50.0)
    assert channel.value_range() == pytest.approx((10.0, 419.5))
    assert Probe.parse("10mV/A").channel(capture.channels[0]) == channel


@given(text=st.sampled_from(TEXTS), value=st.floats(-1000, 1000), unit=st.sampled_from(["V", "mV", "A", "counts", ""]))
def test_the_channel_alone_and_the_capture_say_the_same(text, value, unit) -> None:
    probe, capture = Probe.parse(text), capture_of([value], unit)
    try:
        done = probe.apply(capture)
    except InputError:
        with pytest.raises(InputError):
            probe.channel(capture.channels[0])
        return
    channel = probe.channel(capture.channels[0])
    assert channel.unit == done.channels[0].unit
    assert value * channel.scale + channel.offset == pytest.approx(done.samples[0, 0], abs=1e-9)


def test_base_units_of_all_columns_but_sparks() -> None:
    capture = Capture(np.ones((2, 2)), 1.0, (Channel("current", "mA"), Channel("sync", "mV")))
    assert [c.unit for c in in_base_units(capture).channels] == ["A", "V"]
    assert in_base_units(capture).samples[0].tolist() == [0.001, 0.001]
    sparks = Capture(np.ones((2, 2)), 1.0, (Channel("current", "A"), Channel("sync", "kV")))
    assert in_base_units(sparks) is sparks


@pytest.mark.parametrize(("text", "said"), [
    ("0mV/A", "must be above zero"), ("-10mV/A", "a reversed clamp is found by itself"), ("0uOhm", "above zero"),
    ("0A/60mV", "above zero"), ("500A/0mV", "above zero"), ("10V/A", "1000 V at 100 A; check its unit"),
    ("1e9Ohm", "check its unit"), ("10", "not understood; write one of 10mV/A"), ("", "not understood"),
    ("10MV/A", "not understood"), ("10mV", "not understood"), ("nanmV/A", "not understood"),
    ("1e999mV/A", "inf V at 100 A"), ("26mm2:1m", "not in the table; there are 10, 16, 25, 35, 50, 70, 95 mm2"),
    ("25mm2:0m", "is unsuitable"), ("25mm2:0.5m@500C", "isn't possible"), ("25mm2:0.5m:class9", "class 5, or class 2"),
    ("counts:5V", "write the converter like counts:5V/10bit"), ("counts:0V/10bit", "isn't possible"),
    ("counts:5V/0bit", "isn't possible"), ("counts:5V/64bit", "isn't possible"), ("counts:-5V/10bit", "isn't possible"),
    ("cal:1V=0A", "has two points"), ("cal:1V=0A,1V=100A", "are alike"), ("cal:1V=5A,2V=5A", "are alike"),
    ("cal:1V=0A,200=100A", "both points in volts, or both in counts"), ("cal:0V=0A,200V=1A", "check its unit"),
    ("counts:5V/10bit,cal:105=0A,512=200A", "gives counts twice"), ("counts:5V/10bit,nonsense", "not understood"),
])
def test_what_cannot_be_is_said_in_one_sentence(text, said) -> None:
    with pytest.raises(InputError) as error:
        Probe.parse(text)
    assert said in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(("text", "unit", "said"), [
    ("10mV/A", "counts", "give the converter too"), ("10mV/A", "bar", "expects volts"),
    ("counts:5V/10bit", "V", "expects counts"), ("battery", "counts", "expects volts"),
])
def test_a_probe_that_does_not_go_with_the_column(text, unit, said) -> None:
    with pytest.raises(InputError, match=said):
        amperes(text, [1.0], unit)


def test_a_capture_without_current() -> None:
    with pytest.raises(InputError, match="no channel 'current'"):
        Probe.parse("10mV/A").apply(Capture(np.ones((2, 1)), 1.0, (Channel("sync"),)))


@given(text=st.text(alphabet="0123456789.,:=@/-+eumkVAOhmCbitclsy ", max_size=40))
def test_any_text_gives_a_probe_or_one_sentence(text) -> None:
    try:
        probe = Probe.parse(text)
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert Probe.parse(str(probe)) == probe


# --- every form, worked out by hand

@pytest.mark.parametrize(("text", "per_ampere"), [
    ("10mV/A", 0.010), ("250uV/A", 250e-6), ("0.5V/A", 0.5), ("1V/A", 1.0), ("1uOhm", 1e-6), ("0.1mOhm", 1e-4),
    ("500A/60mV", 0.060 / 500), ("200A/0.05V", 0.05 / 200),
    ("25mm2:0.5m", 0.780e-3 * 0.5), ("25mm2:50cm", 0.780e-3 * 0.5), ("25mm2:500mm", 0.780e-3 * 0.5),
    ("25mm2:0.5m:class2", 0.727e-3 * 0.5), ("25mm2:0.5m@60C", 0.780e-3 * 0.5 * (234.5 + 60) / 254.5),
    ("25mm2:0.5m@-10C", 0.780e-3 * 0.5 * (234.5 - 10) / 254.5),
])
def test_volts_an_ampere(text, per_ampere) -> None:
    probe = Probe.parse(text)
    assert probe.per_ampere == pytest.approx(per_ampere)
    assert (probe.zero, probe.volts_per_count, probe.in_counts, probe.battery) == (0.0, None, False, False)


@pytest.mark.parametrize(("text", "volts"), [
    ("counts:5V/10bit", 5 / 1024), ("counts:3300mV/12bit", 3.3 / 4096), ("counts:100V/1bit", 50.0),
    ("counts:5V/32bits", 5 / 2**32), ("COUNTS:5V/10bit", None), ("counts : 5 V / 10 bit , 10mV/A", 5 / 1024)])
def test_volts_a_count(text, volts) -> None:
    if volts is None:
        with pytest.raises(InputError, match="write the converter like"):
            Probe.parse(text)
        return
    assert Probe.parse(text).volts_per_count == pytest.approx(volts)


@pytest.mark.parametrize(("text", "zero", "per_ampere", "in_counts"), [
    ("cal:0.5V=0A,2.5V=200A", 0.5, 0.01, False), ("cal:500mV=0A,2500mV=200A", 0.5, 0.01, False),
    ("cal:1.5V=100A,2.5V=200A", 0.5, 0.01, False),  # neither point at no current
    ("cal:2.5V=200A,0.5V=0A", 0.5, 0.01, False), ("cal:0.5V=0A,2.5V=-200A", 0.5, -0.01, False),
    ("cal:100=0A,500=200A", 100.0, 2.0, True), ("cal:2.5V=0A,0.5V=200A", 2.5, -0.01, False)])
def test_two_points_give_scale_and_zero(text, zero, per_ampere, in_counts) -> None:
    probe = Probe.parse(text)
    assert (probe.zero, probe.per_ampere) == (pytest.approx(zero), pytest.approx(per_ampere))
    assert probe.in_counts is in_counts


def test_a_calibration_behind_a_converter_takes_its_zero_off() -> None:
    """Of 1024 counts over 5 V, half is 2.5 V: 200 A by the second point; a tenth of 5 V is the zero."""
    unit, got = amperes("counts:5V/10bit,cal:0.5V=0A,2.5V=200A", [102.4, 512.0], "counts")
    assert unit == "A"
    assert got == pytest.approx([0.0, 200.0])


@pytest.mark.parametrize(("text", "good"), [
    ("1e-6V/A", True), ("0.99e-6V/A", False), ("1V/A", True), ("1.01V/A", False),
    ("counts:100V/8bit", True), ("counts:100.1V/8bit", False), ("counts:5V/33bit", False),
    ("cal:0V=0A,1V=1A", True), ("cal:0V=0A,1.01V=1A", False), ("cal:0V=0A,-1.01V=1A", False),
    ("cal:0=0A,500=1A", True)])
def test_the_ends_of_what_can_be(text, good) -> None:
    if good:
        Probe.parse(text)
        return
    with pytest.raises(InputError):
        Probe.parse(text)


def test_a_text_of_a_thousand_characters_is_read_and_a_longer_one_is_not() -> None:
    """It is shown by its beginning, so that the sentence stays one."""
    assert Probe.parse("10mV/A" + " " * 2000).per_ampere == 0.01
    with pytest.raises(InputError, match="not understood"):
        Probe.parse("1" * 1000)
    with pytest.raises(InputError, match=r"a probe of 1001 characters, '1{40}'\.\.\., isn't possible") as error:
        Probe.parse("1" * 1001)
    assert len(str(error.value)) < 200


def test_the_units_table_is_that_of_si() -> None:
    for unit, factor in (("mV", 1e-3), ("uV", 1e-6), ("kV", 1e3)):
        capture = Capture(np.ones((2, 1)), 1.0, (Channel("current", unit),))
        assert in_base_units(capture).samples[0, 0] == pytest.approx(factor)
    for unit, factor in (("mA", 1e-3), ("kA", 1e3)):
        capture = Capture(np.ones((2, 1)), 1.0, (Channel("current", unit),))
        assert in_base_units(capture).channels[0].unit == "A"
        assert in_base_units(capture).samples[0, 0] == pytest.approx(factor)


def test_a_column_of_current_in_kilovolts_is_brought_to_volts_though_sparks_are_not() -> None:
    assert amperes("10mV/A", [0.002], "kV") == ("A", pytest.approx([200.0]))
    sync = Channel("sync", "mV", 2.0)
    assert Probe.parse("10mV/A").channel(Channel("current", "mV", 2.0)).scale == pytest.approx(2.0 * 1e-3 / 0.01)
    capture = Capture(np.ones((2, 2)), 1.0, (Channel("current", "V"), sync))
    assert Probe.parse("10mV/A").apply(capture).channels[1].unit == "V"


@pytest.mark.parametrize(("text", "unit", "said"), [
    ("10mV/A", "counts", "the current column is in counts, the probe '10mV/A' expects volts; "
                         "give the converter too, such as counts:5V/10bit,10mV/A"),
    ("counts:5V/10bit", "bar", "the current column is in bar, the probe 'counts:5V/10bit' expects counts; "
                               "give a probe for that unit"),
])
def test_what_to_give_instead_is_said(text, unit, said) -> None:
    with pytest.raises(InputError) as error:
        amperes(text, [1.0], unit)
    assert str(error.value) == said


@pytest.mark.parametrize("text", ["10mV/A", "battery", "100uOhm", "counts:5V/10bit,10mV/A"])
@pytest.mark.parametrize("unit", ["A", "mA", "kA"])
def test_a_probe_on_a_column_in_amperes_is_a_contradiction(text, unit) -> None:
    capture = Capture.from_arrays([1.0, 2.0], rate_hz=1000.0, unit=unit)
    with pytest.raises(InputError, match="in A already"):
        Probe.parse(text).apply(capture)
    with pytest.raises(InputError, match="in A already"):
        Probe.parse(text).channel(capture.channels[0])
