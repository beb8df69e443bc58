"""Runs a netlist of this folder with ngspice: its measurements, or its waveforms.

``measure("dividers.cir")["battery12_5"]`` is 5.0 volts; ``waveforms("capacitive-pickup.cir")["v(right)"]`` an array.
Needs the program ``ngspice``, Debian's package of that name.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

FOLDER = Path(__file__).parent
LONGEST_S = 60.0  # the longest netlist takes a second on its own
MEASUREMENT = re.compile(r"^(\w+)\s+=\s+(\S+)(?:\s|$)", re.MULTILINE)
OF_THE_MACHINE = "Total|Stack"  # lines of the same look that are about the simulator


class SimulationError(Exception):
    """A netlist that ngspice does not run, or that lacks a measurement."""


@cache
def measure(name: str, **values: str) -> dict[str, float]:
    """Return what the netlist's ``.meas`` lines give, in volts, amperes, watts, joules, hertz, seconds.

    Parameters
    ----------
    name
        Of the netlist in this folder.
    values
        Of its ``.param`` line, in place of those written there.

    Raises
    ------
    SimulationError
        It does not run, or a measurement fails.
    """
    wanted = re.findall(r"^\.meas \w+ (\w+)", (FOLDER / name).read_text(encoding="utf-8"), re.MULTILINE)
    said = _run(name, values)
    found = {key: float(value) for key, value in MEASUREMENT.findall(said) if not re.match(OF_THE_MACHINE, key)}
    missing = [key for key in wanted if key not in found]
    if missing or not wanted:
        raise SimulationError(f"{name}: no {', '.join(missing) or 'measurement'}\n{said[-2000:]}")
    return {key: found[key] for key in wanted}


@cache
def waveforms(name: str, **values: str) -> dict[str, NDArray[np.float64]]:
    """Return the saved columns of a transient run, ``time`` in seconds among them.

    Raises
    ------
    SimulationError
        It does not run.
    """
    with tempfile.TemporaryDirectory() as folder:
        raw = Path(folder) / "run.raw"
        _run(name, values, "-r", str(raw))
        head, _, data = raw.read_bytes().partition(b"Binary:\n")
    lines = head.decode().split("\n")
    count = next(int(line.split(":")[1]) for line in lines if line.startswith("No. Variables"))
    names = [line.split()[1] for line in lines[lines.index("Variables:") + 1 :][:count]]
    return dict(zip(names, np.frombuffer(data, np.float64).reshape(-1, count).T, strict=True))


def _run(name: str, values: dict[str, str], *options: str) -> str:
    text = (FOLDER / name).read_text(encoding="utf-8")
    for key, value in values.items():
        text, changed = re.subn(rf"(?m)^(\.param.*\b{key}=)\S+", rf"\g<1>{value}", text)
        if changed != 1:
            raise SimulationError(f"{name} has no parameter {key}")
    done = subprocess.run(["ngspice", "-b", *options], input=text, cwd=FOLDER,
                          capture_output=True, text=True, timeout=LONGEST_S, check=False)
    if done.returncode or "rror" in done.stderr:
        raise SimulationError(f"{name}: {done.stderr[-2000:] or done.stdout[-2000:]}")
    return done.stdout
