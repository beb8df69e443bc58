"""The window driven offscreen: from arming to the verdict and again, a lost board, a refusal, keys, mouse and paper."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtTest import QTest

from crankfold.acquire import Shelf, Source, load_plugins, open_file
from crankfold.viewer.picture import look
from crankfold.viewer.picture.wheel import point
from crankfold.viewer.session import Answered, Caught, Judged, NoBoard, Opened, Phase, Readying, Session, SessionPlan
from crankfold.viewer.window.placing import HEAD, MARGIN
from crankfold.viewer.window.set_up import STEPS, Step
from crankfold.viewer.words import say

SPEED = 5.0


@pytest.fixture
def wanted(played: Any, recorded_codes: Any, question: Any) -> Callable[..., SessionPlan]:
    def made(address: str, *, sync: str | None = None, order: str = "1-3-4-2", **facts: Any) -> SessionPlan:
        info, codes = recorded_codes(address)
        return SessionPlan(lambda: played(info, codes, **{"speed": SPEED, **facts}), question(order, sync))

    return made


@pytest.fixture
def judged_window(bench: Any, dead_three: Any, uneven_result: Any, question: Any) -> Any:
    window = bench.window()
    judged = Judged(dead_three, uneven_result, question(sync="waste-spark:1"), (0.9, 1.2))
    for news in (Readying(live=True), Opened("test board"), Caught(1), Answered(1, judged)):
        window.take(news)
    bench.application.processEvents()
    return window


def press(window: Any, key: Qt.Key, modifiers: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
    QTest.keyClick(window, key, modifiers)


def test_from_arming_to_the_verdict_and_again(bench: Any, wanted: Any) -> None:
    window = bench.window()
    phases = bench.watch(window, wanted(
        "engine=pump,dead=3,sync=waste-spark,quiet=2,crank=5,cranks=2,rest=6,after=8,rate=5000", sync="waste-spark:1"))
    bench.until(lambda: phases.count(Phase.NAMED) == 2)
    expected = [Phase.ARMED, Phase.CRANKING, Phase.ENOUGH, Phase.JUDGING, Phase.NAMED, Phase.CRANKING, Phase.ENOUGH,
                Phase.JUDGING, Phase.NAMED]
    assert phases[-len(expected):] == expected
    assert window.page.head.spoken.headline == "Cylinder 3 has no compression."
    assert window.page.wheel.isVisible() and window.page.fold.isVisible()
    sounded = window.sink.phases
    assert [p for p in sounded if p is not Phase.ARMED] == [Phase.CRANKING, Phase.ENOUGH, Phase.NAMED] * 2


def test_a_board_lost_while_armed_is_said_tried_again_and_arms_again(bench: Any, wanted: Any) -> None:
    once = threading.Event()
    good = wanted("engine=pump,quiet=4,cranks=0,after=4,rate=2000")
    bad = wanted("engine=pump,quiet=4,cranks=0,after=4,rate=2000", breaks_at=4000)

    def opened() -> Source:
        if once.is_set():
            return good.open()
        once.set()
        return bad.open()

    window = bench.window()
    phases = bench.watch(window, SessionPlan(opened, good.question), retry_s=0.3)
    bench.until(lambda: Phase.LOST in phases)
    assert window.page.head.spoken.headline == say("window.headline.lost")
    assert "Plug it in again" in window.page.head.spoken.advice
    bench.until(lambda: phases[-1] is Phase.ARMED)
    assert phases[-3:] == [Phase.LOST, Phase.FILLING, Phase.ARMED]
    assert Phase.LOST in window.sink.phases


def test_a_key_tries_at_once(bench: Any, wanted: Any) -> None:
    once = threading.Event()
    good, bad = (wanted("engine=pump,quiet=4,cranks=0,after=4,rate=2000", breaks_at=at) for at in (None, 200))

    def opened() -> Source:
        if once.is_set():
            return good.open()
        once.set()
        return bad.open()

    window = bench.window()
    phases = bench.watch(window, SessionPlan(opened, good.question), retry_s=3600.0)
    bench.until(lambda: Phase.LOST in phases)
    press(window, Qt.Key.Key_R)
    bench.until(lambda: phases[-1] is Phase.ARMED)


def test_too_short_a_crank_is_refused_with_what_to_do(bench: Any, wanted: Any) -> None:
    window = bench.window()
    phases = bench.watch(window, wanted("engine=pump,quiet=2,crank=0.9,after=3,rate=2000"))
    bench.until(lambda: Phase.REFUSED in phases)
    assert window.page.head.spoken.headline == say("headline.none.too-short")
    assert "five seconds" in window.page.head.spoken.advice
    assert not window.page.wheel.isVisible()
    assert window.page.strip.isVisible()


def test_a_recording_is_shown_and_can_be_played_again(bench: Any, dead_csv: Path, question: Any) -> None:
    window = bench.window()
    file = SessionPlan(partial(open_file, dead_csv, {}, load_plugins()), question(sync="waste-spark:1"), live=False)
    phases = bench.watch(window, file)
    bench.until(lambda: phases[-1:] == [Phase.NAMED])
    bench.until(lambda: window.now.stage is Phase.OVER)
    press(window, Qt.Key.Key_R)
    bench.until(lambda: phases.count(Phase.NAMED) == 2)


def test_a_file_that_is_not_there_is_no_board(bench: Any, tmp_path: Path, question: Any) -> None:
    window = bench.window()
    missing = SessionPlan(partial(open_file, tmp_path / "none.csv", {}, load_plugins()), question(), live=False)
    phases = bench.watch(window, missing)
    bench.until(lambda: Phase.NO_BOARD in phases)
    assert "no such file" in window.page.head.spoken.advice


def test_number_keys_tab_and_clicks_light_a_cylinder_in_all_three(judged_window: Any) -> None:
    page = judged_window.page

    def lit() -> set[int | None]:
        return {view.lit for view in page.judged_views}

    press(judged_window, Qt.Key.Key_4)
    assert lit() == {3}  # cylinder 4 is third in 1-3-4-2
    press(judged_window, Qt.Key.Key_4)
    assert lit() == {None}
    press(judged_window, Qt.Key.Key_Tab)
    press(judged_window, Qt.Key.Key_Tab)
    assert lit() == {2}
    press(judged_window, Qt.Key.Key_Backtab, Qt.KeyboardModifier.ShiftModifier)
    assert lit() == {1}


def test_the_wheel_and_the_fold_are_clicked(judged_window: Any) -> None:
    from crankfold.viewer.picture import plot_of, wheel_centre

    page, unit = judged_window.page, judged_window.page.wheel.unit
    x, y, rim = wheel_centre(page.wheel.data, page.wheel.box)
    dx, dy = point(90.0, 0.8 * rim)  # a quarter round: second in the order of four
    QTest.mouseClick(page.wheel, Qt.MouseButton.LeftButton, pos=QPoint(round((x + dx) * unit), round((y + dy) * unit)))
    assert {view.lit for view in page.judged_views} == {2}
    plot = plot_of(page.fold.box)
    at = QPoint(round((plot.left + 0.97 * plot.width) * unit), round((plot.top + 20.0) * unit))
    QTest.mouseClick(page.fold, Qt.MouseButton.LeftButton, pos=at)
    assert {view.lit for view in page.judged_views} == {4}


def test_the_strip_is_panned_zoomed_and_marked_by_keys(judged_window: Any) -> None:
    strip = judged_window.page.strip
    whole = strip.window_
    press(judged_window, Qt.Key.Key_Plus)
    press(judged_window, Qt.Key.Key_Right)
    assert strip.window_.length_s == pytest.approx(whole.length_s / 1.25)
    assert strip.window_.shown_s[0] > whole.shown_s[0]
    for key in (Qt.Key.Key_M, Qt.Key.Key_Left, Qt.Key.Key_M):
        press(judged_window, key)
    assert len(strip.window_.marks_s) == 2
    press(judged_window, Qt.Key.Key_Home)
    assert strip.window_.shown_s == whole.shown_s
    press(judged_window, Qt.Key.Key_Escape)
    assert strip.window_.marks_s == ()


def test_the_strip_is_dragged_and_marked_by_mouse(judged_window: Any) -> None:
    strip = judged_window.page.strip
    strip.look_at(strip.window_.zoomed(4.0))
    before = strip.window_.shown_s[0]
    middle = QPoint(strip.width() // 2, strip.height() // 2)
    QTest.mousePress(strip, Qt.MouseButton.LeftButton, pos=middle)
    QTest.mouseMove(strip, middle + QPoint(-120, 0))
    QTest.mouseRelease(strip, Qt.MouseButton.LeftButton, pos=middle + QPoint(-120, 0))
    assert strip.window_.shown_s[0] > before
    assert strip.window_.marks_s == ()
    QTest.mouseClick(strip, Qt.MouseButton.LeftButton, pos=middle)
    assert strip.window_.marks_s[0] == pytest.approx(strip.time_at(middle.x() / strip.unit))


def test_space_puts_the_answer_away(judged_window: Any) -> None:
    press(judged_window, Qt.Key.Key_Space)
    assert judged_window.now.phase is Phase.FILLING
    assert not judged_window.page.wheel.isVisible()


def test_paper_keys_help_and_details(judged_window: Any) -> None:
    page = judged_window.page
    light = page.grab().toImage().pixelColor(2, 2).name()
    press(judged_window, Qt.Key.Key_P)
    assert (light, page.grab().toImage().pixelColor(2, 2).name()) == (look.LIGHT.paper, look.DARK.paper)
    press(judged_window, Qt.Key.Key_H)
    assert page.over.isVisible()
    press(judged_window, Qt.Key.Key_H)
    assert not page.over.isVisible()
    press(judged_window, Qt.Key.Key_D)
    assert any("95 % intervals" in line for line in page.over.sentences)
    press(judged_window, Qt.Key.Key_Escape)
    assert not page.over.isVisible()


def test_the_checklist_is_ticked_by_keys_and_goes_away(bench: Any) -> None:
    window = bench.window()
    window.page.ask(("brake on", "fuel off", "hands clear"))
    press(window, Qt.Key.Key_Return)
    press(window, Qt.Key.Key_Space)
    press(window, Qt.Key.Key_Backspace)
    assert window.page.check.list.done == 1
    assert window.page.check.isVisible()
    press(window, Qt.Key.Key_Return)
    press(window, Qt.Key.Key_Return)
    assert not window.page.check.isVisible()
    press(window, Qt.Key.Key_C)
    assert window.page.check.isVisible()
    assert window.page.check.list.done == 0


@pytest.mark.parametrize(("wide", "tall"), [(1280, 720), (1920, 1080), (1024, 900), (640, 360), (3840, 1000)])
def test_nothing_overlaps_at_any_size(bench: Any, judged_window: Any, wide: int, tall: int) -> None:
    judged_window.resize(wide, tall)
    bench.application.processEvents()
    page = judged_window.page
    seen = [v for v in (page.head, page.strip, page.fold, page.wheel, page.words, page.buttons) if v.isVisible()]
    assert len(seen) == 6
    for k, view in enumerate(seen):
        assert page.rect().contains(view.geometry())
        for other in seen[k + 1 :]:
            common = view.geometry().intersected(other.geometry())
            assert min(common.width(), common.height()) <= 1, (view, other)
    assert page.strip.geometry().left() == round(MARGIN * page.strip.unit)
    assert page.strip.geometry().top() == round(HEAD * page.strip.unit)


def test_set_up_by_keyboard_alone(bench: Any, settings_folder: Path) -> None:
    from crankfold.viewer.window.set_up_view import SetUpView

    window = bench.window()
    view = SetUpView(Shelf(), load_plugins(enabled=False))
    window.use_set_up(view)
    kept: list[tuple[str, str]] = []
    view.kept.connect(lambda rig, engine: kept.append((rig, engine)))
    press(window, Qt.Key.Key_S)
    assert view.isVisible()
    press(view.list, Qt.Key.Key_Down)
    press(view, Qt.Key.Key_Return)
    assert view.step is Step.BOARD
    view.fields["board"].clear()
    QTest.keyClicks(view.fields["board"], "virtual:engine=pump")
    press(view, Qt.Key.Key_Return)
    view.fields["probe"].clear()
    QTest.keyClicks(view.fields["probe"], "nonsense")
    press(view, Qt.Key.Key_Return)
    assert view.step is Step.PROBE
    assert "not understood" in view.head.spoken.advice
    press(view.list, Qt.Key.Key_Down)
    press(view, Qt.Key.Key_Return)
    press(view.list, Qt.Key.Key_Down)
    assert view.fields["cylinder"].text() == "1"
    press(view, Qt.Key.Key_Return)
    assert view.step is STEPS[-1]
    press(view, Qt.Key.Key_Escape)
    press(view, Qt.Key.Key_Return)
    press(view, Qt.Key.Key_Return)
    assert kept == [("bench", "engine")]
    rig = Shelf().rig("bench")
    assert (rig.board, rig.probe, rig.sync) == ("virtual:engine=pump", "500A/60mV", "waste-spark:1")
    assert Shelf().engine("engine").firing_order == "1-2-4-3"


def test_boards_that_are_found_are_offered(bench: Any, settings_folder: Path) -> None:
    from crankfold.viewer.window.set_up_view import SetUpView

    window = bench.window()
    view = SetUpView(Shelf(), load_plugins(enabled=False))
    window.use_set_up(view)
    window.begin_set_up()
    view.go(Step.BOARD)
    bench.until(lambda: any("virtual:engine=pump" in view.list.item(k).text() for k in range(view.list.count())))
    press(view, Qt.Key.Key_Escape)
    press(view, Qt.Key.Key_Escape)
    assert not view.isVisible()


def test_no_board_shows_where_things_go(bench: Any) -> None:
    window = bench.window()
    window.take(NoBoard("there is no board x", "plug one in"))
    assert window.page.picture.isVisible()
    assert not window.page.strip.isVisible()


def test_tones_through_the_loudspeaker_or_a_beep(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from crankfold.viewer.window import run as sounding

    class Effect:
        played: ClassVar[list[str]] = []

        def setSource(self, url: Any) -> None:
            self.path = url.toLocalFile()

        def play(self) -> None:
            self.played.append(Path(self.path).read_bytes()[:4].decode() + Path(self.path).stem)

    class Multimedia:
        QSoundEffect = Effect

    monkeypatch.setattr(sounding, "import_module", lambda name: Multimedia)
    sounding.best_sink().sound(Phase.EVEN)
    assert Effect.played == ["RIFFeven"]

    def missing(name: str) -> Any:
        raise ImportError(name)

    monkeypatch.setattr(sounding, "import_module", missing)
    assert isinstance(sounding.best_sink(), sounding.Beep)


def test_each_crank_is_kept_where_a_folder_is_given(bench: Any, wanted: Any, tmp_path: Path) -> None:
    window = bench.window()
    asked = wanted("engine=pump,dead=3,sync=waste-spark,quiet=2,crank=3,after=3,rate=2000", sync="waste-spark:1")
    bench.watch(window, SessionPlan(asked.open, asked.question, folder=tmp_path))
    bench.until(lambda: str(tmp_path) in window.now.aside)
    assert {path.suffix for path in tmp_path.iterdir()} == {".h5", ".json", ".html", ".svg", ".png"}
    assert str(tmp_path) in window.page.head.spoken.aside


def test_a_folder_that_is_gone_is_said_beside_the_verdict(bench: Any, wanted: Any, tmp_path: Path) -> None:
    import shutil

    window = bench.window()
    folder = tmp_path / "kept"
    folder.mkdir()
    asked = wanted("engine=pump,dead=3,sync=waste-spark,quiet=2,crank=3,after=3,rate=2000", sync="waste-spark:1")
    phases = bench.watch(window, SessionPlan(asked.open, asked.question, folder=folder))
    bench.until(lambda: Phase.CRANKING in phases)
    shutil.rmtree(folder)
    bench.until(lambda: window.now.phase is Phase.NAMED and "kept" in window.now.aside)


def test_before_and_after_a_repair(bench: Any, judged_window: Any, make_recording: Any, question: Any) -> None:
    from crankfold.viewer.session import judge

    page = judged_window.page
    press(judged_window, Qt.Key.Key_B)
    assert page.over.sentences == (say("window.compare_none"),)
    press(judged_window, Qt.Key.Key_B)
    after = judge(make_recording(sync="waste-spark"), question(sync="waste-spark:1"))
    for news in (Caught(2), Answered(2, after)):
        judged_window.take(news)
    press(judged_window, Qt.Key.Key_B)
    assert page.comparison.isVisible()
    texts = [item.text for item in page.comparison.items(page.comparison.box) if hasattr(item, "text")]
    assert any(re.match(r"Cylinder 3 is better: \d % before, ", text) for text in texts)
    bench.application.processEvents()
    press(judged_window, Qt.Key.Key_Escape)
    assert not page.comparison.isVisible()


def test_the_same_recording_again_is_no_before_and_after(judged_window: Any) -> None:
    from dataclasses import replace

    page, first = judged_window.page, judged_window.now.judged
    again = replace(first, result=replace(first.result, notes=()))
    for news in (Caught(2), Answered(2, again)):
        judged_window.take(news)
    press(judged_window, Qt.Key.Key_B)
    assert not page.comparison.isVisible()
    assert page.over.isVisible()
    assert page.over.sentences == (say("window.compare_same"),)
    press(judged_window, Qt.Key.Key_Escape)
    assert not page.over.isVisible()


def test_a_clamp_in_volts_is_drawn_in_amperes(bench: Any, wanted: Any, question: Any) -> None:
    from dataclasses import replace

    from crankfold.acquire import Probe

    window = bench.window()
    asked = wanted("engine=pump,quiet=2,crank=3,after=3,rate=2000,unit=V")
    clamped = SessionPlan(asked.open, replace(asked.question, probe=Probe.parse("10mV/A")))
    phases = bench.watch(window, clamped)
    bench.until(lambda: Phase.JUDGING in phases)
    strip = window.page.strip
    assert strip._channels[0].unit == "A"
    assert 300.0 < strip._lines[0].value.max() < 1500.0


def test_a_fault_of_our_own_is_said_and_does_not_hang(bench: Any, wanted: Any) -> None:
    from dataclasses import replace

    def broken(info: Any) -> None:
        raise RuntimeError("no solver")

    window = bench.window()
    plan = wanted("engine=pump,quiet=2,cranks=0,after=1,rate=2000")
    window.watch(Session(replace(plan, prepare=broken)))
    bench.until(lambda: window.now.phase is Phase.LOST)
    assert "no solver" in window.page.head.spoken.advice


def test_the_words_beside_an_armed_board_are_those_of_its_test(bench: Any) -> None:
    window = bench.window()
    window.page.ask(("Ignition alive.",), shown=False)
    for news in (Readying(live=True), Opened("test board")):
        window.take(news)
    assert window.page.words.sentences == ("Ignition alive.", say("safety.law"))
    assert not window.page.check.isVisible()
