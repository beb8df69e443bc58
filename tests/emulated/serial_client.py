"""Runs under a mocked sysfs, where a board's terminal is /dev/ttyACM0: says in JSON what is found and read."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict

from crankfold.acquire import AcquireError
from crankfold.plugins.serial import port as serial_port
from crankfold.plugins.serial.frames_board import FrameBoard, discover_boards
from crankfold.plugins.serial.ports import find_port


def main(addresses: list[str], terminal: str) -> None:
    found: dict[str, object] = {}
    for address in addresses:
        try:
            found[address] = asdict(find_port(address, board="serial-frames"))
        except AcquireError as error:
            found[address] = str(error)
    answer: dict[str, object] = {"boards": [asdict(board) for board in discover_boards(1.0)], "found": found}
    if terminal:
        opened = serial_port._open

        def open_behind_the_mock(device: str, baud: int) -> object:
            os.environ.pop("UMOCKDEV_DIR")  # the mock answers ioctls by script only; from here on all is real
            return opened({"/dev/ttyACM0": terminal}[device], baud)

        serial_port._open = open_behind_the_mock
        with FrameBoard("SER=HW0042", {}) as source:
            answer["address"] = source.info.address
            source.start()
            block = source.read(2.0)
            answer["samples"] = 0 if block is None else len(block.codes)
    print(json.dumps(answer))


main(json.loads(sys.argv[1]), sys.argv[2])
