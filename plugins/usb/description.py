"""The description of a vendor-class USB board, ``crankfold.usb-bulk/1``: ids, endpoint, rate, commands, layout.

Every key is explained in ``hardware_notes/usb-bulk.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from crankfold.acquire import TomlTable, read_toml
from crankfold.plugins.usb.commands import Command, Question, read_commands, read_question
from crankfold.plugins.usb.folder import Described, choose_rate
from crankfold.plugins.usb.layout import PacketLayout, SampleLayout, read_packet, read_samples

if TYPE_CHECKING:
    from pathlib import Path

FORMAT = "crankfold.usb-bulk/1"
MAX_RATE_HZ = 26_624_000.0  # two-byte samples at the 53,248,000 bytes/s that USB 2.0 can carry at most
FILL_S = 0.02  # a transfer should fill within this, so that a slow board's samples do not come in bursts
SMALLEST_TRANSFER, LARGEST_TRANSFER = 512, 65536
DEFAULT_DEPTH = 32  # 32 x 64 KiB last 0.26 s at 2 x 2 MS/s of 16 bits: longer than this computer's stalls
DEFAULT_SILENCE_S = 2.0  # a streaming board that is quiet for so long has stopped


@dataclass(frozen=True)
class RateRule:
    """Which rates a board has, and how it is told.

    Parameters
    ----------
    default_hz
        Samples a second of each channel when nobody asks for another.
    choices_hz
        The only ones there are; empty: any within the limits.
    min_hz, max_hz
        The limits.
    clock_hz
        What the board divides to get its rate, None when it does not.
    set
        What tells the board; empty: the rate is fixed.
    question
        What asks the board for the rate in force.
    """

    default_hz: float
    choices_hz: tuple[float, ...] = ()
    min_hz: float = 0.0
    max_hz: float = MAX_RATE_HZ
    clock_hz: float | None = None
    set: tuple[Command, ...] = ()
    question: Question | None = None

    @property
    def highest_hz(self) -> float:
        """The highest rate there is, samples a second."""
        if not self.set:
            return self.default_hz
        if self.choices_hz:
            return max(self.choices_hz)
        return self.max_hz if self.max_hz < MAX_RATE_HZ else self.default_hz

    def choose(self, text: str | None) -> float:
        """Return the rate that the setting `text` asks for, samples a second; the default when it is None.

        Raises
        ------
        SettingError
            It is no number, or the board has no such rate.
        """
        return choose_rate(text, default_hz=self.default_hz, min_hz=self.min_hz, max_hz=self.max_hz,
                           choices_hz=self.choices_hz, settable=bool(self.set))

    def numbers(self, rate_hz: float) -> dict[str, int]:
        """Return what fills the commands in: the rate in whole Hz and the divider (0 without a clock)."""
        divider = max(1, round(self.clock_hz / rate_hz)) if self.clock_hz else 0
        return {"rate_hz": round(rate_hz), "divider": divider}

    def actual_hz(self, numbers: dict[str, int], rate_hz: float) -> float:
        """Return the rate that the divider really gives, or `rate_hz` without a clock."""
        return self.clock_hz / numbers["divider"] if self.clock_hz and self.set else rate_hz


@dataclass(frozen=True)
class BoardDescription(Described):
    """A vendor-class board, read from its file."""

    configuration: int
    interface: int
    alternate: int
    endpoint: int
    transfer_bytes: int | None
    depth: int
    silence_s: float
    rate: RateRule
    samples: SampleLayout
    packet: PacketLayout | None
    start: tuple[Command, ...]
    stop: tuple[Command, ...]

    def transfer_size(self, rate_hz: float, packet_bytes: int) -> int:
        """Return the bytes of one transfer: as the file says, else what fills in a fiftieth of a second."""
        if self.transfer_bytes is None:
            wanted = rate_hz * self.samples.instant_bytes * FILL_S
            size = int(min(max(wanted, SMALLEST_TRANSFER), LARGEST_TRANSFER))
        else:
            size = self.transfer_bytes
        return max(1, size // packet_bytes) * packet_bytes


def read_description(path: Path) -> BoardDescription:
    """Return the description in the TOML file at `path`.

    Raises
    ------
    FileFormatError
        The file cannot be read, or a key is missing, unknown, of the wrong kind or out of range.
    """
    top = read_toml(path, FORMAT)
    title = top.take_text("title")
    device = top.need_table("device")
    samples = read_samples(top.need_table("samples"), top.take_tables("channels"))
    packet = read_packet(top.take_table("packet"), samples.instant_bytes)
    rate = _read_rate(top.need_table("rate"))
    start, stop = read_commands(top.take_tables("start")), read_commands(top.take_tables("stop"))
    top.done()
    description = BoardDescription(
        path=path, title=title, vendor_id=device.take_integer("vendor_id", 0, 0xFFFF),
        product_id=device.take_integer("product_id", 0, 0xFFFF),
        configuration=device.take_integer("configuration", 1, 255, 1),
        interface=device.take_integer("interface", 0, 255, 0), alternate=device.take_integer("alternate", 0, 255, 0),
        endpoint=device.take_integer("endpoint", 0x81, 0x8F),
        transfer_bytes=device.take_integer("transfer_bytes", 64, 1 << 20, None),
        depth=device.take_integer("transfers_queued", 1, 256, DEFAULT_DEPTH),
        silence_s=device.take_number("silence_s", DEFAULT_SILENCE_S, above=0.0),
        rate=rate, samples=samples, packet=packet, start=start, stop=stop)
    device.done()
    return description


def _read_rate(table: TomlTable) -> RateRule:
    hz = table.take_number("default_hz", above=0.0)
    low, high = table.take_number("min_hz", 0.0), table.take_number("max_hz", MAX_RATE_HZ, above=0.0)
    choices = _read_choices(table)
    clock = table.take_number("clock_hz", None, above=0.0)
    commands = read_commands(table.take_tables("set"))
    question = read_question(table.take_table("ask"))
    table.done()
    if not low <= hz <= high:
        raise table.wrong("default_hz", f"a rate within {low:g} and {high:g}")
    if choices and hz not in choices:
        raise table.wrong("default_hz", "one of choices_hz")
    if clock is not None and clock < hz:
        raise table.wrong("clock_hz", "at least default_hz")
    if question is not None and question.gives == "divider" and clock is None:
        raise table.wrong("clock_hz", "the clock that the divider divides")
    return RateRule(hz, choices, low, high, clock, commands, question)


def _read_choices(table: TomlTable) -> tuple[float, ...]:
    given = table.peek("choices_hz")
    count = len(given) if isinstance(given, list) and given else 1
    choices: tuple[float, ...] = table.take_numbers("choices_hz", count, ())
    if any(choice <= 0 for choice in choices):
        raise table.wrong("choices_hz", "rates greater than zero")
    return tuple(float(choice) for choice in choices)
