"""Every error says what, where and what to do, in one sentence and in parts."""

from __future__ import annotations

import inspect
from pathlib import Path

import pytest

from crankfold.acquire import AcquireError, FileFormatError, RingOverrunError, errors
from crankfold.analysis import CrankfoldError


@pytest.mark.parametrize(("line", "column", "where"), [
    (None, None, "jobs/a.csv"), (7, None, "jobs/a.csv, line 7"), (7, 3, "jobs/a.csv, line 7, column 3"),
    (None, 1, "jobs/a.csv, column 1"), (1, None, "jobs/a.csv, line 1")])
def test_a_file_is_named_with_the_place_in_it(line, column, where) -> None:
    error = FileFormatError(Path("jobs/a.csv"), "there is one column", "give two", line=line, column=column)
    assert str(error) == f"{where}: there is one column; give two"
    assert (error.what, error.remedy) == (f"{where}: there is one column", "give two")
    assert (error.path, error.line, error.column) == ("jobs/a.csv", line, column)


def test_a_reader_that_fell_behind_is_told_both_places() -> None:
    error = RingOverrunError(120, 4096)
    assert str(error).startswith("sample 120 is overwritten, the oldest kept is 4096; use a longer ring")
    assert (error.wanted, error.oldest) == (120, 4096)


@pytest.mark.parametrize("kind", [kind for _, kind in inspect.getmembers(errors, inspect.isclass)
                                  if kind not in (CrankfoldError, FileFormatError, RingOverrunError)])
def test_all_are_caught_as_one(kind) -> None:
    with pytest.raises(AcquireError) as caught:
        raise kind("the board is gone", "plug it in")
    assert str(caught.value) == "the board is gone; plug it in"
    assert (caught.value.what, caught.value.remedy) == ("the board is gone", "plug it in")
