"""The virtual board's settings: what they are called, what they mean, and how their texts become numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from crankfold.acquire import Setting, SettingError
from crankfold.analysis import quoted, shortened
from crankfold.plugins.virtual.fleet import FLEET
from crankfold.plugins.virtual.leads import LEAD_KINDS
from crankfold.plugins.virtual.pickups import PICKUPS
from crankfold.plugins.virtual.signals import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

BOARD = "the virtual board"

SETTINGS = (
    Setting("engine", f"which engine of the workshop: {', '.join(FLEET)}", "launch", "pump"),
    Setting("rough", "how much of what makes cranking hard to read: 1 as measured engines, 0 as in a textbook", "0.5",
            "1"),
    Setting("firing-order", "another firing order for it", "1-2-4-3", "the engine's own"),
    Setting("intervals", "degrees from each cylinder in the order to the next", "270-450", "the engine's own"),
    Setting("strokes", "strokes of a cycle", "2", "the engine's own"),
    Setting("dead", "cylinders without compression", "2+3"),
    Setting("low", "cylinders that leak, each with what is left of its peak pressure in percent", "2:60+4:35"),
    Setting("carbon", "cylinders with carbon or liquid, each with what is left of its clearance in percent", "2:80"),
    Setting("gasket", "two cylinders that leak into each other", "2+3"),
    Setting("inlet-lobe", "cylinders whose inlet valve stays shut", "2"),
    Setting("exhaust-lobe", "cylinders whose exhaust valve stays shut", "2"),
    Setting("unsteady", "cylinders whose leak changes from cycle to cycle", "2"),
    Setting("starter", "permanent-magnet or series", "series", "the engine's own"),
    Setting("battery", "good or weak", "weak", "good"),
    Setting("fires", "engine cycles after which the engine catches", "5", "never"),
    Setting("fires-cylinder", "which cylinders fire then", "2", "all"),
    Setting("burn", "how strongly, in percent of a full charge", "30", "100"),
    Setting("decompressor", "revolutions before the decompressor shuts", "3", "0"),
    Setting("measure", f"what the first channel carries: {', '.join(QUANTITIES)}", "battery-voltage", "current"),
    Setting("unit", "A as scaled by the clamp, or V as the converter sees it", "V", "A"),
    Setting("clamp", "the clamp's millivolts an ampere", "10", "10"),
    Setting("polarity", "1, or -1 with the clamp the wrong way round", "-1", "1"),
    Setting("noise", "the clamp's noise in amperes", "1.5", "1.5"),
    Setting("remanence", "what the clamp's core keeps of the largest current, in percent", "1", "0.5"),
    Setting("left", "amperes that ignition and pump draw through the starter's cable, before and after", "12",
            "the engine's own"),
    Setting("glow", "amperes of glow plugs on the battery's lead", "60", "none"),
    Setting("lamps", "amperes of lamps that are switched on before", "12", "none"),
    Setting("bits", "of the converter, 6 to 16", "10", "12"),
    Setting("rate", "samples a second of each channel", "5000", "10000"),
    Setting("rate-error", "by how many percent the true rate is higher than the board says", "2.4", "0"),
    Setting("late", "percent of samples that are taken up to 5 ms late", "1", "0"),
    Setting("lost", "percent of samples that never arrive", "1", "0"),
    Setting("sync", f"what hangs on the second channel: {', '.join(LEAD_KINDS)}", "waste-spark", "none"),
    Setting("sync-pickup", f"how the board sees sparks: {', '.join(PICKUPS)}", "trigger", "foil"),
    Setting("sync-polarity", "1, or -1 with the pick-up's lead or the signal the other way round", "-1", "1"),
    Setting("sync-cylinder", "the cylinder it marks", "1", "the first of the order"),
    Setting("sync-angle", "crank degrees from that cylinder's compression TDC to the spark or the cam's edge", "200",
            "-7 for sparks, 200 for cam"),
    Setting("seed", "of everything that is drawn; the same seed gives the same codes", "7", "1"),
    Setting("pace", "real as time passes, or flat out", "flat", "real"),
    Setting("quiet", "seconds before the first cranking", "2", "2"),
    Setting("crank", "seconds of each cranking, or of one after the other", "4+1+4", "4"),
    Setting("cranks", "how many crankings", "3", "1"),
    Setting("rest", "seconds between crankings", "6", "6"),
    Setting("after", "seconds after the last cranking", "2", "2"),
    Setting("lose", "samples lost and when, in seconds; ? for a number nobody knows", "200@3.2"),
    Setting("stall", "when the board stops sending, in seconds", "3"),
    Setting("unplug", "when the board is unplugged, in seconds", "3"),
    Setting("garble", "when the board starts to send nonsense, in seconds", "3"),
)
NAMES = tuple(setting.name for setting in SETTINGS)


def merged(address: str, settings: Mapping[str, str]) -> dict[str, str]:
    """Return the settings of an address such as ``engine=pump,dead=3``, those given apart added.

    Raises
    ------
    SettingError
        A part is no ``name=value``, its name is unknown, or it is given twice.
    """
    found = dict(settings)
    for part in (p.strip() for p in address.replace("&", ",").split(",")):
        if not part:
            continue
        name, equals, value = (x.strip() for x in part.partition("="))
        if not equals or not value:
            raise SettingError(f"{BOARD} cannot read {quoted(part)} in its address",
                               "write name=value, such as engine=pump")
        if name in found:
            raise SettingError(f"{BOARD} is given {quoted(name)} twice", "give it once")
        found[name] = value
    unknown = next((name for name in found if name not in NAMES), None)
    if unknown is not None:
        raise SettingError(f"{BOARD} has no setting {quoted(unknown)}", f"it knows {', '.join(NAMES)}")
    return found


class Values:
    """Settings as numbers and words; every wrong one is a `SettingError` that names it."""

    def __init__(self, texts: Mapping[str, str]) -> None:
        self._texts = texts

    def given(self, name: str) -> bool:
        """Return whether the setting is given."""
        return name in self._texts

    def text(self, name: str) -> str:
        """Return the setting's text, empty when it is not given."""
        return self._texts.get(name, "")

    def number(self, name: str, default: float, low: float, high: float) -> float:
        """Return the setting as a number within bounds."""
        if not self.given(name):
            return default
        return self._in_bounds(name, self._texts[name], low, high)

    def numbers(self, name: str, default: float, low: float, high: float) -> tuple[float, ...]:
        """Return the setting as numbers within bounds, with + between them."""
        parts = self.text(name).split("+") if self.given(name) else ()
        return tuple(self._in_bounds(name, part, low, high) for part in parts) or (default,)

    def whole(self, name: str, default: int, low: int, high: int) -> int:
        """Return the setting as a whole number within bounds."""
        value = self.number(name, default, low, high)
        if value != int(value):
            raise self._wrong(name, "isn't a whole number")
        return int(value)

    def word(self, name: str, default: str, allowed: tuple[str, ...]) -> str:
        """Return the setting as one of some words."""
        value = self._texts.get(name, default).lower()
        for word in allowed:
            if value == word.lower():
                return word
        raise self._wrong(name, f"is none of {', '.join(allowed)}")

    def pairs(self, name: str, between: str) -> Iterator[tuple[str, float]]:
        """Yield the parts of a setting such as ``2:60+4:35`` as text and number."""
        for part in filter(None, self.text(name).split("+")):
            first, found, second = part.partition(between)
            if not found:
                raise self._wrong(name, f"needs {between!r} between its two numbers")
            yield first.strip(), self._in_bounds(name, second, 0.0, 1e9)

    def cylinders(self, name: str) -> list[int]:
        """Return the setting as cylinder numbers."""
        return [int(self._in_bounds(name, part, 1, 99)) for part in filter(None, self.text(name).split("+"))]

    def _in_bounds(self, name: str, text: str, low: float, high: float) -> float:
        try:
            value = float(text)
        except ValueError as error:
            raise self._wrong(name, "is not a number") from error
        if not low <= value <= high:
            raise self._wrong(name, f"must lie between {low:g} and {high:g}")
        return value

    def _wrong(self, name: str, why: str) -> SettingError:
        example = next(setting.example for setting in SETTINGS if setting.name == name)
        return SettingError(f"{BOARD}: {name}={shortened(self.text(name))} {why}", f"write it like {name}={example}")
