"""The cam sensor's angle, learnt in the window from one crank with a known plug out and kept on the engine card."""

from __future__ import annotations

from functools import partial
from typing import Any

import pytest
from hands import Mouse

from crankfold.acquire import EngineCard, Rig, open_board
from crankfold.viewer.session import SessionPlan
from crankfold.viewer.window.set_up import Step

CAM = {"engine": "pump", "sync": "cam", "sync-angle": "212", "pace": "flat", "quiet": "0.6", "after": "0.3",
       "rate": "2000"}


@pytest.fixture
def cranked(desk: Any, bench: Any, question: Any) -> Any:
    """Return a desk whose window shows a crank with the plug of cylinder 1 out and a cam sensor beside the current."""
    desk.shelf.save("pump", EngineCard("1-3-4-2"))
    desk.shelf.save("launch", EngineCard("1-5-3-6-2-4"))
    board = partial(open_board, "virtual", {**CAM, "dead": "1"}, desk.plugins)
    desk.window.begin(SessionPlan(board, question(sync="plug-out:1"), live=False, title="pump"))
    bench.until(lambda: desk.window.now.judged is not None)
    return desk


def test_the_angle_goes_onto_the_card_and_the_rig_needs_no_number(cranked: Any) -> None:
    window, hand, page = cranked.window, Mouse(), cranked.cam_lesson.page
    hand.action(window, "cam")
    assert window.pile.top is page
    assert list(page.cards) == ["cam_for:pump"], "another firing order is another engine"
    edge = cranked.cam_lesson.found.edge_deg
    assert abs(edge - 212.0) < cranked.cam_lesson.found.half_deg
    assert f"{edge:.0f} degrees" in page.head.spoken.headline
    hand.action(window, "cam_for:pump")
    card = cranked.shelf.engine("pump")
    assert card.cam == f"1@{edge:.0f}"
    cranked.shelf.save("cart", Rig("virtual:engine=pump", sync="cam"))
    cranked.watch_cards("cart", "pump")
    cranked._job_given()
    assert str(window.waiting.question.sync) == f"cam:{card.cam}"


def test_a_crank_that_tells_no_angle_says_why(cranked: Any, bench: Any, question: Any) -> None:
    window = cranked.window
    board = partial(open_board, "virtual", {**CAM, "dead": "1", "sync": "pressure"}, cranked.plugins)
    window.begin(SessionPlan(board, question(sync="plug-out:1"), live=False, title="pump"))
    bench.until(lambda: window.now.judged is not None)
    Mouse().action(window, "cam")
    head = cranked.cam_lesson.page.head.spoken
    assert head.alarm
    assert head.advice


def test_the_set_up_knows_the_angle_of_a_saved_engine(desk: Any) -> None:
    desk.shelf.save("pump", EngineCard("1-3-4-2", cam="3@212"))
    desk.window.begin_set_up()
    hand, page = Mouse(), desk.set_up
    hand.line(page.list, "pump")
    page.go(Step.SYNC)
    hand.line(page.list, "cam sensor")
    assert page.fields["degrees"].text() == "212"
    assert page.draft.sync == "cam:3@212"
    assert page.draft.engine_card().cam == "3@212"
