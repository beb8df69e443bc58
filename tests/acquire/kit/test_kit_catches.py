"""The kit itself: a good driver keeps every rule, and each broken one breaks exactly the rule meant for it."""

from __future__ import annotations

import itertools
import threading
import time
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from crankfold.acquire import (
    BoardBusyError,
    BoardDeclaration,
    BoardDisconnectedError,
    BoardFound,
    BoardNotFoundError,
    EndOfStream,
    FileFormatError,
    ReaderDeclaration,
    Samples,
    Setting,
    Source,
    SourceInfo,
    hookimpl,
)
from crankfold.acquire.contract import Block
from crankfold.acquire.testing import (
    PLUGIN_RULES,
    SOURCE_RULES,
    behaviour_rules,
    run_contract,
    run_plugin_contract,
    source_rules,
)
from crankfold.acquire.testing.outcome import Rule
from crankfold.acquire.testing.running import try_rule, try_rules
from crankfold.acquire.testing.source_case import SourceCase
from crankfold.analysis import CURRENT, SYNC, Channel

RATE_HZ = 4000.0
CHANNELS = (Channel(CURRENT, "V", 0.01, code_range=(0, 1023)), Channel(SYNC, "V", 0.01, code_range=(0, 1023)))


def info(**changes: Any) -> SourceInfo:
    said = {"rate_hz": RATE_HZ, "channels": CHANNELS, "dtype": np.dtype(np.uint16), "title": "bench board"}
    return SourceInfo(**{**said, **changes})


class Board(Source):
    """A live board that is right: codes by the clock, a driver's buffer that is never reused."""

    said = info()

    def __init__(self) -> None:
        super().__init__()
        self.began_s = 0.0
        self.given = 0
        self.lost: int | None = 0
        self.pulled = False

    @property
    def info(self) -> SourceInfo:
        return self.said

    def due(self) -> int:
        return int((time.monotonic() - self.began_s) * RATE_HZ) - self.given

    def codes(self, count: int) -> np.ndarray:
        index = np.arange(self.given, self.given + count)
        return np.column_stack([index % 1000, index % 7]).astype(np.uint16)

    def _start(self) -> None:
        self.began_s, self.given = time.monotonic(), 0

    def _read(self, timeout_s: float) -> Samples | None:
        if self.pulled:
            raise BoardDisconnectedError("the bench board was unplugged", "plug it in again")
        time.sleep(min(timeout_s, 0.01))
        count = self.due()
        if count <= 0:
            return None
        samples = Samples(self.codes(count), self.lost)
        self.given += count
        self.lost = 0
        return samples


class File(Source):
    """A file that is right."""

    said = info(finite=True, live=False, title="bench file")

    def __init__(self) -> None:
        super().__init__()
        self.left = [np.full((100, 2), k, np.uint16) for k in range(12)]

    @property
    def info(self) -> SourceInfo:
        return self.said

    @property
    def measured_rate_hz(self) -> float | None:
        return RATE_HZ

    def _read(self, timeout_s: float) -> Samples | None:
        if not self.left:
            raise EndOfStream
        return Samples(self.left.pop(0))


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch, bench_clock: Any) -> None:
    """Go by the clock of the bench, boards and rules alike, and wait less long for what will not come."""
    monkeypatch.setitem(globals(), "time", bench_clock)
    monkeypatch.setattr(source_rules, "FIRST_S", 0.8)
    monkeypatch.setattr(behaviour_rules, "END_S", 1.0)


def pull(source: Source) -> None:
    source.pulled = True  # type: ignore[attr-defined]


def lose(source: Source) -> int | None:
    source.given += 250  # type: ignore[attr-defined]
    source.lost = 250  # type: ignore[attr-defined]
    time.sleep(250 / RATE_HZ)
    return 250


def run(kind: type[Source], **more: Any) -> dict[str, tuple[str, str]]:
    outcomes = run_contract(kind, stretch_s=0.15, pause_s=1.5, deadline_s=6.0, **more)
    return {outcome.rule: (outcome.state, outcome.detail) for outcome in outcomes}


def broken(outcomes: dict[str, tuple[str, str]]) -> list[str]:
    return [name for name, (state, _) in outcomes.items() if state == "broken"]


def test_a_good_board_keeps_every_rule_and_all_are_tried() -> None:
    seen: list[tuple[int, int, str]] = []
    outcomes = run(Board, break_it=pull, lose=lose, progress=lambda i, n, rule: seen.append((i, n, rule.name)))
    assert broken(outcomes) == []
    assert [name for name, (state, _) in outcomes.items() if state == "not tried"] == ["same-again", "device-stamps"]
    assert seen == [(i, len(SOURCE_RULES), rule.name) for i, rule in enumerate(SOURCE_RULES)]


def test_a_good_file_keeps_every_rule() -> None:
    outcomes = run(File)
    assert broken(outcomes) == []
    assert {name for name, (state, _) in outcomes.items() if state == "not tried"} == {
        "slow-reader", "loss-is-counted", "breaking-is-told", "closes-when-broken", "device-stamps"}


class SaysNoRate(Board):
    said = info(rate_hz=float("nan"))


class CallsItsFirstChannelVoltage(Board):
    said = info(channels=(Channel("voltage"), Channel(CURRENT)))


class ReadsTooLong(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        time.sleep(timeout_s + 0.6)
        return super()._read(timeout_s)


class Hangs(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        threading.Event().wait(60.0)
        return None


class SaysNothing(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        time.sleep(timeout_s)
        return None


class BreaksAtOnce(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        raise BoardDisconnectedError("gone", "plug it in")


class RaisesWhatItLikes(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        raise OSError(19, "no such device")


class StartsWhenOpened(Board):
    def __init__(self) -> None:
        super().__init__()
        self._start_really()

    def _start_really(self) -> None:
        self.began_s = time.monotonic()

    def _start(self) -> None:
        pass


class LearnsItsRateLate(Board):
    @property
    def info(self) -> SourceInfo:
        return info(rate_hz=RATE_HZ * (1.0 if self.given < 200 else 1.01))


class GivesOtherCodes(Board):
    def codes(self, count: int) -> np.ndarray:
        return super().codes(count).astype(np.int32)


class GivesOneChannel(Board):
    def codes(self, count: int) -> np.ndarray:
        return super().codes(count)[:, :1]


class LeavesItsRange(Board):
    def codes(self, count: int) -> np.ndarray:
        return super().codes(count) + np.uint16(900)


class FillsTheSameMemory(Board):
    memory = np.zeros((40000, 2), np.uint16)

    def codes(self, count: int) -> np.ndarray:
        self.memory[:count] = super().codes(count)
        return self.memory[:count]


class GivesEmptyBlocks(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        self.turn = not getattr(self, "turn", False)
        return super()._read(timeout_s) if self.turn else Samples(self.codes(0))


class NumbersByItself(Board):
    def read(self, timeout_s: float) -> Block | None:
        block = super().read(timeout_s)
        return None if block is None else Block(block.codes, block.first_index + (block.first_index > 0) * 3, 0,
                                                block.arrived_s)


class EndsThoughItSaysNever(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        if self.given > 300:
            raise EndOfStream
        return super()._read(timeout_s)


class ComesBackAfterTheEnd(File):
    @property
    def finished(self) -> bool:
        return self._finished

    def read(self, timeout_s: float) -> Block | None:
        if self._finished:
            return Block(np.zeros((5, 2), np.uint16), self._next_index, 0, 0.0)
        return super().read(timeout_s)


class ChangesFromReadingToReading(File):
    counter = itertools.count()

    def __init__(self) -> None:
        super().__init__()
        self.left[3] = np.full((100, 2), next(self.counter) % 900, np.uint16)


class WarnsInLines(Board):
    @property
    def warnings(self) -> tuple[str, ...]:
        return ("something\nwith two lines",)


class IsSlowerThanItSays(Board):
    said = info(rate_hz=RATE_HZ * 1.25)


class StampsAnotherRate(File):
    @property
    def measured_rate_hz(self) -> float | None:
        return RATE_HZ * 1.1


class DropsSilently(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        if self.due() > 0.4 * RATE_HZ:
            self.began_s += 0.4
        return super()._read(timeout_s)


class DropsWhatItsQueueCannotHold(Board):
    """Most drivers: a queue that holds 0.64 s, and nobody counts what no longer fits."""

    def _read(self, timeout_s: float) -> Samples | None:
        if self.due() > 0.64 * RATE_HZ:
            self.began_s += self.due() / RATE_HZ - 0.64
        return super()._read(timeout_s)


class MiscountsLoss(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        if self.lost == 250:
            self.lost = 200
        return super()._read(timeout_s)


class EndsWhenPulled(Board):
    said = info(finite=True)

    def _read(self, timeout_s: float) -> Samples | None:
        if self.pulled:
            raise EndOfStream
        return super()._read(timeout_s)


class GoesQuietWhenPulled(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        if self.pulled:
            time.sleep(timeout_s)
            return None
        return super()._read(timeout_s)


class RaisesWhenPulled(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        if self.pulled:
            raise OSError(5, "input/output error")
        return super()._read(timeout_s)


class CannotCloseWhenPulled(Board):
    def _close(self) -> None:
        if self.pulled:
            raise OSError(9, "bad file descriptor")


class StopsOnlyOnce(Board):
    def stop(self) -> None:
        if not self._running:
            raise ValueError("not running")
        super().stop()

    def close(self) -> None:
        if not self._closed:
            self._closed, self._running = True, False


class TakesLongToClose(Board):
    def _close(self) -> None:
        time.sleep(1.2)


class ReadsAfterStop(Board):
    def read(self, timeout_s: float) -> Block | None:
        return None if not self._running and self.began_s else super().read(timeout_s)


class ClingsToItsThread(Board):
    def __init__(self) -> None:
        super().__init__()
        self.thread = threading.get_ident()

    def _start(self) -> None:
        if threading.get_ident() != self.thread:
            raise BoardBusyError("made on another thread", "use that one")
        super()._start()


class LeavesAThread(Board):
    def _start(self) -> None:
        super()._start()
        threading.Thread(target=threading.Event().wait, args=(2.5,), name="left over", daemon=True).start()


class HoldsTheBoard(Board):
    held = ""

    def __init__(self) -> None:
        if threading.current_thread().name == HoldsTheBoard.held == "rule close-lets-go":
            raise BoardBusyError("the bench board is busy", "close the other program")
        super().__init__()

    def _close(self) -> None:
        HoldsTheBoard.held = threading.current_thread().name


@pytest.mark.parametrize(("kind", "rule", "words"), [
    (SaysNoRate, "info-complete", "rate"), (CallsItsFirstChannelVoltage, "info-complete", "voltage"),
    (ReadsTooLong, "in-time", "came back after"), (SaysNothing, "samples-come", "nothing came"),
    (BreaksAtOnce, "samples-come", "plug it in"), (RaisesWhatItLikes, "only-known-errors", "OSError"),
    (StartsWhenOpened, "opening-does-not-start", "before it"), (LearnsItsRateLate, "info-stays", "changed"),
    (GivesOtherCodes, "codes-as-promised", "int32"), (GivesOneChannel, "codes-as-promised", "1"),
    (LeavesItsRange, "codes-in-range", "leave 0 to 1023"), (FillsTheSameMemory, "blocks-keep", "same memory"),
    (GivesEmptyBlocks, "empty-blocks", "no sample"), (NumbersByItself, "numbering", "begins at"),
    (EndsThoughItSaysNever, "end-is-no-error", "no end"), (ComesBackAfterTheEnd, "end-is-no-error", "after the end"),
    (ChangesFromReadingToReading, "same-again", "other samples"), (WarnsInLines, "warnings-are-sentences", "one line"),
    (IsSlowerThanItSays, "rate-is-true", "info says"), (StampsAnotherRate, "rate-is-true", "time stamps"),
    (DropsSilently, "slow-reader", "missing"), (DropsWhatItsQueueCannotHold, "slow-reader", "missing"),
    (StopsOnlyOnce, "stop-and-close-any-time", "ValueError"),
    (TakesLongToClose, "stop-and-close-any-time", "took"), (ReadsAfterStop, "refused-after-the-end", "after stop"),
    (ClingsToItsThread, "any-one-thread", "another thread"), (LeavesAThread, "close-lets-go", "left over"),
    (HoldsTheBoard, "close-lets-go", "does not open again")])
def test_each_broken_driver_breaks_its_rule(kind: type[Source], rule: str, words: str) -> None:
    outcomes = run(kind) if kind in QUICK else run_only(kind, rule)
    assert broken(outcomes) == [rule]
    assert words in outcomes[rule][1]


QUICK = {SaysNoRate, RaisesWhatItLikes, GivesOtherCodes, ComesBackAfterTheEnd, ChangesFromReadingToReading,
         StampsAnotherRate}


def run_only(kind: type[Source], rule: str) -> dict[str, tuple[str, str]]:
    """Try one rule only: the long form of this test tries all on every driver."""
    found = next(each for each in SOURCE_RULES if each.name == rule)
    outcome = try_rule(found, SourceCase(kind, 0.15, pause_s=1.5), 10.0)
    return {outcome.rule: (outcome.state, outcome.detail)}


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "rule"), [
    (SaysNoRate, "info-complete"), (CallsItsFirstChannelVoltage, "info-complete"), (ReadsTooLong, "in-time"),
    (SaysNothing, "samples-come"), (BreaksAtOnce, "samples-come"), (RaisesWhatItLikes, "only-known-errors"),
    (StartsWhenOpened, "opening-does-not-start"), (LearnsItsRateLate, "info-stays"),
    (GivesOtherCodes, "codes-as-promised"), (GivesOneChannel, "codes-as-promised"), (LeavesItsRange, "codes-in-range"),
    (FillsTheSameMemory, "blocks-keep"), (GivesEmptyBlocks, "empty-blocks"), (NumbersByItself, "numbering"),
    (EndsThoughItSaysNever, "end-is-no-error"), (WarnsInLines, "warnings-are-sentences"),
    (IsSlowerThanItSays, "rate-is-true"), (DropsSilently, "slow-reader"),
    (StopsOnlyOnce, "stop-and-close-any-time"), (TakesLongToClose, "stop-and-close-any-time"),
    (ReadsAfterStop, "refused-after-the-end"), (ClingsToItsThread, "any-one-thread"), (LeavesAThread, "close-lets-go"),
    (HoldsTheBoard, "close-lets-go")])
def test_each_broken_driver_breaks_no_other_rule(kind: type[Source], rule: str) -> None:
    assert broken(run(kind)) == [rule]


@pytest.mark.parametrize(("kind", "rule", "words"), [
    (EndsWhenPulled, "breaking-is-told", "end of the stream"),
    (GoesQuietWhenPulled, "breaking-is-told", "no error came"),
    (RaisesWhenPulled, "breaking-is-told", "OSError"), (CannotCloseWhenPulled, "closes-when-broken", "OSError"),
    (MiscountsLoss, "loss-is-counted", "200 are counted")])
def test_provoked_breaks_and_losses(kind: type[Source], rule: str, words: str) -> None:
    wanted = {"breaking-is-told", "closes-when-broken", "loss-is-counted"}
    provoked = [each for each in SOURCE_RULES if each.name in wanted]
    outcomes = try_rules(provoked, SourceCase(kind, 0.15, pull, lose if kind is not EndsWhenPulled else None))
    assert [(o.rule, words in o.detail) for o in outcomes if o.state == "broken"] == [(rule, True)]


class CannotStart(Board):
    def _start(self) -> None:
        raise BoardBusyError("the bench board is busy", "close the other program")


class StartsOnce(Board):
    starts = itertools.count()

    def _start(self) -> None:
        if next(self.starts):
            raise BoardBusyError("the bench board has not let go", "unplug it")
        super()._start()


class SendsSeldom(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        time.sleep(timeout_s)
        return super()._read(timeout_s) if self.due() > 0.4 * RATE_HZ else None


class EndsWhileNobodyReads(Board):
    said = info(finite=True)

    def _read(self, timeout_s: float) -> Samples | None:
        if self.due() > 0.4 * RATE_HZ:
            raise EndOfStream
        return super()._read(timeout_s)


class LosesAndCannotCount(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        if self.due() > 0.4 * RATE_HZ:
            self.began_s, self.lost = self.began_s + 0.4, None
        return super()._read(timeout_s)


class SwallowsLoss(Board):
    def _read(self, timeout_s: float) -> Samples | None:
        self.lost = 0
        return super()._read(timeout_s)


class RefusesInItsOwnWay(Board):
    def read(self, timeout_s: float) -> Block | None:
        if not self._running:
            raise ValueError("not now")
        return super().read(timeout_s)


def not_there() -> Source:
    raise BoardNotFoundError("no bench board", "plug it in")


@pytest.mark.parametrize(("kind", "rule", "state", "words"), [
    (CannotStart, "in-time", "not tried", "see the rule samples-come"),
    (CannotStart, "codes-in-range", "not tried", "the stream broke: the bench board is busy"),
    (RaisesWhatItLikes, "numbering", "not tried", "see the rule only-known-errors"),
    (GivesOtherCodes, "numbering", "not tried", "see the rule codes-as-promised"),
    (GivesOtherCodes, "only-known-errors", "not tried", "see the rule codes-as-promised"),
    (RaisesWhatItLikes, "codes-as-promised", "not tried", "the stream broke"),
    (SaysNothing, "close-lets-go", "not tried", "see the rule samples-come"),
    (SendsSeldom, "rate-is-true", "not tried", "too few blocks came"),
    (EndsWhileNobodyReads, "slow-reader", "not tried", "ended during the pause"),
    (LosesAndCannotCount, "slow-reader", "kept", ""),
    (SwallowsLoss, "loss-is-counted", "broken", "no block says so"),
    (RefusesInItsOwnWay, "refused-after-the-end", "broken", "a ValueError, not a RuntimeError"),
    (not_there, "numbering", "not tried", "no bench board"),
    (not_there, "stop-and-close-any-time", "not tried", "no bench board"),
    (StartsOnce, "close-lets-go", "broken", "the bench board has not let go"),
])
def test_what_one_rule_cannot_try_names_the_rule_that_tells(kind: Any, rule: str, state: str, words: str) -> None:
    found = next(each for each in SOURCE_RULES if each.name == rule)
    outcome = try_rule(found, SourceCase(kind, 0.15, pull, lose, 1.5), 10.0)
    assert (outcome.state, words in outcome.detail) == (state, True), outcome.detail


def test_a_driver_that_hangs_costs_one_rule_and_not_the_run() -> None:
    outcomes = run_contract(Hangs, stretch_s=0.1, deadline_s=1.0)
    assert [o.rule for o in outcomes if o.state == "broken"] == ["in-time"]
    assert all("still held" in o.detail for o in outcomes[2:])


def test_a_board_that_is_not_there_is_said_at_once() -> None:
    def fail() -> Source:
        raise BoardNotFoundError("no bench board", "plug it in")

    with pytest.raises(BoardNotFoundError):
        run_contract(fail)


SETTING = Setting("rate", "samples a second", "4000")


def plugin(**changes: Any) -> ModuleType:
    """Return a plugin module that is right but for the changes."""

    def open_board(address: str, settings: Any) -> Source:
        settings.get("rate")
        if address:
            raise BoardNotFoundError(f"no bench board at {address}", "leave the address out")
        return Board()

    def open_file(path: Any, settings: Any) -> Source:
        raise FileFormatError(path, "this is no bench file", "give another")

    parts = {"contract": 1, "name": "bench", "title": "bench board", "open": open_board, "settings": (SETTING,),
             "discover": lambda deadline_s: [BoardFound("", "bench board")], "reader_open": open_file,
             "suffixes": (".bench.gz", ".bench"), "recognises": lambda head: head.startswith(b"bench"),
             "boards": None, **changes}
    board = BoardDeclaration(parts["name"], parts["title"], parts["open"], parts["discover"], parts["settings"])
    reader = ReaderDeclaration("bench-file", "bench file", parts["suffixes"], parts["reader_open"], parts["recognises"])
    made = ModuleType("bench_plugin")
    made.crankfold_contract = parts["contract"]  # type: ignore[attr-defined]
    made.crankfold_boards = hookimpl(parts["boards"] or (lambda: [board]))  # type: ignore[attr-defined]
    made.crankfold_readers = hookimpl(lambda: [reader])  # type: ignore[attr-defined]
    return made


def test_a_good_plugin_keeps_every_rule() -> None:
    outcomes = run_plugin_contract(plugin())
    assert [(o.rule, o.state) for o in outcomes] == [(rule.name, "kept") for rule in PLUGIN_RULES]


def opens_a_port(_deadline_s: float) -> list[BoardFound]:
    try:
        open("/dev/ttyBench0", "rb").close()  # noqa: PTH123 - as a careless driver would
    except OSError:
        return []
    return []


def fails(*_: Any) -> Any:
    raise OSError(5, "input/output error")


def peeks(address: str, settings: Any) -> Source:
    settings.get("secret-gain", "1")
    raise BoardNotFoundError("no bench board", "plug it in")


def touching_hook() -> list[BoardDeclaration]:
    opens_a_port(0)
    return [BoardDeclaration("bench", "bench board", peeks, lambda s: [], (Setting("secret-gain", "gain", "2"),))]


@pytest.mark.parametrize(("changes", "rule", "words"), [
    ({"contract": 7}, "contract-number", "7"), ({"contract": None}, "contract-number", "None"),
    ({"boards": fails}, "hooks-declare", "OSError"), ({"boards": lambda: ["bench"]}, "hooks-declare", "str"),
    ({"boards": touching_hook}, "declaring-touches-nothing", "/dev/ttyBench0"),
    ({"name": "Bench Board"}, "well-declared", "Bench Board"), ({"name": "bench-file"}, "well-declared", "twice"),
    ({"title": "two\nlines"}, "well-declared", "one line"),
    ({"suffixes": (".b", ".bench")}, "well-declared", "longest"),
    ({"suffixes": ("bench",)}, "well-declared", "dot"), ({"settings": (SETTING, SETTING)}, "well-declared", "twice"),
    ({"settings": (SETTING, Setting("gain", "", "2"))}, "well-declared", "meaning"),
    ({"discover": lambda s: time.sleep(s + 0.7) or []}, "discovers-in-time", "took"),
    ({"discover": fails}, "discovers-in-time", "OSError"),
    ({"discover": lambda s: ["COM3"]}, "discovers-in-time", "str"),
    ({"discover": lambda s: [BoardFound("a", "x", problem="busy")]}, "discovers-in-time", "without a fix"),
    ({"discover": lambda s: [BoardFound("a", "x"), BoardFound("a", "y")]}, "discovers-in-time", "same address"),
    ({"discover": opens_a_port}, "discovering-touches-nothing", "/dev/ttyBench0"),
    ({"open": peeks}, "settings-declared", "secret-gain"),
    ({"open": lambda address, settings: Board()}, "nobody-there", "opens an address"),
    ({"reader_open": lambda path, settings: File()}, "no-such-file", "opens a file"),
    ({"recognises": lambda head: head[0] == 1}, "recognises-calmly", "IndexError"),
    ({"recognises": lambda head: True}, "recognises-calmly", "empty file"),
    ({"recognises": lambda head: None}, "recognises-calmly", "None")])
def test_each_broken_plugin_breaks_exactly_its_rule(changes: dict[str, Any], rule: str, words: str) -> None:
    outcomes = run_plugin_contract(plugin(**changes), discover_s=0.3)
    assert [(o.rule, words in o.detail) for o in outcomes if o.state == "broken"] == [(rule, True)]


class Peeking:
    """Looks for a setting in each way there is."""

    def __init__(self, look: Any) -> None:
        self.look = look

    def __call__(self, address: str, settings: Any) -> Source:
        self.look(settings)
        raise BoardNotFoundError("no bench board", "plug it in")


@pytest.mark.parametrize("look", [lambda s: s.get("gain", "1"), lambda s: "gain" in s, lambda s: s.get("gain")])
def test_a_setting_that_was_not_declared_is_noticed_however_it_is_looked_for(look: Any) -> None:
    outcomes = run_plugin_contract(plugin(open=Peeking(look)), discover_s=0.3)
    assert [(o.rule, "gain" in o.detail) for o in outcomes if o.state == "broken"] == [("settings-declared", True)]


def test_a_plugin_that_declares_nothing_is_told_so_and_there_is_nothing_else_to_try() -> None:
    nothing = ModuleType("bench_plugin")
    nothing.crankfold_contract = 1  # type: ignore[attr-defined]
    outcomes = run_plugin_contract(nothing)
    assert [(o.rule, o.detail) for o in outcomes if o.state == "broken"] == [
        ("hooks-declare", "it declares neither a board nor a file reader")]
    assert {o.detail for o in outcomes if o.state == "not tried"} == {
        "it declares nothing", "it declares no board", "it declares no file reader"}


@pytest.mark.parametrize("hook", ["open", "reader_open"])
def test_errors_of_other_kinds_are_caught(hook: str) -> None:
    outcomes = run_plugin_contract(plugin(**{hook: fails}))
    details = " ".join(o.detail for o in outcomes if o.state == "broken")
    assert "OSError, not an AcquireError" in details


def test_the_rules_have_names_of_their_own() -> None:
    names = [rule.name for rule in (*SOURCE_RULES, *PLUGIN_RULES)]
    assert len(set(names)) == len(names)
    assert all(rule.says for rule in (*SOURCE_RULES, *PLUGIN_RULES))


@pytest.mark.parametrize(("raised", "words"), [
    (BoardDisconnectedError("it is gone", "plug it in"), "this came instead: it is gone; plug it in"),
    (SystemExit(3), "a SystemExit came instead: 3"), (KeyError("rate"), "a KeyError came instead: 'rate'")])
def test_whatever_comes_out_of_a_driver_breaks_one_rule_and_not_the_run(raised: BaseException, words: str) -> None:
    def check(case: SourceCase) -> None:
        raise raised

    outcome = try_rule(Rule("any", "any rule", check), SourceCase(Board, 0.15), 5.0)
    assert (outcome.state, outcome.detail) == ("broken", words)
