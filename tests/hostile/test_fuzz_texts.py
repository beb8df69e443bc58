"""Everything a person or a file may write for this program to understand: understood, or one sentence."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))

from steered import steered

from crankfold.acquire import AcquireError, EngineCard, Probe, Rig, Shelf, load_plugins, save_card
from crankfold.acquire.rig.shelf import load_card
from crankfold.analysis import CrankfoldError, Engine, Gauge, InputError, SyncSpec, coded_cylinder
from crankfold.plugins.usb.description import read_description
from crankfold.plugins.usb.tmc_description import read_instrument
from crankfold.plugins.virtual.plan import read_plan
from crankfold.viewer.batch import Journal, Planner, read_list
from crankfold.viewer.session import settings_of

TOP = Path(__file__).resolve().parents[2]
FOUR = Engine.parse("1-3-4-2")
SECONDS_EACH = 5.0
LONGEST_SENTENCE = 700  # a path, a list of what is known, and sixty characters of what was given

PIECES = st.one_of(
    st.sampled_from(["1-3-4-2", "270-450", "waste-spark:1", "cam:1@200", "10mV/A", "500A/60mV", "25mm2:0.5m@20C",
                     "counts:5V/10bit", "cal:0.5V=0A,2.5V=200A", "1=12.5bar", "P0301", "9" * 5000, "1e999", "-1e-999",
                     "nan", "inf", "0", "-", ":", "@", "=", "/", ",", ";", "1.", ".5", "\u0661", "\u00b2", "\u2212",
                     "\x1b[31m", "waste-spark:", "cam:", "cyl", "bit", "Ohm", "mm2:", "counts:", "cal:", "P030",
                     "\n", "\r", "\t", "\x00", "<b>", "{0}", "%s", "../", "\u202e", "\ud800", "A", "mV", "bar", "C"]),
    st.text(max_size=8))
TEXT = st.lists(PIECES, max_size=8).map("".join)

PARSERS: dict[str, Callable[[str], Any]] = {
    "engine": Engine.parse,
    "intervals": lambda text: Engine.parse("1-3-4-2", text),
    "sync": lambda text: SyncSpec.parse(text, FOUR),
    "probe": Probe.parse,
    "gauge": lambda text: Gauge.parse(text, FOUR),
    "misfire code": coded_cylinder,
    "setting": lambda text: settings_of([text]),
    "virtual board": lambda text: read_plan(text, {}),
    "virtual setting": lambda text: read_plan("", {"crank": text}),
    "virtual dead": lambda text: read_plan("", {"dead": text}),
    "rig's name": lambda text: Shelf(Path("/nowhere")).rig(text),
    "rig": lambda text: Rig(text, probe=text, sync=text),
    "engine card": lambda text: EngineCard(text, ignition=text),
}


@pytest.mark.timeout(600)
@pytest.mark.parametrize("examples", [40, pytest.param(3_000, marks=pytest.mark.slow)])
@pytest.mark.parametrize("what", PARSERS)
def test_any_text_is_understood_or_answered_in_one_sentence(what: str, examples: int) -> None:
    @settings(max_examples=examples, deadline=None, suppress_health_check=list(HealthCheck))
    @given(TEXT)
    def ask(text: str) -> None:
        began_s = time.thread_time()
        try:
            PARSERS[what](text)
        except CrankfoldError as error:
            assert 0 < len(str(error)) < LONGEST_SENTENCE, str(error)
        assert time.thread_time() - began_s < SECONDS_EACH

    ask()


@pytest.mark.parametrize(("what", "text"), [
    ("sync", "waste-spark:NINES"), ("sync", "cam:1@NINES"), ("sync", "cam:NINES@1"), ("probe", "counts:5V/NINESbit"),
    ("probe", "25mm2:0.5m@20C:classNINES"), ("probe", "NINESmV/A"), ("gauge", "NINES=12bar"), ("gauge", "1=NINESbar"),
    ("engine", "1-NINES"), ("intervals", "NINES"), ("virtual setting", "NINES"), ("virtual dead", "NINES")])
def test_numbers_of_thousands_of_digits_are_one_sentence(what: str, text: str) -> None:
    with pytest.raises(CrankfoldError) as refused:
        PARSERS[what](text.replace("NINES", "9" * 5000))
    assert len(str(refused.value)) < LONGEST_SENTENCE


def fenced_toml(name: str) -> bytes:
    text = (TOP / "hardware_notes" / name).read_text(encoding="utf-8")
    return text[text.index("```toml") + 8 :].partition("```")[0].encode()


def rig_file() -> bytes:
    return (b'board = "serial-lines:SN1"\nprobe = "10mV/A"\nsync = "cam:1@20"\nchannels = ["current", "sync"]\n'
            b'pre_trigger_s = 2.0\nreversed_channels = ["sync"]\n[settings]\nbaud = 9600\nx = true\n')


def card_file() -> bytes:
    return (b'firing_order = "1-3-4-2"\nintervals = "180"\nstrokes = 4\nignition = "waste-spark"\nsystem_v = 12\n'
            b'decompressor = true\nnotes = "launch"\n')


def journal_file() -> bytes:
    lines = [{"format": "crankfold.batch/1"}, {"key": "a", "row": {"file": "a", "seconds": 1.5}}]
    return "".join(json.dumps(line) + "\n" for line in lines).encode()


OPTIONS: dict[str, Any] = {
    **dict.fromkeys(("firing_order", "intervals", "strokes", "fuel", "system_v", "engine", "rig", "clamp", "probe",
                     "sync", "gauge", "watch")), "engine_name": "", "misfire_codes": (), "low": 75.0, "dead": 15.0}
PLANNER = Planner(OPTIONS, {}, load_plugins(enabled=False), "1")


def asked_beside(path: Path) -> None:
    """What a batch makes of the file beside a capture."""
    capture = path.with_suffix(".csv")
    capture.touch()
    (job,) = PLANNER.jobs([capture])
    assert (job.options is None) == (job.problem is not None)
    if job.problem is not None:
        raise InputError(job.problem)


def asked_by_list(path: Path) -> None:
    """What a batch makes of a list: mistakes in the table itself, then those in what a row asks."""
    for name in ("a.csv", "b,c.csv"):
        (path.parent / name).touch()
    for job in PLANNER.jobs([], read_list(path)):
        if job.problem is not None:
            raise InputError(job.problem)


FILES: dict[str, tuple[Callable[[Path], Any], bytes]] = {
    "rig": (lambda path: load_card(path, Rig), rig_file()),
    "engine card": (lambda path: load_card(path, EngineCard), card_file()),
    "USB stream": (read_description, fenced_toml("usb-bulk.md")),
    "USB instrument": (read_instrument, fenced_toml("usb-tmc.md")),
    "beside a capture": (asked_beside, b'firing-order = "1-3-4-2"\nlow = 70\nmisfire-codes = ["P0301"]\n'
                                       b'clamp = "10mV/A"\n'),
    "list": (asked_by_list, b"file,firing-order,low\na.csv,1-3-4-2,70\n\"b,c.csv\",1-2,\n"),
    "batch under way": (lambda path: Journal(path).__exit__(None, None, None), journal_file()),
}


@pytest.mark.timeout(300)
@pytest.mark.parametrize("seconds", [0.4, pytest.param(60.0, marks=pytest.mark.slow)])
@pytest.mark.parametrize("what", FILES)
def test_any_change_of_a_file_of_settings(tmp_path: Path, little_memory: None, what: str, seconds: float) -> None:
    read, good = FILES[what]
    path = tmp_path / "f.toml"

    def run(data: bytes) -> None:
        path.write_bytes(data)
        began_s = time.thread_time()
        try:
            read(path)
        except CrankfoldError as error:
            text = str(error)
            assert text and "\n" not in text and len(text) < LONGEST_SENTENCE, text
        assert time.thread_time() - began_s < SECONDS_EACH

    found = steered(run, [good], seconds=seconds)
    print(f"{what}: {found.executions} executions, {len(found.corpus)} kept, {found.reached} steps reached")
    assert found.reached > 20


@pytest.mark.parametrize(("what", "content"), [
    ("beside a capture", b"low = " + b"9" * 400), ("beside a capture", b'"a\\nb" = 1'),
    ("list", b'file,"a\nb"\nx.csv,1\n'), ("list", b"file,low\nx.csv,\"1\n2\"\n"),
    ("list", b'file\n"no\nsuch file"\n'), ("list", b"file\n" + b"9" * 400), ("list", b"file\na\0.csv\n"),
    ("list", b"file,sync\na.csv," + b"9" * 1001), ("beside a capture", b'firing-order = "1-3-' + b"9" * 1200 + b'-2"'),
    ("beside a capture", b"strokes = " + b"9" * 1000), ("beside a capture", b"strokes = 0x" + b"f" * 5000),
    ("beside a capture", b"low = 0x" + b"f" * 5000)])
def test_what_fuzzing_found_stays_found(tmp_path: Path, what: str, content: bytes) -> None:
    path = tmp_path / "f.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as error:
        FILES[what][0](path)
    assert "\n" not in str(error.value) and len(str(error.value)) < 600


def test_a_number_that_cannot_be_printed_is_one_sentence_in_a_rig_too(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text('board = "virtual"\n[settings]\nx = 0x' + "f" * 5000 + "\n", encoding="utf-8")
    with pytest.raises(AcquireError, match="line 3 has a number of 400 digits or more\\); correct it there"):
        load_card(path, Rig)


DEEP = ["[" * 20_000, "{" * 20_000, "a = " + "[" * 20_000 + "]" * 20_000, "a" + ".a" * 20_000 + " = 1",
        "[" + ".".join("a" * 9_000) + "]", "x = '" + "y" * 90_000 + "'", "board = " + '{ a = ' * 9_000]


@pytest.mark.parametrize("what", FILES)
@pytest.mark.parametrize("text", DEEP, ids=range(len(DEEP)))
def test_deep_nesting_is_one_sentence(tmp_path: Path, what: str, text: str) -> None:
    path = tmp_path / "f.toml"
    path.write_text(text + "\n", encoding="utf-8")
    began_s = time.thread_time()
    with pytest.raises(CrankfoldError):
        FILES[what][0](path)
    assert time.thread_time() - began_s < SECONDS_EACH


@pytest.mark.parametrize("name", ["../../etc/passwd", "/etc/passwd", "a/../../b", "..", "con", "a\x00b", "a\nb",
                                  "\u202etxt", "~root", "$HOME", "a;rm", "`id`"])
def test_names_lead_nowhere_but_the_shelf(tmp_path: Path, name: str) -> None:
    shelf = Shelf(tmp_path / "shelf")
    for act in (lambda: shelf.save(name, Rig("virtual")), lambda: shelf.rig(name), lambda: shelf.engine(name)):
        with pytest.raises(InputError, match="cannot be used"):
            act()
    assert list(tmp_path.iterdir()) == []


def test_a_card_comes_back_from_its_file_whatever_its_texts(tmp_path: Path) -> None:
    for text in ('"""', "'''", "\\", "\x1b]0;x\x07", "]\n[settings]\nx = 1", "\u2028"):
        rig = Rig("virtual", {"k": text}, notes=text)
        save_card(tmp_path / "r.toml", rig)
        assert load_card(tmp_path / "r.toml", Rig) == rig
