"""A file is written whole or not at all, and nothing else is left in its folder."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from crankfold.acquire import flush_folder
from crankfold.acquire.atomic import write_whole
from crankfold.acquire.errors import SaveError


def test_the_order_is_write_flush_rename_flush_folder(tmp_path, monkeypatch) -> None:
    done = []
    fsync, replace = os.fsync, Path.replace
    monkeypatch.setattr(os, "fsync", lambda fd: (done.append("flush"), fsync(fd))[1])
    monkeypatch.setattr(Path, "replace", lambda self, to: (done.append("rename"), replace(self, to))[1])
    write_whole(tmp_path / "x", b"abc")
    assert done == ["flush", "rename", "flush"]
    assert (tmp_path / "x").read_bytes() == b"abc"


@pytest.mark.parametrize(("mask", "rights"), [(0o022, 0o644), (0o077, 0o600), (0o002, 0o664)])
def test_it_gets_the_rights_of_any_new_file(tmp_path, mask, rights) -> None:
    before = os.umask(mask)
    try:
        write_whole(tmp_path / "x", b"abc")
        assert os.umask(mask) == mask
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "x").stat().st_mode) == rights


def test_its_folders_are_made_and_a_file_of_before_is_replaced(tmp_path) -> None:
    path = tmp_path / "jobs" / "today" / "x"
    for content in (b"a" * 1000, b""):
        write_whole(path, content)
        assert path.read_bytes() == content
    assert list(path.parent.iterdir()) == [path]


@pytest.mark.parametrize(("error", "shown", "said"), [
    (OSError(5, "Input/output error"), SaveError, r"x could not be written \(Input/output error\); check"),
    (OSError("odd"), SaveError, r"x could not be written \(odd\)"),
    (KeyboardInterrupt("now"), KeyboardInterrupt, "now")])
@pytest.mark.parametrize("where", ["fsync", "chmod", "replace"])
def test_whatever_stops_it_the_file_of_before_stays_and_nothing_else(
        tmp_path, monkeypatch, where, error, shown, said) -> None:
    write_whole(tmp_path / "x", b"before")

    def stops(*_):
        raise error

    monkeypatch.setattr(os if where == "fsync" else Path, where, stops)
    with pytest.raises(shown, match=said):
        write_whole(tmp_path / "x", b"after")
    monkeypatch.undo()
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("x", b"before")]


def test_a_folder_that_cannot_be_opened_or_flushed_needs_no_flush(tmp_path, monkeypatch) -> None:
    flush_folder(tmp_path / "none")
    handles = []

    def refused(handle):
        handles.append(handle)
        raise OSError(22, "Invalid argument")

    monkeypatch.setattr(os, "fsync", refused)
    flush_folder(tmp_path)
    with pytest.raises(OSError, match="Bad file descriptor"):  # closed
        os.fstat(handles[0])
