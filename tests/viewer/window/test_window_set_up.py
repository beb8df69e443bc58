"""The steps of setting up and the checklist; no Qt here."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from crankfold.acquire import EngineCard, Rig, Shelf, load_plugins
from crankfold.analysis import Engine, SyncSpec
from crankfold.viewer.picture import look
from crankfold.viewer.window import wanted_of
from crankfold.viewer.window.asking import NOTHING
from crankfold.viewer.window.checklist import Checklist, checks
from crankfold.viewer.window.drawings import TALL, WIDE, drawing, fitted
from crankfold.viewer.window.set_up import PROBES, STEPS, SYNCS, Draft, Step, choices, chosen, problem, save
from crankfold.viewer.words import LANGUAGES, sentences_of, speak

ENGINE = Engine.parse("1-3-4-2")


def said(sync: str | None, fuel: str = "") -> str:
    return "\n".join(checks(SyncSpec.parse(sync, ENGINE), fuel=fuel)).lower()


# Which way round fuel and ignition are for each test: common practice, no source.
def test_the_checklist_changes_with_the_test() -> None:
    assert "fuel disabled" in said(None)
    assert "ignition off, or all plug leads connected" in said(None)
    for sparks in ("waste-spark:1", "single-spark:1"):
        assert "ignition on," in said(sparks)
        assert "all plug leads connected" in said(sparks)
    for cold in ("pressure:2", "plug-out:2"):
        assert "ignition off" in said(cold)
        assert "ignition on," not in said(cold)
        assert "open plug hole" in said(cold)
    assert "plug 2 is out" in said("plug-out:2")
    assert "cam sensor keeps its supply" in said("cam:1@200")


def test_a_diesel_is_stopped_at_the_shut_off_and_has_no_coils() -> None:
    assert "never open a high-pressure line" in said(None, "diesel")
    assert "ignition" not in said(None, "diesel")


@pytest.mark.parametrize("sync", [None, "waste-spark:1", "cam:1@200", "pressure:1", "plug-out:3"])
def test_every_checklist_has_what_always_holds(sync: str | None) -> None:
    for needed in ("brake on", "neutral", "hands", "10 seconds", "eye protection"):
        assert needed in said(sync)


def test_a_checklist_is_done_when_all_is_ticked() -> None:
    ticking = Checklist(("one", "two"))
    assert not ticking.ticked().complete
    assert ticking.ticked().ticked().complete
    assert ticking.ticked().unticked().done == 0
    assert ticking.unticked().done == 0


@pytest.mark.parametrize(("step", "changes", "words"), [
    (Step.ENGINE, {"firing_order": "1-3-3-2"}, "twice"),
    (Step.ENGINE, {"intervals": "100-200"}, "add up"),
    (Step.ENGINE, {"strokes": "3"}, "2 or 4"),
    (Step.ENGINE, {"fuel": "wood"}, "spark, diesel"),
    (Step.BOARD, {"board": ""}, "Choose a board"),
    (Step.PROBE, {"board": "virtual", "probe": "10 bananas"}, "not understood"),
    (Step.SYNC, {"sync": "waste-spark", "cylinder": "7"}, "no cylinder 7"),
    (Step.NAMES, {"rig_name": "../etc"}, "cannot be used"),
])
def test_a_mistake_is_said_on_its_page(step: Step, changes: dict[str, str], words: str) -> None:
    assert words in problem(Draft().with_(changes), step)


def test_what_was_set_up_is_kept_and_can_be_watched(settings_folder: Path) -> None:
    draft = Draft().with_({"board": "virtual:engine=pump", "sync": "cam", "cylinder": "3", "degrees": "200",
                           "probe": "", "fuel": "diesel", "rig_name": "quay", "engine_name": "pump"})
    assert not any(problem(draft, step) for step in STEPS)
    save(draft, Shelf())
    assert Shelf().rig("quay") == Rig("virtual:engine=pump", sync="cam:3@200")
    assert Shelf().engine("pump") == EngineCard("1-3-4-2", fuel="diesel", cam="3@200")
    wanted, lines = wanted_of(None, None, {}, {**NOTHING, "rig": "quay", "engine": "pump"}, load_plugins())
    assert wanted is not None
    assert wanted.live
    assert wanted.question.sync == SyncSpec("cam", 3, 200.0)
    assert any("high-pressure" in line for line in lines)
    with wanted.open() as source:
        assert source.info.title.endswith("irrigation pump, four cylinders")
    assert settings_folder.is_dir()


def test_what_would_be_replaced_is_said(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    draft = Draft().with_({"board": "virtual"})
    before = choices(Step.NAMES, draft, shelf, ())
    save(draft, shelf)
    after = choices(Step.NAMES, draft, shelf, ())
    assert len(after) == len(before) + 2
    assert "bench" in after[-2].label


def test_saved_engines_are_offered_first_and_broken_ones_left_out(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.save("launch", EngineCard("1-5-3-6-2-4"))
    (tmp_path / "engines" / "broken.toml").write_text("firing_order = 7", encoding="utf-8")
    offered = choices(Step.ENGINE, Draft(), shelf, ())
    assert "launch" in offered[0].label
    assert not any("broken" in choice.label for choice in offered)
    picked = Draft().with_(offered[0].values)
    assert picked["firing_order"] == "1-5-3-6-2-4"
    assert chosen(picked, offered) == 0


def test_a_saved_rig_is_offered_and_keeps_what_is_not_asked(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    cart = Rig("serial-lines:123", {"baud": "250000"}, "10mV/A", "cam:2@200", ("current", "sync"), notes="on the cart")
    shelf.save("cart", cart)
    shelf.save("launch", EngineCard("1-5-3-6-2-4", system_v=24, ignition="single-coil"))
    offered = choices(Step.BOARD, Draft(), shelf, (("virtual", "a virtual engine"),))
    assert [choice.values["board"] for choice in offered] == ["serial-lines:123", "virtual"]
    draft = Draft().with_(offered[0].values).with_({"firing_order": "1-5-3-6-2-4", "engine_name": "launch"})
    assert draft.sync == "cam:2@200"
    save(draft.with_({"probe": "1mV/A"}), shelf)
    assert shelf.rig("cart") == replace(cart, probe="1mV/A")
    card = EngineCard("1-5-3-6-2-4", fuel="spark", system_v=24, ignition="single-coil", cam="2@200")
    assert shelf.engine("launch") == card


def test_another_board_under_the_same_name_brings_none_of_the_old_settings(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    shelf.save("cart", Rig("serial-lines:123", {"baud": "250000"}))
    save(Draft().with_({"board": "virtual", "rig_name": "cart"}), shelf)
    assert shelf.rig("cart") == Rig("virtual", probe="10mV/A")


def test_too_little_said_means_set_up_first(settings_folder: Path) -> None:
    assert wanted_of(None, None, {}, NOTHING, load_plugins()) == (None, ())
    assert wanted_of(None, "virtual", {}, NOTHING, load_plugins()) == (None, ())
    assert not settings_folder.exists()


@pytest.mark.parametrize("key", [*(f"probe-{key}" for key in PROBES), *(f"sync-{key}" for key in SYNCS), "engine",
                                 "board"])
@pytest.mark.parametrize("order", ["1-3-4-2", "1-8-4-3-6-5-7-2", "1-2-3-4-5-6-7-8-9-10-11-12"])
def test_drawings_stay_on_their_card(key: str, order: str) -> None:
    from crankfold.viewer.picture import Box, Panel, Path, Words
    from crankfold.viewer.picture.measures import width_of

    box = Box(100.0, 50.0, WIDE / 2, TALL / 2)
    for item in fitted(drawing(key, look.LIGHT, Draft().with_({"firing_order": order})), box):
        if isinstance(item, Path):
            assert item.points[:, 0].min() >= box.left and item.points[:, 0].max() <= box.right
        elif isinstance(item, Panel):
            assert box.left <= item.box.left and item.box.right <= box.right
            assert box.top <= item.box.top and item.box.bottom <= box.bottom
        elif isinstance(item, Words):
            wide = width_of(item.text, item.size, item.face)
            left = item.x - {"start": 0.0, "middle": wide / 2.0, "end": wide}[item.anchor]
            assert left >= box.left - 1.0 and left + wide <= box.right + 1.0, item.text


@pytest.fixture
def speaking() -> Iterator[Callable[[str], None]]:
    yield speak
    speak(None)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("fuel", ["", "spark", "diesel"])
@pytest.mark.parametrize("sync", [None, "waste-spark:1", "cam:1@200", "pressure:1", "plug-out:3"])
def test_no_line_of_a_checklist_is_cut_on_a_screen_of_1280(sync: str | None, fuel: str, language: str,
                                                           speaking: Callable[[str], None]) -> None:
    from crankfold.viewer.picture import measures
    from crankfold.viewer.window.check_view import SIZE

    speaking(language)
    for line in checks(SyncSpec.parse(sync, ENGINE), fuel=fuel):
        assert measures.wrap(line, SIZE, 1280.0 - 48.0 - 28.0 - 80.0, 1) == [line]


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_name_of_every_field_has_room(language: str, speaking: Callable[[str], None]) -> None:
    from crankfold.viewer.picture import measures
    from crankfold.viewer.window.pages import form, leaf
    from crankfold.viewer.window.set_up_view import LABEL

    speaking(language)
    job = {name: text for name, text in sentences_of("window.job").items() if name not in ("heading", "advice")}
    for names, room in ((sentences_of("window.field"), LABEL), (job, form.LABEL)):
        assert len(names) > 5
        for text in names.values():
            assert measures.width_of(text, leaf.TYPE) <= room - 6.0, text
