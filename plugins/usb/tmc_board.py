"""Bench instruments that answer SCPI over USB (USBTMC), each described by a TOML file of commands.

An instrument gives records, not a stream: each record is one block, and what passed between two records is lost, nobody
knows how much, unless the description says that records follow each other without a gap or how to ask for the loss.
"""

from __future__ import annotations

import dataclasses
import time
from typing import TYPE_CHECKING, Any

import numpy as np

from crankfold.acquire import (
    AcquireError,
    BoardDeclaration,
    BoardFound,
    BoardGarbledError,
    Samples,
    Setting,
    Source,
    SourceInfo,
    hookimpl,
)
from crankfold.plugins.usb.device import address_of, attached, find_device, found
from crankfold.plugins.usb.folder import choose_rate, closed_on_error, find_description, listed_boards, user_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from crankfold.plugins.usb.folder import Folder
    from crankfold.plugins.usb.tmc_description import InstrumentDescription
    from crankfold.plugins.usb.tmc_link import TmcLink

crankfold_contract = 1

NAME = "usb-tmc"
NO_ERROR = 0
RATE_TOLERANCE = 1e-3  # between two statements of one instrument about its rate; texts are rounded to four digits


class UsbTmcSource(Source):
    """A bench instrument being read, record by record.

    Parameters
    ----------
    description
        Its description.
    link
        The open instrument.
    rate_hz
        Samples a second asked for.
    """

    def __init__(self, description: InstrumentDescription, link: TmcLink, rate_hz: float) -> None:
        super().__init__()
        self._description, self._link = description, link
        self._armed, self._records, self._resumed = False, 0, False
        self._identify()
        for command in description.setup:
            link.write(command)
        if description.set_rate:
            link.write(description.set_rate.replace("{rate_hz}", f"{rate_hz:.10g}"))
        self._check_errors()
        self._info = self._ask_info(rate_hz)

    @property
    def info(self) -> SourceInfo:
        """What the instrument's description and the instrument itself say."""
        return self._info

    def _identify(self) -> None:
        wanted = self._description.idn
        if wanted and wanted not in (answer := self._link.ask("*IDN?")):
            raise BoardGarbledError(f"instrument {self._link.address} calls itself {answer!r}, the description expects "
                                    f"{wanted!r}", "use the description that belongs to it")

    def _check_errors(self) -> None:
        """Ask for the instrument's error queue: a command it does not know would otherwise go unnoticed."""
        query = self._description.errors
        if not query:
            return
        answer = self._link.ask(query)
        try:
            code = int(answer.split(",")[0])
        except ValueError as error:
            raise BoardGarbledError(f"instrument {self._link.address} answers {answer!r} to {query!r}",
                                    "compare device.errors in the description with its manual") from error
        if code != NO_ERROR:
            raise BoardGarbledError(f"instrument {self._link.address} reports {answer!r}", "compare the commands in "
                                    "the description with its manual")

    def _ask_info(self, rate_hz: float) -> SourceInfo:
        description = self._description
        if description.ask_rate:
            rate_hz = self._ask_number(description.ask_rate)
        channels, interval = [], None
        for each in description.channels:
            channel = each.channel
            if description.preamble is not None:
                answer = self._link.ask(description.preamble.ask.replace("{source}", each.source))
                scale, offset, interval = description.preamble.parse(answer)
                channel = dataclasses.replace(channel, scale=scale, offset=offset)
            channels.append(channel)
        if interval is not None:
            if description.ask_rate and abs(interval * rate_hz - 1.0) > RATE_TOLERANCE:
                raise BoardGarbledError(f"instrument {self._link.address} says {rate_hz:g} samples a second and "
                                        f"{interval:g} s between samples", "compare rate.ask and preamble.interval "
                                        "in the description with its manual")
            rate_hz = 1.0 / interval
        return SourceInfo(rate_hz, tuple(channels), description.dtype.newbyteorder("="), description.title,
                          self._link.address, live=False, records=description.triggered)

    def _ask_number(self, query: str) -> float:
        answer = self._link.ask(query)
        try:
            number = float(answer)
        except ValueError as error:
            raise self._no_number(query, answer) from error
        if not 0.0 < number < 1e12:
            raise self._no_number(query, answer)
        return number

    def _no_number(self, query: str, answer: str) -> BoardGarbledError:
        return BoardGarbledError(f"instrument {self._link.address} answers {answer!r} to {query!r}, which isn't a "
                                 "usable number", "compare that query in the description with its manual")

    def _start(self) -> None:
        self._resumed = self._records > 0
        self._arm()

    def _arm(self) -> None:
        for command in self._description.arm:
            self._link.write(command)
        self._armed = True

    def _read(self, timeout_s: float) -> Samples | None:
        deadline = time.monotonic() + timeout_s
        if not self._armed:
            self._arm()
        while not self._ready():
            left = deadline - time.monotonic()
            if left <= 0.0:
                return None
            time.sleep(min(self._description.poll_s, left))
        codes = self._fetch()
        loss = self._loss()
        self._records += 1
        self._armed = False
        self._arm()
        return Samples(codes, loss, ends_record=self._description.triggered)

    def _ready(self) -> bool:
        query = self._description.ready
        return not query or self._link.ask(query) == self._description.ready_answer

    def _fetch(self) -> NDArray[Any]:
        """Return the codes of one record, shape (samples, channels)."""
        columns = [self._column(each.read.replace("{source}", each.source)) for each in self._description.channels]
        lengths = [len(column) for column in columns]
        if min(lengths) != max(lengths) or not lengths[0]:
            raise BoardGarbledError(f"instrument {self._link.address} gave records of {lengths} samples",
                                    "read all channels from one record of at least one sample")
        return np.column_stack(columns)

    def _column(self, query: str) -> NDArray[Any]:
        from crankfold.plugins.usb.tmc_messages import block_data

        data = block_data(self._link.ask_bytes(query))
        dtype = self._description.dtype
        if len(data) % dtype.itemsize:
            raise BoardGarbledError(f"instrument {self._link.address} gave {len(data)} bytes to {query!r}, no multiple "
                                    f"of {dtype.itemsize}", "compare samples.dtype in the description with its manual")
        return np.frombuffer(data, dtype).astype(dtype.newbyteorder("="))

    def _loss(self) -> int | None:
        """Return the samples lost between the record before and this one."""
        description = self._description
        if description.lost:
            answer = self._link.ask(description.lost)
            if not (answer.isascii() and answer.lstrip("+").isdigit()):
                raise self._no_number(description.lost, answer)
            return int(answer)
        if self._resumed:
            self._resumed = False
            return None
        return 0 if description.contiguous or self._records == 0 else None

    def _stop(self) -> None:
        self._armed = False
        try:
            for command in self._description.stop:
                self._link.write(command)
        except AcquireError:
            pass  # an instrument that is gone needs no stopping, and whoever read it has been told

    def _close(self) -> None:
        self._link.close()


def open_instrument(address: str, settings: Mapping[str, str]) -> UsbTmcSource:
    """Return the open instrument at `address`, ``VID:PID[:SERIAL]``; an empty one means the only one of its kind.

    Raises
    ------
    AcquireError
        It is not there, cannot be opened, or its description is missing or wrong.
    """
    from crankfold.plugins.usb.tmc_description import read_instrument
    from crankfold.plugins.usb.tmc_link import TmcLink

    description, wanted = find_description(address, settings, read_instrument, user_folder(NAME))
    rate_hz = choose_rate(settings.get("rate"), default_hz=description.rate_hz, min_hz=description.min_hz,
                          max_hz=description.max_hz, settable=bool(description.set_rate))
    link = TmcLink(find_device(wanted), timeout_s=description.timeout_s, request_bytes=description.request_bytes)
    with closed_on_error(link):
        return UsbTmcSource(description, link, rate_hz)


def discover(deadline_s: float) -> Iterable[BoardFound]:
    """Return the attached instruments that announce themselves as test and measurement devices.

    One that no description in the user's folder fits is listed with that as its problem.
    """
    from crankfold.plugins.usb.tmc_description import read_instrument
    from crankfold.plugins.usb.tmc_link import tmc_interface

    until = time.monotonic() + deadline_s
    return listed_boards(NAME, "USB instruments", read_instrument, lambda folder: [
        _listed(device, folder) for device in attached() if time.monotonic() < until and tmc_interface(device)])


def _listed(device: Any, folder: Folder[InstrumentDescription]) -> BoardFound:
    address = address_of(device)
    description = folder.known.get((address.vendor_id, address.product_id))
    if description is None:
        return BoardFound(str(address), "bench instrument (USBTMC)", address.serial, "nothing describes its commands",
                          f"write a description and put it into {folder.path}, or name it with --set description=FILE "
                          "(hardware_notes/usb-tmc.md)")
    return found(device, description.title)


@hookimpl
def crankfold_boards() -> Sequence[BoardDeclaration]:
    """Return the declaration of described instruments."""
    return (BoardDeclaration(
        name=NAME, title="bench instrument that answers SCPI over USB (USBTMC), described by a TOML file",
        open=open_instrument, discover=discover, address_help="VID:PID or VID:PID:SERIAL, as lsusb prints them",
        settings=(
            Setting("description", "file with the instrument's commands", "digitiser.toml"),
            Setting("rate", "samples a second of each channel", "10000"),
        )),)
