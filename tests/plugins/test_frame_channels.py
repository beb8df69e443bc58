"""Which inputs become which channels, by the setting alone."""

from __future__ import annotations

import pytest

from crankfold.acquire import SettingError
from crankfold.plugins.serial.frame_format import named_inputs


@pytest.mark.parametrize(("text", "count", "expected"), [
    ("", 1, [(0, "current")]),
    (" ", 4, [(0, "current"), (1, "sync")]),
    ("2", 4, [(1, "current")]),
    ("4, 1", 4, [(3, "current"), (0, "sync")]),
    ("-,-,Current", 4, [(2, "current")]),
    ("battery,oil  temp,sync,current", 4, [(3, "current"), (2, "sync"), (0, "battery"), (1, "oil temp")]),
])
def test_inputs_by_number_or_name(text: str, count: int, expected: list[tuple[int, str]]) -> None:
    assert [(each.number, each.name) for each in named_inputs(text, count)] == expected


@pytest.mark.parametrize("text", [
    "0", "5", "1,1", "1,2,3", "9" * 5000, "-", "-,-", "sync,battery", "current,current", "current,sync,sync",
    "current,-,-,-,battery", "current;sync", "current,", "1,sync", "²", "current,\x1b[2J",
])
def test_what_does_not_fit_four_inputs_is_refused(text: str) -> None:
    with pytest.raises(SettingError, match="cannot be used with a board of 4 channels") as caught:
        named_inputs(text, 4)
    assert len(str(caught.value)) < 400
