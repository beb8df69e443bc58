"""What turns the measured column into amperes: a clamp, a shunt, a stretch of battery cable, counts, a calibration.

Texts: ``10mV/A``, ``100uOhm``, ``500A/60mV``, ``25mm2:0.5m@20C``, ``counts:5V/10bit``, ``cal:0.512V=0A,2.498V=200A``,
``battery``. Counts may be followed by what the volts mean: ``counts:5V/10bit,10mV/A``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from crankfold.analysis import BATTERY_VOLTAGE, CURRENT, SYNC, InputError, quoted

if TYPE_CHECKING:
    from crankfold.analysis import Capture, Channel


FORMS = ("10mV/A, 100uOhm, 500A/60mV, 25mm2:0.5m@20C, counts:5V/10bit, counts:5V/10bit,10mV/A, "
         "cal:0.512V=0A,2.498V=200A, battery")
MIN_V_PER_A, MAX_V_PER_A = 1e-6, 1.0  # 1 uOhm is a finger's breadth of cable; 1 V/A is 100 V at a small starter's 100 A
MAX_BITS = 32  # no converter gives more
MAX_FULL_SCALE_V = 100.0  # a converter's own input, behind any divider
VOLTS = {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "kV": 1e3}
AMPERES = {"A": 1.0, "mA": 1e-3, "kA": 1e3}

LONGEST_TEXT = 1000  # a calibration of dozens of points; the time to understand a text grows with its square
_NUMBER = r"([-+]?(?:\d+\.?\d*|\.\d+)(?:e[-+]?\d+)?)"
_PER_AMPERE = re.compile(_NUMBER + r"\s*([um]?)[Vv]\s*/\s*[Aa]")
_OHM = re.compile(_NUMBER + r"\s*([um]?)(?:ohms?|Ohms?|OHMS?|\u03a9|\u2126)")
_RATED = re.compile(_NUMBER + r"\s*[Aa]\s*/\s*" + _NUMBER + r"\s*([um]?)[Vv]")
_CABLE = re.compile(_NUMBER + r"\s*mm[2²]\s*:\s*" + _NUMBER + r"\s*(m|cm|mm)(?:\s*@\s*" + _NUMBER
                    + r"\s*°?C)?(?:\s*:\s*class\s*(\d{1,2}))?")
_COUNTS = re.compile(r"counts\s*:\s*" + _NUMBER + r"\s*(m?V)\s*/\s*(\d{1,3})\s*bits?")
_POINT = re.compile(_NUMBER + r"\s*([um]?V|)\s*=\s*" + _NUMBER + r"\s*A")
_PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6}
_LENGTH_M = {"m": 1.0, "cm": 1e-2, "mm": 1e-3}
OHM_PER_KM = {  # IEC 60228: class 5 flexible, class 2 stranded
    5: {10.0: 1.91, 16.0: 1.21, 25.0: 0.780, 35.0: 0.554, 50.0: 0.386, 70.0: 0.272, 95.0: 0.206},
    2: {10.0: 1.83, 16.0: 1.15, 25.0: 0.727, 35.0: 0.524, 50.0: 0.387, 70.0: 0.268, 95.0: 0.193},
}
MIN_LENGTH_M, MAX_LENGTH_M = 0.02, 20.0  # shorter: the contacts count for more; longer: no vehicle's battery cable
MIN_COPPER_C, MAX_COPPER_C = -50.0, 150.0  # outside, the insulation has failed before


@dataclass(frozen=True)
class Probe:
    """The way from a measured value to amperes: ``A = (value - zero) / per_ampere``.

    Parameters
    ----------
    text
        How a person writes it; `parse` of it gives the same probe.
    per_ampere
        Volts (or counts, see `in_counts`) an ampere; None where there is no scale in amperes.
    zero
        Value at no current, in the same unit. Only a calibration knows it; elsewhere the quiet before the crank tells.
    volts_per_count
        Of the converter, None where the samples are volts already.
    in_counts
        Whether `per_ampere` and `zero` are in counts.
    battery
        Whether it is the battery's voltage that is measured, in place of a current.
    """

    text: str
    per_ampere: float | None
    zero: float = 0.0
    volts_per_count: float | None = None
    in_counts: bool = False
    battery: bool = False

    @classmethod
    def parse(cls, text: str) -> Probe:
        """Return the probe that a text describes.

        Raises
        ------
        InputError
            The text is none of the known forms, or its scale is zero, negative or beyond what can be.
        """
        tidy = text.strip().replace("\u00b5", "u").replace("\u03bc", "u")
        if len(tidy) > LONGEST_TEXT:
            raise InputError(f"a probe of {len(tidy)} characters, {tidy[:40]!r}..., isn't possible; "
                             "write it like 10mV/A")
        converter, rest = _split_counts(tidy, text)
        if converter is None:
            return _parse_scale(rest, text)
        if not rest:
            return cls(tidy, None, volts_per_count=converter)
        scale = _parse_scale(rest, text)
        if scale.in_counts:
            raise InputError(f"probe {quoted(text)} gives counts twice; calibrate either in counts or in volts")
        return replace(scale, text=tidy, volts_per_count=converter)

    def __str__(self) -> str:
        return self.text

    def apply(self, capture: Capture) -> Capture:
        """Return the capture with its current in amperes, or in volts where the probe has no scale in amperes.

        The unit of the column counts: millivolts become volts first, a column without a unit is taken for volts, or
        for counts where the probe says so. A column that is in amperes already has no use for a probe.

        Raises
        ------
        InputError
            The column's unit does not go with the probe.
        """
        capture = in_base_units(capture)
        index = _current_index(capture)
        factor, unit, offset = self._conversion(capture.channels[index].unit)
        scaled = capture.rescaled(CURRENT, factor, unit, offset)
        channels = (*scaled.channels[:index], self._seen(scaled.channels[index]), *scaled.channels[index + 1 :])
        return replace(scaled, channels=channels, notes={**capture.notes, "probe": self.text})

    def channel(self, channel: Channel) -> Channel:
        """Return the current's channel as `apply` would make it, for whoever sees the codes before a capture is made.

        Raises
        ------
        InputError
            As `apply`.
        """
        channel = base_channel(channel)
        return self._seen(channel.rescaled(*self._conversion(channel.unit)))

    def _seen(self, channel: Channel) -> Channel:
        """Return the channel marked as what is really measured in the current's place."""
        return replace(channel, stands_in=BATTERY_VOLTAGE) if self.battery else channel

    def _conversion(self, unit: str) -> tuple[float, str, float]:
        """Return factor, new unit and offset for a column in `unit`."""
        if unit == "A":
            raise InputError(f"the current column is in A already, and the probe {quoted(self.text)} would make "
                             + ("a battery's voltage" if self.battery else "amperes")
                             + " of volts; leave the probe out, or correct the column's unit")
        wants_counts = self.in_counts or self.volts_per_count is not None
        if unit not in (("counts", "") if wants_counts else ("V", "")):
            raise InputError(f"the current column is in {unit}, the probe {quoted(self.text)} expects "
                             f"{'counts' if wants_counts else 'volts'}; give "
                             + ("the converter too, such as counts:5V/10bit,10mV/A" if unit == "counts"
                                else "a probe for that unit"))
        volts = 1.0 if self.volts_per_count is None else self.volts_per_count
        if self.per_ampere is None:
            return volts, "V", 0.0
        return volts / self.per_ampere, "A", -self.zero / self.per_ampere


def base_channel(channel: Channel) -> Channel:
    """Return a channel in volts or amperes, if it has such a unit."""
    return channel.rescaled(*_base(channel))


def in_base_units(capture: Capture) -> Capture:
    """Return the capture with mV, uV and kV columns in volts and mA and kA columns in amperes."""
    for channel in capture.channels:
        factor, unit = _base(channel)
        if unit != channel.unit:
            capture = capture.rescaled(channel.name, factor, unit)
    return capture


def _base(channel: Channel) -> tuple[float, str]:
    """Return the factor and the unit that bring a channel to volts or amperes, if it has such a unit."""
    if channel.name == SYNC and channel.unit == "kV":  # sparks are said in kV
        return 1.0, channel.unit
    for table, base in ((VOLTS, "V"), (AMPERES, "A")):
        if channel.unit in table:
            return table[channel.unit], base
    return 1.0, channel.unit


def _current_index(capture: Capture) -> int:
    index = capture.index_of(CURRENT)
    if index is None:
        raise InputError(f"the capture has no channel {CURRENT!r}; it has {[c.name for c in capture.channels]}")
    return index


def _split_counts(tidy: str, text: str) -> tuple[float | None, str]:
    """Return volts a count, None if there is no converter, and the rest of the text."""
    if not tidy.lower().startswith("counts"):
        return None, tidy
    head, _, rest = tidy.partition(",")
    match = _COUNTS.fullmatch(head.strip())
    if match is None:
        raise InputError(f"probe {quoted(text)}: write the converter like counts:5V/10bit")
    full_scale_v, bits = float(match[1]) * VOLTS[match[2]], int(match[3])
    if not 0 < full_scale_v <= MAX_FULL_SCALE_V or not 1 <= bits <= MAX_BITS:
        raise InputError(f"probe {quoted(text)}: a converter of {full_scale_v:g} V and {bits} bits isn't possible; "
                         "write it like counts:5V/10bit")
    return full_scale_v / 2**bits, rest.strip()


def _parse_scale(tidy: str, text: str) -> Probe:
    if tidy.lower() == "battery":
        return Probe("battery", None, battery=True)
    if tidy.lower().startswith("cal:"):
        return _parse_calibration(tidy, text)
    if match := _PER_AMPERE.fullmatch(tidy) or _OHM.fullmatch(tidy):
        per_ampere = float(match[1]) * _PREFIX[match[2]]
    elif match := _RATED.fullmatch(tidy):
        per_ampere = _positive(match[2], text) * _PREFIX[match[3]] / _positive(match[1], text)
    elif match := _CABLE.fullmatch(tidy):
        per_ampere = cable_resistance_ohm(
            float(match[1]), float(match[2]) * _LENGTH_M[match[3]], copper_c=float(match[4] or 20.0),
            conductor_class=int(match[5] or 5))
    else:
        raise InputError(f"probe {quoted(text)} is not understood; write one of {FORMS}")
    return Probe(tidy, _sane(per_ampere, text))


def _parse_calibration(tidy: str, text: str) -> Probe:
    points = [_POINT.fullmatch(part.strip()) for part in tidy[len("cal:") :].split(",")]
    given = [match for match in points if match is not None]
    if len(points) != 2 or len(given) != 2:
        raise InputError(f"probe {quoted(text)}: a calibration has two points, such as cal:0.512V=0A,2.498V=200A")
    if bool(given[0][2]) != bool(given[1][2]):
        raise InputError(f"probe {quoted(text)}: give both points in volts, or both in counts")
    (x0, a0), (x1, a1) = ((float(m[1]) * VOLTS.get(m[2], 1.0), float(m[3])) for m in given)
    if a0 == a1 or x0 == x1:
        raise InputError(f"probe {quoted(text)}: the two points are alike; take one at no current and one at a high "
                         "one")
    slope, in_counts = (x1 - x0) / (a1 - a0), not given[0][2]
    if not in_counts:
        _sane(abs(slope), text)
    return Probe(tidy, slope, zero=x0 - slope * a0, in_counts=in_counts)


def _positive(number: str, text: str) -> float:
    value = float(number)
    if not value > 0:
        raise InputError(f"probe {quoted(text)}: {number} must be above zero; a reversed clamp is found by itself")
    return value


def _sane(per_ampere: float, text: str) -> float:
    if not per_ampere > 0:
        raise InputError(f"probe {quoted(text)}: the scale must be above zero; a reversed clamp is found by itself")
    if not MIN_V_PER_A <= per_ampere <= MAX_V_PER_A:
        raise InputError(f"probe {quoted(text)} would give {per_ampere * 100:g} V at 100 A; check its unit")
    return per_ampere


def cable_resistance_ohm(area_mm2: float, length_m: float, *, copper_c: float = 20.0,
                         conductor_class: int = 5) -> float:
    """Return the resistance of a length of battery cable, ohms.

    Parameters
    ----------
    area_mm2
        Nominal cross-section, one of the table's.
    length_m
        Between the two taps.
    copper_c
        Temperature of the copper, degrees C.
    conductor_class
        5, flexible, or 2, stranded.

    Raises
    ------
    InputError
        Not in the table, or a length or temperature that cannot be.
    """
    table = OHM_PER_KM.get(conductor_class)
    if table is None:
        raise InputError(f"conductor class {conductor_class} is not known; "
                         "battery cable is class 5, or class 2 if stiff")
    if area_mm2 not in table:
        raise InputError(f"cable of {area_mm2:g} mm2 is not in the table; "
                         f"there are {', '.join(f'{a:g}' for a in table)} mm2")
    if not MIN_LENGTH_M <= length_m <= MAX_LENGTH_M:
        raise InputError(f"a stretch of {length_m:g} m of cable is unsuitable; "
                         f"use {MIN_LENGTH_M:g} to {MAX_LENGTH_M:g} m")
    if not MIN_COPPER_C <= copper_c <= MAX_COPPER_C:
        raise InputError(f"copper at {copper_c:g} degrees C isn't possible; give its temperature, such as 20C")
    warmer = (234.5 + copper_c) / 254.5  # 1 / k, IEC 60228 annex B: R(t) = R20 * (234.5 + t) / 254.5
    return table[area_mm2] * 1e-3 * length_m * warmer
