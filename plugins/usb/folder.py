"""The user's folder of descriptions, from which a device's own is found by its ids, and the choice of its rate."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Generic, Protocol, TypeVar

from crankfold.acquire import AcquireError, BoardFound, FileFormatError, SettingError
from crankfold.plugins.usb.device import UsbAddress

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping


@dataclass(frozen=True)
class Described:
    """What every description tells: its file, a title for people, and the device's ids."""

    path: Path
    title: str
    vendor_id: int
    product_id: int


class SupportsClose(Protocol):
    """A device that can be let go of."""

    def close(self) -> None:
        """Let go of it."""


D = TypeVar("D", bound=Described)


@dataclass(frozen=True)
class Folder(Generic[D]):
    """The readable descriptions of a folder by vendor and product id, and the errors of the others."""

    path: Path
    known: Mapping[tuple[int, int], D]
    broken: tuple[FileFormatError, ...]

    def problems(self) -> list[BoardFound]:
        """Return an entry for each file that cannot be used, so that it does not vanish silently."""
        return [BoardFound("", f"description {error.path}", problem=error.what, fix=error.remedy)
                for error in self.broken]


def listed_boards(kind: str, called: str, read: Callable[[Path], D],
                  fitting: Callable[[Folder[D]], Iterable[BoardFound]]) -> list[BoardFound]:
    """Return the attached boards of a kind, and what stands in the way of listing them.

    Parameters
    ----------
    kind
        Name of the kind of board, whose folder of descriptions is read.
    called
        What they are called, should USB not answer.
    read, fitting
        What reads a description, and what lists the boards for a folder of them.
    """
    folder = read_folder(user_folder(kind), read)
    listed = folder.problems()
    try:
        listed += fitting(folder)
    except AcquireError as error:
        listed.append(BoardFound("", called, problem=error.what, fix=error.remedy))
    return listed


@contextmanager
def closed_on_error(held: SupportsClose) -> Iterator[None]:
    """Let go of a device where what is made of it cannot be made."""
    try:
        yield
    except BaseException:
        held.close()
        raise


def user_folder(kind: str) -> Path:
    """Return the user's folder of descriptions for the board kind `kind`."""
    import platformdirs

    return platformdirs.user_config_path("crankfold", appauthor=False) / kind


def read_folder(path: Path, read: Callable[[Path], D]) -> Folder[D]:
    """Return what the TOML files in a folder describe; a folder that is not there is empty."""
    known: dict[tuple[int, int], D] = {}
    broken = []
    for file in sorted(path.glob("*.toml")):
        try:
            description = read(file)
        except FileFormatError as error:
            broken.append(error)
        else:
            known[description.vendor_id, description.product_id] = description
    return Folder(path, known, tuple(broken))


def find_description(address: str, settings: Mapping[str, str], read: Callable[[Path], D], folder: Path,
                     ) -> tuple[D, UsbAddress]:
    """Return the description to use and the full address.

    It is the file that the setting ``description`` names, else the one in `folder` that has the address's ids, else,
    without an address, the only one in `folder`.

    Raises
    ------
    SettingError
        There is none, or it is of another device than the address.
    FileFormatError
        It cannot be used.
    """
    wanted = UsbAddress.parse(address) if address else None
    if settings.get("description"):
        description = read(Path(settings["description"]).expanduser())
    else:
        description = _from_folder(wanted, read_folder(folder, read))
    ids = UsbAddress(description.vendor_id, description.product_id)
    if wanted is not None and (wanted.vendor_id, wanted.product_id) != (ids.vendor_id, ids.product_id):
        raise SettingError(f"the address {wanted} isn't that of the device {ids} that {description.path} describes",
                           "correct one of the two")
    return description, wanted or ids


def _from_folder(wanted: UsbAddress | None, folder: Folder[D]) -> D:
    found = [description for ids, description in folder.known.items()
             if wanted is None or ids == (wanted.vendor_id, wanted.product_id)]
    if len(found) == 1:
        return found[0]
    if folder.broken and not found:
        raise folder.broken[0]
    if found:
        named = ", ".join(f"{a.vendor_id:04x}:{a.product_id:04x} ({a.title})" for a in found)
        raise SettingError("several USB boards are described", f"write which one after the colon: {named}")
    raise SettingError(f"nothing describes the USB board {wanted or ''}".rstrip(), "name its file with --set "
                       f"description=FILE, or put the file into the folder {folder.path}")


def choose_rate(text: str | None, *, default_hz: float, min_hz: float, max_hz: float,
                choices_hz: tuple[float, ...] = (), settable: bool = True) -> float:
    """Return the rate that the setting `text` asks for, samples a second; the default when it is None.

    Raises
    ------
    SettingError
        It is no number, or the board has no such rate.
    """
    if text is None:
        return default_hz
    try:
        rate_hz = float(text)
    except ValueError as error:
        raise SettingError(f"rate={text} is not a number", "give samples a second, such as rate=20000") from error
    if choices_hz and rate_hz not in choices_hz:
        raise SettingError(f"the board has no rate of {rate_hz:g} samples a second",
                           f"choose one of {', '.join(f'{choice:g}' for choice in choices_hz)}")
    if not (min_hz <= rate_hz <= max_hz and rate_hz > 0.0):
        raise SettingError(f"the board has no rate of {rate_hz:g} samples a second",
                           f"choose from {min_hz:g} to {max_hz:g}")
    if not settable and rate_hz != default_hz:
        raise SettingError(f"the board's rate is fixed at {default_hz:g} samples a second",
                           "leave the setting rate out")
    return rate_hz
