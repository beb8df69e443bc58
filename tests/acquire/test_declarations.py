"""What plugins declare: few words are enough, and once said it stays."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, fields

import pytest

from crankfold.acquire import CONTRACT, BoardDeclaration, BoardFound, ReaderDeclaration, Setting

BOARD = BoardDeclaration("bench", "A bench", lambda address, settings: None, lambda deadline_s: ())
READER = ReaderDeclaration("text", "A text", (".txt",), lambda path, settings: None, lambda head: False)


def test_plugins_written_for_this_contract_state_its_number() -> None:
    assert CONTRACT == 1  # what is out there says so


@pytest.mark.parametrize("declared", [BOARD, READER, BoardFound("SN1", "Bench one"),
                                      Setting("rate", "Samples", "5000")])
def test_nobody_can_change_what_was_declared(declared) -> None:
    for item in fields(declared):
        with pytest.raises(FrozenInstanceError):
            setattr(declared, item.name, "another")


def test_what_may_be_left_out() -> None:
    assert (BOARD.settings, BOARD.address_help, READER.settings) == ((), "", ())
    assert BoardFound("SN1", "Bench one") == BoardFound("SN1", "Bench one", serial="", problem="", fix="", device="")
    assert Setting("rate", "Samples", "5000").default == ""
