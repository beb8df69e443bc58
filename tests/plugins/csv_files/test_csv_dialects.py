"""Whatever way a table is written, the same numbers come out, without being told."""

from __future__ import annotations

import codecs
import gzip
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from crankfold.plugins.tables.csv_reader import crankfold_contract, crankfold_readers, recognises

Read = Callable[..., Any]

ROWS = 300
RATE_HZ = 2000.0
RNG = np.random.default_rng(20)
TIME_S = np.arange(ROWS) / RATE_HZ
CURRENT = np.round(RNG.normal(scale=40.0, size=ROWS), 3)
SYNC = np.round(RNG.normal(size=ROWS), 4)


def table(*, delimiter: str = ",", decimal: str = ".", end: str = "\n", trailing: str = "", scale: float = 1.0,
          head: str = "") -> str:
    rows = [delimiter.join(f"{v:.9g}" for v in row).replace(".", decimal) if decimal != "." else
            delimiter.join(f"{v:.9g}" for v in row) for row in zip(TIME_S * scale, CURRENT, SYNC, strict=True)]
    return head.replace("\n", end) + end.join(row + trailing for row in rows) + end


def is_the_table(got: Any, rate_hz: float = RATE_HZ) -> None:
    np.testing.assert_array_equal(got.current, CURRENT)
    np.testing.assert_array_equal(got.sync, SYNC)
    assert got.info.rate_hz == pytest.approx(rate_hz, rel=1e-9)
    assert got.notices == {}
    assert got.lost == 0
    assert [channel.name for channel in got.info.channels] == ["current", "sync"]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", " ", "|", ", ", "  "])
@pytest.mark.parametrize("head", ["", "Time (s){0}Clamp (V){0}Sync (V)\n", "Time{0}Clamp{0}Sync\n(s){0}(V){0}(V)\n",
                                  "# logger export\n# rate as set by the rig\nTime (s){0}Clamp (V){0}Sync (V)\n",
                                  "Irrigation pump, run 4\ncold engine\n\nTime [s]{0}Clamp [V]{0}Sync [V]\n"])
def test_delimiters_and_headings(read_csv: Read, delimiter: str, head: str) -> None:
    if delimiter.strip() == "" and delimiter != "\t":
        head = head.replace(" (", "_(").replace(" [", "_[")
    got = read_csv(table(delimiter=delimiter, head=head.format(delimiter)))
    is_the_table(got)
    assert got.units == (("V", "V") if head else ("", ""))


@pytest.mark.parametrize("delimiter", [";", "\t", " ", "|"])
def test_decimal_commas(read_csv: Read, delimiter: str) -> None:
    is_the_table(read_csv(table(delimiter=delimiter, decimal=",")))


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\n\n", "\r\r\n"])
def test_line_endings_and_blank_lines(read_csv: Read, end: str) -> None:
    is_the_table(read_csv(table(end=end, head="free text\nTime,Clamp,Sync\n")))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1"])
def test_encodings(read_csv: Read, encoding: str) -> None:
    head = "Messung Höhe 3\nTime (µs);Strom (A);Zündung (kV)\n"
    got = read_csv(table(delimiter=";", decimal=",", scale=1e6, head=head).encode(encoding))
    is_the_table(got)
    assert got.units == ("A", "kV")
    assert got.info.notes["preamble"] == "Messung Höhe 3"


def test_utf_16_of_the_other_byte_order(read_csv: Read) -> None:
    is_the_table(read_csv(codecs.BOM_UTF16_BE + table(end="\r\n").encode("utf-16-be")))


@pytest.mark.parametrize("head", ["", "Time,Clamp,Sync\n", "Time,Clamp,Sync,\n", "Time,Clamp,Sync\n(s),(V),(V),\n"])
def test_a_delimiter_behind_the_last_field(read_csv: Read, head: str) -> None:
    is_the_table(read_csv(table(trailing=",", head=head)))


def test_rows_of_nothing_but_delimiters_are_blank(read_csv: Read) -> None:
    is_the_table(read_csv(table(end="\n,,\n")))


def test_quoted_fields(read_csv: Read) -> None:
    lines = table().splitlines()
    is_the_table(read_csv("\n".join(",".join(f'"{field}"' for field in line.split(",")) for line in lines)))


def test_quoted_decimal_commas_between_commas(read_csv: Read) -> None:
    lines = table().splitlines()
    quoted = (",".join(f'"{field}"' for field in line.split(",")).replace(".", ",") for line in lines)
    is_the_table(read_csv("\n".join(quoted)))


def test_a_typographic_minus_is_a_minus(read_csv: Read) -> None:
    is_the_table(read_csv(table().replace("-", "\u2212")))


def test_gzip_is_told_by_content(read_csv: Read) -> None:
    packed = gzip.compress(table().encode())
    is_the_table(read_csv(packed, name="crank.csv.gz"))
    is_the_table(read_csv(packed, name="crank.csv"))
    is_the_table(read_csv(gzip.compress(table()[:4000].encode()) + gzip.compress(table()[4000:].encode())))
    is_the_table(read_csv(table(), name="crank.csv.gz"))


def test_no_end_of_line_at_the_end(read_csv: Read) -> None:
    is_the_table(read_csv(table().rstrip("\n")))


def chief(got: Any) -> Any:
    """Return current and sync alone."""
    return replace(got, values=got.values[:, :2], info=replace(got.info, channels=got.info.channels[:2]))


def test_columns_beside_those_wanted(read_csv: Read) -> None:
    lines = [f"{t:.9g},ok,{c:.9g},12.5,{s:.9g}" for t, c, s in zip(TIME_S, CURRENT, SYNC, strict=True)]
    got = read_csv("Time,Note,Starter current,Battery,Spark\n" + "\n".join(lines))
    np.testing.assert_array_equal(got.values[:, 2], 12.5)
    assert got.names == ("current", "sync", "battery")
    is_the_table(chief(got))


def test_every_column_of_numbers_is_a_channel_with_its_name_and_unit(read_csv: Read) -> None:
    lines = [f"{i},{t:.9g},{c:.9g},{12.5 - 0.01 * c:.9g},{s:.9g},{i % 7},{100 + i % 3},"
             for i, (t, c, s) in enumerate(zip(TIME_S, CURRENT, SYNC, strict=True))]
    got = read_csv("Sample,Time (s),Clamp (A),Battery (V),Spark (kV),Cylinder pressure (kPa),Oil temp,Empty\n"
                   + "\n".join(lines))
    assert got.names == ("current", "sync", "battery", "pressure", "oil temp")
    assert got.units == ("A", "kV", "V", "bar", "")
    np.testing.assert_allclose(got.values[:, 2], 12.5 - 0.01 * CURRENT, atol=1e-6)
    np.testing.assert_allclose(got.values[:20, 3], 0.01 * (np.arange(20) % 7))
    np.testing.assert_array_equal(got.values[:20, 4], 100 + np.arange(20) % 3)
    is_the_table(chief(got))


def test_of_two_currents_the_one_that_is_taken_is_not_taken_in_silence(read_csv: Read) -> None:
    lines = "\n".join(f"{t:.9g},{c:.9g},{c / 2:.9g}" for t, c in zip(TIME_S, CURRENT, strict=True))
    for heading, said in (("current (A),current (A)", "'current'"), ("clamp (A),Glow (A)", "'Glow'"),
                          ("current (A),oil temp", None)):
        got = read_csv(f"time (s),{heading}\n{lines}")
        assert got.notices == ({} if said is None else {"current-rivals": {"columns": said}})
    assert not read_csv(f"time (s),a (A),b (A)\n{lines}", columns="current=a,sync=b,time=time").notices


def test_columns_by_a_name_of_ones_own(read_csv: Read) -> None:
    lines = [f"{t:.9g},{c:.9g},{s:.9g},{i}" for i, (t, c, s) in enumerate(zip(TIME_S, CURRENT, SYNC, strict=True))]
    got = read_csv("a,b,c,d\n" + "\n".join(lines), columns="time=a,current=b,sync=c,rail pressure=d", time_unit="s")
    assert got.names == ("current", "sync", "rail pressure")
    np.testing.assert_array_equal(got.values[:, 2], np.arange(len(TIME_S)))


def test_what_is_missing_beside_loses_no_sample_and_a_slow_column_is_left_out(read_csv: Read) -> None:
    lines = [f"{t:.9g},{c:.9g},{s:.9g},{'' if i % 5 == 3 else i},{'' if i % 10 else i}"
             for i, (t, c, s) in enumerate(zip(TIME_S, CURRENT, SYNC, strict=True))]
    got = read_csv("time (s),current (A),sync,oil,slow\n" + "\n".join(lines))
    assert got.names == ("current", "sync", "oil")
    assert got.lost == 0
    np.testing.assert_array_equal(got.values[:10, 2], [0, 1, 2, 2, 4, 5, 6, 7, 7, 9])
    assert got.notices == {"values-held": {"count": sum(i % 5 == 3 for i in range(len(TIME_S)))},
                           "column-left-out": {"column": "'slow'"}}


def test_headings_overrule_positions(read_csv: Read) -> None:
    lines = [f"{s:.9g},{t:.9g},{c:.9g}" for t, c, s in zip(TIME_S, CURRENT, SYNC, strict=True)]
    got = read_csv("Ignition (kV),Time (s),Current (A)\n" + "\n".join(lines))
    is_the_table(got)
    assert got.units == ("A", "kV")


@pytest.mark.parametrize("chosen", ["when,amps,mark", "2,3,1", "time=2,current=3,sync=mark", "current=amps,sync=1"])
def test_the_columns_setting_overrules_all(read_csv: Read, chosen: str) -> None:
    lines = [f"{s:.9g},{t:.9g},{c:.9g}" for t, c, s in zip(TIME_S, CURRENT, SYNC, strict=True)]
    is_the_table(read_csv("mark,when,amps\n" + "\n".join(lines), columns=chosen, time_unit="s"))


def test_columns_may_leave_the_sync_out(read_csv: Read) -> None:
    got = read_csv(table(), columns="1,2")
    np.testing.assert_array_equal(got.values, CURRENT[:, np.newaxis])


def test_units_are_used(read_csv: Read) -> None:
    got = read_csv(table(scale=1e3, head="Time (ms),Clamp (mV),Chamber (psi)\n"))
    np.testing.assert_allclose(got.current, CURRENT * 1e-3, rtol=1e-15)
    # One psi is 6894.757293168 Pa (pound, standard gravity and inch as defined in 1959).
    np.testing.assert_allclose(got.sync, SYNC * 0.06894757293168, rtol=1e-12)
    assert got.units == ("V", "bar")
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-9)


@pytest.mark.parametrize(("written", "unit", "factor"), [
    ("Current (A)", "A", 1.0), ("Current [mA]", "A", 1e-3), ("current_kA", "A", 1e3), ("Starter / A", "A", 1.0),
    ("Clamp (uV)", "V", 1e-6), ("Clamp (µV)", "V", 1e-6), ("Clamp, mV", "V", 1e-3), ("Clamp in V", "V", 1.0),
    ("Channel_A", "", 1.0), ("Channel A", "", 1.0), ("Current", "", 1.0), ("Current (rms)", "", 1.0),
    ("Clamp (counts)", "counts", 1.0)])
def test_spellings_of_units(read_csv: Read, written: str, unit: str, factor: float) -> None:
    got = read_csv(table(delimiter=";", head=f"Time;{written};Sync\n"))
    channel = got.info.channels[0]
    assert (channel.unit, channel.scale) == (unit, pytest.approx(factor))


def test_unit_settings_overrule_headings(read_csv: Read) -> None:
    got = read_csv(table(scale=1e3), time_unit="ms", current_unit="mV", sync_unit="kV")
    assert got.units == ("V", "kV")
    assert got.info.channels[0].scale == 1e-3
    assert got.info.rate_hz == pytest.approx(RATE_HZ, rel=1e-9)


def test_a_heading_with_line_breaks_in_its_fields(read_csv: Read) -> None:
    got = read_csv('"Time\n(ms)","Clamp\n(mV)","Plug 1, sync\n(kV)"\r\n' + table(scale=1e3))
    assert got.units == ("V", "kV")


def test_a_preamble_of_numbers_is_no_table(read_csv: Read) -> None:
    is_the_table(read_csv(table(head="Rate,2000,Hz\nChannels,2,on\n\nTime (s),Clamp,Sync\n")))
    is_the_table(read_csv(table(head="2000,2,0\nTime (s),Clamp,Sync\n")))


def test_a_commented_heading(read_csv: Read) -> None:
    got = read_csv(table(delimiter=" ", head="# time_ms current_mA sync_V\n", scale=1e3))
    assert got.units == ("A", "V")
    np.testing.assert_array_equal(got.sync, SYNC)


def test_one_column_needs_a_rate(read_csv: Read) -> None:
    column = "\n".join(f"{v:.9g}" for v in CURRENT)
    for content, scale in ((column, 1.0), ("Clamp (mV)\n" + column, 1e-3), (column.replace(".", ","), 1.0)):
        got = read_csv(content, rate="5000")
        np.testing.assert_array_equal(got.current, CURRENT * scale)
        assert (got.info.rate_hz, got.measured_rate_hz) == (5000.0, None)


def test_two_columns_without_time(read_csv: Read) -> None:
    rows = "\n".join(f"{c:.9g},{s:.9g}" for c, s in zip(CURRENT, SYNC, strict=True))
    for head in ("", "Clamp (V),Spark (V)\n"):
        got = read_csv(head + rows, rate="2000")
        np.testing.assert_array_equal(got.values, np.column_stack([CURRENT, SYNC]))


def test_the_declaration() -> None:
    declaration, = crankfold_readers()
    assert crankfold_contract == 1
    assert declaration.name == "csv"
    assert [len(s) for s in declaration.suffixes] == sorted((len(s) for s in declaration.suffixes), reverse=True)


@pytest.mark.parametrize(("head", "expected"), [
    (table().encode()[:4096], True), (gzip.compress(table().encode())[:4096], True),
    (table(delimiter=";", decimal=",", head="x;y;z\n").encode("utf-16")[:4096], True),
    (b"", False), (b"\x89HDF\r\n\x1a\n" + bytes(100), False), (b"RIFF" + bytes(200), False),
    (b"A letter to the harbour master,\nabout the launch.\n", False), (gzip.compress(bytes(range(256))), False)])
def test_recognising_a_table(head: bytes, *, expected: bool) -> None:
    assert recognises(head) is expected


NUMBERS = st.one_of(st.integers(-10**6, 10**6).map(float),
                    st.floats(-1e9, 1e9, allow_nan=False).map(lambda v: float(f"{v:.6g}")),
                    st.floats(allow_nan=False, allow_infinity=False, min_value=-1e300, max_value=1e300))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(values=st.lists(st.tuples(NUMBERS, NUMBERS), min_size=4, max_size=40),
       style=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), (" ", ".")]),
       end=st.sampled_from(["\n", "\r\n", "\r", "\n\n"]), encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
       head=st.sampled_from(["", "Time{0}Clamp{0}Sync\n",
                             "# made in the harbour\nTime{0}Clamp{0}Sync\n(s){0}(V){0}(V)\n"]),
       last=st.booleans(), packed=st.booleans(), rate_hz=st.sampled_from([100.0, 1000.0, 25000.0, 31250.0]))
def test_any_table_in_any_style_comes_back_exactly(
        read_csv: Read, values: list[tuple[float, float]], style: tuple[str, str], end: str, encoding: str, head: str,
        last: bool, packed: bool, rate_hz: float) -> None:
    delimiter, decimal = style
    lines = [delimiter.join([f"{i / rate_hz:.9f}", f"{a!r}", f"{b!r}"]).replace(".", decimal)
             for i, (a, b) in enumerate(values)]
    text = head.format(delimiter).replace("\n", end) + end.join(lines) + (end if last else "")
    data = text.encode(encoding)
    got = read_csv(gzip.compress(data) if packed else data)
    np.testing.assert_array_equal(got.values, np.array(values))
    assert got.info.rate_hz == pytest.approx(rate_hz, rel=1e-6)
    assert got.lost == 0
