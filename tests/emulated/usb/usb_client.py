"""What a client does with an emulated device; each function prints what it saw as JSON.

Run under the umockdev wrapper: ``usb_client.py FUNCTION ARGUMENTS``. It uses only what any program would use.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from dataclasses import asdict
from typing import Any

import numpy as np

from crankfold.acquire import AcquireError, BoardNotFoundError
from crankfold.plugins.usb import bulk_board as usb_bulk
from crankfold.plugins.usb import device as usb_device
from crankfold.plugins.usb import tmc_board as usb_tmc
from crankfold.plugins.usb.interface import ClaimedInterface

READ_S = 0.2


def told(error: AcquireError) -> dict[str, str]:
    return {"error": type(error).__name__, "what": error.what, "remedy": error.remedy}


def follow(source: Any, *, until_samples: int, deadline_s: float = 120.0, pause_at: int = -1,
           pause_s: float = 0.0) -> dict[str, Any]:
    """Read a started source and say what came: checks each sample against a counter that the board sends."""
    blocks, samples, wrong, losses, empty = 0, 0, 0, [], 0
    failure: dict[str, str] = {}
    end = time.monotonic() + deadline_s
    try:
        while samples < until_samples and time.monotonic() < end:
            block = source.read(READ_S)
            if block is None:
                empty += 1
                if empty > 10:
                    break
                continue
            blocks += 1
            if block.lost_before != 0:
                losses.append([block.first_index, block.lost_before])
            counter = (block.first_index + np.arange(len(block.codes))) & 0x7FFF
            wrong += int(np.count_nonzero(block.codes[:, 0] != counter))
            wrong += int(np.count_nonzero(block.codes[:, 1] != -counter))
            samples += len(block.codes)
            if 0 <= pause_at <= samples:
                time.sleep(pause_s)
                pause_at = -1
    except AcquireError as error:
        failure = told(error)
    return {"blocks": blocks, "samples": samples, "wrong": wrong, "losses": losses, "empty": empty, **failure}


def stream(description: str, until_samples: int, address: str = "", **more: Any) -> dict[str, Any]:
    with usb_bulk.open_board(address, {"description": description}) as source:
        info = source.info
        source.start()
        began = time.monotonic()
        seen = follow(source, until_samples=until_samples, **more)
        seen["seconds"] = time.monotonic() - began
        source.stop()
        return {**seen, "rate_hz": info.rate_hz, "address": info.address, "title": info.title,
                "notices": [[notice.code, notice.facts] for notice in source.notices]}


def stream_packaged(**arguments: Any) -> dict[str, Any]:
    """Stream on a computer that has no libusb of its own: the one in libusb-package is used."""
    import ctypes.util

    ctypes.util.find_library = lambda name: None
    library = usb_device.libusb_backend().lib._name
    return stream(**arguments) | {"library": library}


def start_twice(description: str) -> list[int | None]:
    """Return what the first block after each of two starts says was lost before it."""
    said = []
    with usb_bulk.open_board("", {"description": description}) as source:
        for _ in range(2):
            source.start()
            block = None
            while block is None:
                block = source.read(READ_S)
            said.append(block.lost_before)
            source.stop()
    return said


def open_only(description: str, address: str = "", rate: str | None = None) -> dict[str, Any]:
    settings = {"description": description} | ({"rate": rate} if rate else {})
    try:
        with usb_bulk.open_board(address, settings) as source:
            return {"rate_hz": source.info.rate_hz, "address": source.info.address}
    except AcquireError as error:
        return told(error)


def open_as_nobody() -> dict[str, Any]:
    """Try to open the board as a user without rights; everything is imported before the rights are given up."""
    import usb.core
    import usb.util

    device = usb_device.find_device(usb_device.UsbAddress(0x1209, 1))
    usb.util.dispose_resources(device)
    if os.geteuid() == 0:
        os.seteuid(65534)
    try:
        ClaimedInterface(device, 0).close()
    except AcquireError as error:
        return told(error)
    return {}


def unplug_and_replug(description: str, until_samples: int) -> dict[str, Any]:
    """Stream until the board is pulled, close, say so, and when told that it is back open and stream again."""
    with usb_bulk.open_board("", {"description": description}) as source:
        source.start()
        first = follow(source, until_samples=until_samples)
        at = time.monotonic()
        source.close()
        closing_s = time.monotonic() - at
    gone = open_only(description)
    sys.stdout.write(json.dumps({"first": first, "closing_s": closing_s, "gone": gone}) + "\n")
    sys.stdout.flush()
    sys.stdin.readline()
    return stream(description, until_samples=2000)


def records(description: str, count: int, rate: str | None = None) -> dict[str, Any]:
    """Read some records of the emulated instrument; its samples are a counter in codes."""
    settings = {"description": description} | ({"rate": rate} if rate else {})
    blocks: list[Any] = []
    began = time.monotonic()
    try:
        with usb_tmc.open_instrument("", settings) as source:
            info = source.info
            source.start()
            began = time.monotonic()
            while len(blocks) < count and time.monotonic() < began + 120.0:
                block = source.read(READ_S)
                if block is not None:
                    blocks.append(block)
    except AcquireError as error:
        return told(error) | {"seconds": time.monotonic() - began}
    wrong = 0
    for number, block in enumerate(blocks):
        counter = number * 1000 + np.arange(len(block.codes))
        wrong += int(np.count_nonzero(block.codes != np.column_stack((counter + 1, counter + 2))))
    return {"wrong": wrong, "samples": [len(block.codes) for block in blocks],
            "losses": [block.lost_before for block in blocks], "rate_hz": info.rate_hz, "address": info.address,
            "scale": info.channels[0].scale, "offset": info.channels[0].offset, "dtype": info.dtype.name}


def verdict(board: str, settings: dict[str, str], order: str, sync: str) -> dict[str, Any]:
    """Do what the command line does: open by name, record, judge the first capture."""
    from crankfold.acquire import load_plugins, open_board, record
    from crankfold.analysis import Engine, SyncSpec, analyse

    engine = Engine.parse(order)
    failure: dict[str, Any] = {}
    captures = []
    try:
        for capture in record(open_board(board, settings, load_plugins())):
            captures.append(capture)
    except AcquireError as error:
        failure = told(error)
    result = analyse(captures[0], engine, sync=SyncSpec.parse(sync, engine))
    return {"captures": len(captures), "verdict": result.verdict, "low": result.low,
            "percent": {each.cylinder: each.relative_percent for each in result.cylinders},
            "rate_hz": captures[0].rate_hz, "gaps": len(captures[0].gaps), **failure}


def recorded(description: str, stall_s: float) -> dict[str, Any]:
    """Record an instrument's records by the recorder for a while; its plan has little patience with live boards."""
    from crankfold.acquire import Recorder, RecordingPlan

    source = usb_tmc.open_instrument("", {"description": description})
    plan = RecordingPlan(first_sample_s=stall_s, stall_s=stall_s)
    events: list[str] = []
    try:
        with Recorder(source, plan, on_event=lambda event: events.append(event.what.value)) as recorder:
            end = time.monotonic() + 120.0
            threading.Thread(target=lambda: next(iter(recorder), None), daemon=True).start()
            while recorder.ring.next_index < 6000 and time.monotonic() < end:
                time.sleep(0.05)
            return {"samples": recorder.ring.next_index, "seconds": time.monotonic() - end + 120.0}
    except AcquireError as error:
        return told(error)


def stream_while_analysing(description: str, crank: str, scale: float, rate_hz: float, until_samples: int,
                           ) -> dict[str, Any]:
    """Record a stream on the recorder's thread and analyse one capture after another on this one."""
    from crankfold.acquire import Recorder, RecordingPlan
    from crankfold.analysis import Capture, Engine, analyse

    engine = Engine.parse("1-3-4-2")
    capture = Capture.from_arrays(np.load(crank)[:, 0] * scale, rate_hz=rate_hz)
    analyse(capture, engine)  # compiles, loads and caches: what a program does before it streams
    source = usb_bulk.open_board("", {"description": description})
    losses, verdicts, read = [], [], source.read

    def noting(timeout_s: float) -> Any:
        block = read(timeout_s)
        if block is not None and block.lost_before != 0:
            losses.append([block.first_index, block.lost_before])
        return block

    source.read = noting
    with Recorder(source, RecordingPlan(stall_s=20.0)) as recorder:
        iterator = iter(recorder)
        waiting = threading.Thread(target=lambda: next(iterator, None), daemon=True)
        waiting.start()
        end = time.monotonic() + 120.0
        while recorder.ring.next_index < until_samples and time.monotonic() < end:
            verdicts.append(analyse(capture, engine).verdict)
        samples = recorder.ring.next_index
        recorder.stop()
        waiting.join()
    return {"samples": samples, "losses": losses, "analyses": len(verdicts), "verdicts": verdicts}


def contract(kind: str, description: str, per_packet: int = 0) -> dict[str, Any]:
    """Put the board through the kit's rules; say what came of each."""
    from crankfold.acquire.testing import run_contract, run_plugin_contract

    def again() -> Any:
        """Open it, as soon as it is back after having been pulled."""
        end = time.monotonic() + 120.0
        while True:
            try:
                return module.crankfold_boards()[0].open("", {"description": description})
            except BoardNotFoundError:
                if time.monotonic() > end:
                    raise
                time.sleep(0.05)

    def pull(source: Any) -> None:
        source._held.control(0x40, 5, 400, 0, b"")

    def lose(source: Any) -> int:
        source._held.control(0x40, 6, 11, 0, b"")
        return 11 * per_packet

    module = {"usb-bulk": usb_bulk, "usb-tmc": usb_tmc}[kind]
    breaking = {"break_it": pull, "lose": lose} if kind == "usb-bulk" else {}
    outcomes = [*run_contract(again, stretch_s=0.4, **breaking), *run_plugin_contract(module)]
    return {outcome.rule: [outcome.state, outcome.detail] for outcome in outcomes}


def discover() -> list[dict[str, str]]:
    return [asdict(found) for found in (*usb_bulk.discover(5.0), *usb_tmc.discover(5.0))]


def main() -> None:
    answer = globals()[sys.argv[1]](**json.loads(sys.argv[2]))
    print(json.dumps(answer))


main()
