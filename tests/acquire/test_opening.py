"""From a person's text to an open source, and one sentence for every way in which that fails."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import numpy as np
import pytest

from crankfold.acquire import (
    AcquireError,
    BoardBusyError,
    BoardDeclaration,
    BoardNotFoundError,
    FileFormatError,
    PluginOrigin,
    Plugins,
    ReaderDeclaration,
    Setting,
    SettingError,
    open_board,
    open_file,
)
from crankfold.acquire.opening import choose_reader
from crankfold.acquire.registry import Offered
from crankfold.analysis import InputError

ORIGIN = PluginOrigin("p", "m")
SETTINGS = (Setting("rate", "Samples a second", "5000"), Setting("baud", "Line speed", "250000"))


def offering(boards, readers) -> Plugins:
    """What is installed, as if it had been imported."""
    plugins = Plugins(())
    plugins._boards.update(boards)
    plugins._readers.update(readers)
    return plugins


@pytest.fixture
def kinds(array_source, make_info):
    opened = []

    def open_it(where, settings):
        opened.append((str(where), dict(settings)))
        return array_source([np.zeros((3, 1))], make_info(1000.0))

    def reader(name, *suffixes, head=b"\0none"):
        return Offered(ReaderDeclaration(name, "t", suffixes, open_it, lambda start: start.startswith(head),
                                         SETTINGS[:1]), ORIGIN)

    def sniff(start):
        raise ZeroDivisionError

    readers = {"rude": Offered(ReaderDeclaration("rude", "t", (), open_it, sniff), ORIGIN),
               "plain": reader("plain", ".csv"), "any": reader("any", ".gz"), "packed": reader("packed", ".csv.gz"),
               "magic": reader("magic", ".mag", head=b"MAGIC")}
    boards = {"bench": Offered(BoardDeclaration("bench", "t", open_it, lambda d: (), SETTINGS), ORIGIN)}
    return offering(boards, readers), opened


@pytest.mark.parametrize(("text", "address"), [("bench", ""), ("bench:", ""), ("bench:SN:1/2", "SN:1/2"),
                                               (" bench:A ", "A")])
def test_a_board_by_name_and_address(kinds, text, address) -> None:
    plugins, opened = kinds
    open_board(text, {"rate": "5000"}, plugins).close()
    assert opened == [(address, {"rate": "5000"})]


def test_a_file_the_way_a_board_is_named(kinds, tmp_path) -> None:
    plugins, opened = kinds
    (tmp_path / "x.dat").write_text("1")
    open_board(f"plain:{tmp_path / 'x.dat'}", {}, plugins).close()
    assert opened == [(str(tmp_path / "x.dat"), {})]


def test_unknown_names_and_settings_are_answered_with_the_known_ones(kinds, tmp_path) -> None:
    plugins, _ = kinds
    (tmp_path / "x.csv").write_text("1")
    known = "there are any, bench, magic, packed, plain, rude; did you mean 'bench'?"
    for text, said in [("bensh:1", f"no board or file reader called 'bensh'; {known}"), (":1", "called ''")]:
        with pytest.raises(SettingError) as error:
            open_board(text, {}, plugins)
        assert said in str(error.value)
    with pytest.raises(SettingError, match=r"board 'bench' has no setting 'bauds'; it knows rate, baud; did you mean"):
        open_board("bench", {"bauds": "1"}, plugins)
    with pytest.raises(SettingError, match="'plain' has no setting 'speed'; it knows rate"):
        open_file(tmp_path / "x.csv", {"speed": "1"}, plugins)
    with pytest.raises(SettingError, match=r"no file reader called 'plane'.*did you mean 'plain'"):
        open_file(tmp_path / "x.csv", {}, plugins, reader="plane")
    with pytest.raises(SettingError, match="none is loaded"):
        open_board("x", {}, offering({}, {}))


@pytest.mark.parametrize(("name", "head", "wanted"), [
    ("a.csv", b"", "plain"), ("a.csv.gz", b"", "packed"), ("a.gz", b"", "any"), ("A.CSV.GZ", b"", "packed"),
    ("a.csv", b"MAGIC", "plain"), ("nothing", b"MAGIC1", "magic"), ("a.xyz", b"MAGIC1", "magic")])
def test_the_reader_by_longest_suffix_then_by_the_head(kinds, name, head, wanted) -> None:
    plugins, _ = kinds
    assert choose_reader(Path(name), head, plugins).name == wanted


def test_a_reader_is_shown_the_first_four_kilobytes(kinds, tmp_path) -> None:
    plugins, opened = kinds
    (tmp_path / "x").write_bytes(bytes(range(256)) * 20)
    shown = []
    curious = ReaderDeclaration("curious", "t", (), plugins.readers["any"].declaration.open,
                                lambda head: bool(shown.append(head)) or len(head) == 4096)
    open_file(tmp_path / "x", {}, offering({}, {"curious": Offered(curious, ORIGIN)})).close()
    assert shown == [bytes(range(256)) * 16]
    assert opened == [(str(tmp_path / "x"), {})]


def test_nobody_reads_it(kinds, tmp_path) -> None:
    plugins, _ = kinds
    (tmp_path / "x.xyz").write_text("1")
    with pytest.raises(FileFormatError, match=r"no reader knows.*ends in .csv, .csv.gz, .gz, .mag"):
        open_file(tmp_path / "x.xyz", {}, plugins)


def test_files_that_cannot_be(kinds, tmp_path) -> None:
    plugins, _ = kinds
    (tmp_path / "empty.csv").touch()
    (tmp_path / "folder.csv").mkdir()
    os.mkfifo(tmp_path / "pipe.csv")
    for name, said in [("none.csv", "there is no such file"), ("empty.csv", "the file is empty"),
                       ("folder.csv", "this is a folder"), ("pipe.csv", "not an ordinary file"),
                       ("a\0b.csv", "cannot be read"), ("x" * 300 + ".csv", "cannot be read")]:
        with pytest.raises(FileFormatError, match=said) as error:
            open_file(tmp_path / name, {}, plugins)
        assert "\n" not in str(error.value)


def with_open(opener, kind="board"):
    if kind == "board":
        return offering({"bench": Offered(BoardDeclaration("bench", "t", opener, lambda d: ()), ORIGIN)}, {})
    return offering({}, {"plain": Offered(ReaderDeclaration("plain", "t", (".csv",), opener, lambda h: False), ORIGIN)})


@pytest.mark.parametrize(("raised", "shown", "said"), [
    (BoardBusyError("it is taken", "close the other"), BoardBusyError, "it is taken; close the other"),
    (InputError("no such rate"), InputError, "no such rate"),
    (RuntimeError("oops\nagain"), AcquireError, r"board bench:7 could not be opened \(oops again\)"),
    (OSError(5, "Input/output error"), AcquireError, r"\(Input/output error\)")])
def test_a_board_that_cannot_be_opened(kinds, raised, shown, said) -> None:
    def opener(address, settings):
        raise raised

    with pytest.raises(shown, match=said):
        open_board("bench:7", {}, with_open(opener))


@pytest.mark.parametrize(("raised", "said"), [
    (OSError(5, "Input/output error"), r"x.csv: it cannot be read \(Input/output error\)"),
    (MemoryError(), "needs more memory than there is"),
    (IndexError("list index"), r"the reader 'plain' failed on it \(list index\)"),
    (FileFormatError("x.csv", "one column", "give two", line=3), "x.csv, line 3: one column; give two")])
def test_a_file_that_cannot_be_read(kinds, tmp_path, raised, said) -> None:
    def opener(path, settings):
        raise raised

    (tmp_path / "x.csv").write_text("1")
    with pytest.raises(FileFormatError, match=said):
        open_file(tmp_path / "x.csv", {}, with_open(opener, "file"))


def test_a_board_that_hangs_is_left_and_closed_when_it_comes_after_all(kinds, array_source, make_info) -> None:
    released, closed = threading.Event(), threading.Event()

    class Late(array_source):
        def _close(self) -> None:
            closed.set()

    def opener(address, settings):
        released.wait(20)
        return Late([], make_info(1.0))

    with pytest.raises(BoardNotFoundError, match=r"board bench did not answer within 0\.1 s"):
        open_board("bench", {}, with_open(opener), deadline_s=0.1)
    released.set()
    assert closed.wait(5)


def test_a_value_of_the_wrong_kind_is_refused_before_the_board_is_touched() -> None:
    opened: list[str] = []
    settings = (Setting("rate", "samples a second", "500", kind="number", lowest=1, highest=1000),)
    board = BoardDeclaration("bench", "t", lambda address, settings: opened.append(address), lambda d: (), settings)
    with pytest.raises(SettingError, match="rate=fast cannot be used; give a number from 1 to 1000"):
        open_board("bench", {"rate": "fast"}, offering({"bench": Offered(board, ORIGIN)}, {}))
    assert opened == []
