"""A capture that knows what it is: kept by a session, asked again without options, overridden, old and newer files."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from crankfold.acquire import (
    About,
    EngineCard,
    FileFormatError,
    Job,
    Rig,
    load_plugins,
    open_board,
    read_stored,
    save_capture,
)
from crankfold.analysis import Capture, InputError
from crankfold.viewer.session import (
    NOTHING_GIVEN,
    Ended,
    Kept,
    Patience,
    Session,
    SessionPlan,
    about_of,
    filled,
    question_for,
    question_of,
    told_about,
)

WHOLE = About(
    engine=EngineCard("1-3-4-2", "170-190", fuel="diesel", system_v=24, batteries=2), engine_name="harbour crane",
    rig=Rig("serial-lines:1", {"baud": "115200"}, probe="10mV/A", channels=("sync", "current"), notes="grey clamp"),
    rig_name="bench", probe="100uOhm", sync="waste-spark:1", gauge="1=12.1bar", misfire_codes=("P0302",),
    limits={"low": 70.0, "dead": 10.0, "watch": 80.0},
    job=Job("Harbour Workshop", "Quay 4", "HW 12", "12,500 h", "T. Ample", "40 C", "smokes"), caught={"how": "crank"})


@pytest.fixture(scope="session")
def plugins() -> Any:
    return load_plugins()


@pytest.fixture
def kept(tmp_path: Path, plugins: Any) -> Path:
    """A crank that a session kept, of a pump whose cylinder 3 is dead."""
    settings = {"engine": "pump", "pace": "flat", "quiet": "2", "crank": "3", "after": "1", "rate": "2000", "dead": "3",
                "sync": "waste-spark"}
    question = question_of({**NOTHING_GIVEN, "firing_order": "1-3-4-2", "sync": "waste-spark:1",
                            "engine_name": "irrigation pump", "low": 70.0})
    plan = SessionPlan(lambda: open_board("virtual", settings, plugins), question, folder=tmp_path,
                       patience=Patience.NEVER, count=1, settings=settings,
                       job=Job(customer="Quay 4", plate="HW 12", mileage="12,500 h"))
    with Session(plan) as session:
        told = list(session.events())
    assert isinstance(told[-1], Ended)
    (path,) = [news.paths[0] for news in told if isinstance(news, Kept)]
    return path


def test_everything_that_is_known_goes_through_json_and_back() -> None:
    assert About.of(json.loads(json.dumps(WHOLE.data()))) == WHOLE
    assert About.of(About().data()) == About()


def test_what_a_newer_program_adds_is_left_alone() -> None:
    data = WHOLE.data() | {"weather": {"rain": True}}
    data["engine"]["colour"] = "green"
    assert About.of(data) == WHOLE


@pytest.mark.parametrize("change", [
    {"format": "crankfold.about/2"}, {"engine": [1]}, {"engine": {"firing_order": 5}}, {"rig": {"board": 7}},
    {"measured": {"low": "many"}}, {"measured": {"sync": 3}}, {"job": {"plate": "x" * 1000}},
    {"engine": {"firing_order": "1-1"}}])
def test_what_cannot_be_is_one_sentence(change: dict[str, Any]) -> None:
    with pytest.raises(InputError) as error:
        About.of(change)
    assert "\n" not in str(error.value)


def test_a_kept_capture_is_analysed_without_options(kept: Path, in_process: Any) -> None:
    done = in_process("analyse", kept, "--json", "-")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert (result["low"], result["engine"]["name"]) == ([3], "irrigation pump")
    assert [caution["code"] for caution in result["cautions"]] == []


def test_the_file_holds_engine_job_where_and_the_last_result(kept: Path) -> None:
    with h5py.File(kept) as file:
        about, result = json.loads(file["about"][()]), json.loads(file["result"][()])
    assert about["engine"]["firing_order"] == "1-3-4-2"
    assert about["measured"]["sync"] == "waste-spark:1"
    assert about["job"] == {"customer": "Quay 4", "plate": "HW 12", "mileage": "12,500 h"}
    assert about["caught"]["how"] == "crank"
    assert about["caught"]["settings"]["rate"] == "2000"
    assert about["caught"]["program"].startswith("crankfold ")
    assert (result["verdict"], result["low"], result["format"]) == ("uneven", [3], "crankfold.result/1")
    assert result["program"] == about["caught"]["program"]


def test_an_option_goes_before_and_is_noted(kept: Path, in_process: Any) -> None:
    done = in_process("analyse", kept, "--sync", "none", "--low", "80", "--json", "-")
    result = json.loads(done.stdout)
    assert result["sync"] is None
    told = [caution["text"] for caution in result["cautions"] if caution["code"] == "overridden"]
    assert len(told) == 1
    assert "sync, limits" in told[0]
    assert "overridden" not in in_process("analyse", kept, "--sync", "waste-spark:1", "--json", "-").stdout


def test_the_sheet_needs_nothing_else(kept: Path, in_process: Any) -> None:
    done = in_process("sheet", kept, "--out", "page.html", "--plate", "HW 13")
    assert done.returncode == 0, done.stderr
    page = (in_process.folder / "page.html").read_text(encoding="utf-8")
    assert all(text in page for text in ("Quay 4", "HW 13", "12,500 h", "irrigation pump"))
    assert "HW 12" not in page


def test_before_and_after_need_nothing_else(kept: Path, in_process: Any) -> None:
    done = in_process("compare", kept, kept)
    assert done.returncode == 2
    assert "same" in done.stderr


def test_a_window_on_it_needs_nothing_else(kept: Path, plugins: Any) -> None:
    from crankfold.viewer.window import wanted_of

    plan, checks = wanted_of(kept, None, {}, NOTHING_GIVEN, plugins)
    assert plan is not None
    assert (str(plan.question.sync), plan.question.engine.firing_order, checks) == ("waste-spark:1", (1, 3, 4, 2), ())


def test_a_table_still_needs_its_firing_order(dead_csv: Path, in_process: Any, plugins: Any) -> None:
    from crankfold.viewer.window import wanted_of

    done = in_process("analyse", dead_csv)
    assert done.returncode == 2
    assert "--firing-order is missing" in done.stderr
    with pytest.raises(InputError, match="--firing-order is missing"):
        wanted_of(dead_csv, None, {}, NOTHING_GIVEN, plugins)


def test_a_rig_that_travelled_wires_the_capture_again(tmp_path: Path) -> None:
    about = About(engine=EngineCard("1-3-4-2"), sync="none", rig=Rig("serial-lines:1", probe="10mV/A"))
    capture = Capture.from_arrays(np.zeros(10), rate_hz=1000.0, unit="V")
    question, notices = question_for(Capture(capture.samples, 1000.0, capture.channels, about=about.data()),
                                     NOTHING_GIVEN)
    assert question.rig == about.rig
    assert notices == ()
    assert "rig" not in filled({**NOTHING_GIVEN, "rig": "other"}, about) or filled(
        {**NOTHING_GIVEN, "rig": "other"}, about)["rig"] == "other"


def test_from_a_question_to_the_same_question() -> None:
    asked = question_of({**NOTHING_GIVEN, "firing_order": "1-4-2-3", "intervals": "90-270", "sync": "cam:1@200",
                         "gauge": "2=175psi", "misfire_codes": ("P0302",), "probe": "10mV/A", "watch": 90.0,
                         "fuel": "spark", "system_v": 24.0})
    again = question_of(filled(NOTHING_GIVEN, about_of(asked)))
    assert (again.engine, again.sync, again.probe, again.misfire_codes, again.thresholds) == (
        asked.engine, asked.sync, asked.probe, asked.misfire_codes, asked.thresholds)
    assert again.gauge is not None
    assert asked.gauge is not None
    assert again.gauge.bar == pytest.approx(asked.gauge.bar, rel=1e-5)


def old_file(path: Path) -> None:
    save_capture(Capture.from_arrays(np.arange(100.0), rate_hz=1000.0), path)
    with h5py.File(path, "a") as file:
        for name in ("about", "result"):
            if name in file:
                del file[name]


def test_an_old_file_opens_and_knows_nothing(tmp_path: Path) -> None:
    old_file(tmp_path / "old.h5")
    capture = read_stored(tmp_path / "old.h5").capture()
    assert told_about(capture) is None
    assert capture.about == {}


def test_a_newer_file_says_update(tmp_path: Path, in_process: Any) -> None:
    path = tmp_path / "newer.h5"
    save_capture(Capture.from_arrays(np.arange(100.0), rate_hz=1000.0), path)
    with h5py.File(path, "a") as file:
        file.attrs["format"] = np.array(b"crankfold.capture/2")
    with pytest.raises(FileFormatError, match=r"newer crankfold.*; update crankfold"):
        read_stored(path)
    done = in_process("analyse", path, "--firing-order", "1-3-4-2")
    assert (done.returncode, done.stderr.count("\n")) == (2, 1)
    assert "update crankfold" in done.stderr


@pytest.mark.parametrize("text", [b"{", b"[1]", b"[" * 100_000])
def test_damaged_particulars_cost_no_sample(tmp_path: Path, text: bytes) -> None:
    path = tmp_path / "a.h5"
    save_capture(Capture.from_arrays(np.arange(100.0), rate_hz=1000.0), path)
    with h5py.File(path, "a") as file:
        file["about"] = np.array(text)
    capture = read_stored(path).capture()
    assert len(capture.samples) == 100
    _, notices = question_for(capture, {**NOTHING_GIVEN, "firing_order": "1-3-4-2"})
    assert [notice.code for notice in notices] == ["about-unreadable"]


def test_a_bundle_takes_no_job_along(kept: Path) -> None:
    from crankfold.viewer.evidence.bundle import stripped

    assert stripped(read_stored(kept).capture()).about == {}
