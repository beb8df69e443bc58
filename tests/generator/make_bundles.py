"""Make bundles of random engines with a gauge that errs as gauges do, to put the validation itself on trial.

    python tests/generator/make_bundles.py FOLDER --count 300 --seed 7
    crankfold validate FOLDER --again --picture validation.png

Each engine is one of the families' (see make_captures.py); its gauge is read twice a cylinder, each reading off by 2 %
of itself (standard deviation), all of them by one common scale error.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from families import FAMILIES
from make_captures import Made, make

from crankfold.viewer.evidence import BUNDLE_SUFFIX, GaugeSheet, make_bundle
from crankfold.viewer.session import Question

REPEATS, SCALE = 0.02, 0.03  # relative standard deviations of a reading, and of the gauge's scale
READINGS = 2
WANTED = ("any",)  # captures from which a verdict may be drawn


def gauge_of(made: Made, rng: np.random.Generator) -> GaugeSheet:
    """Return two readings of each cylinder."""
    scale = 1.0 + SCALE * rng.normal()
    bars = {int(c): bar for c, bar in made.truth["peak_gauge_bar"].items()}
    return GaugeSheet({c: tuple(max(0.0, bar * scale * (1.0 + REPEATS * e)) for e in rng.normal(size=READINGS))
                       for c, bar in bars.items()}, rpm=made.truth["rpm"], by="A", blind=True)


def question_of(made: Made) -> Question:
    from crankfold.analysis import Thresholds

    return Question(made.engine(), made.sync(), None, Thresholds(), None, ())


def write(folder: Path, family: str, seed: int, index: int) -> str | None:
    made = make(family, seed, index)
    if made.truth["kind"] not in WANTED or made.truth["peak_gauge_bar"] is None or (
            "wrong-count" in made.truth["why"]):
        return None
    rng = np.random.default_rng([seed, index, 5])
    content = make_bundle(made.capture(), question_of(made), gauge_of(made, rng), licence="CC0-1.0",
                          note="simulated by the project's virtual engine")
    (folder / f"{made.name}{BUNDLE_SUFFIX}").write_bytes(content)
    return made.name


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--family", choices=sorted(FAMILIES), default="ordinary")
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args(arguments)
    given.folder.mkdir(parents=True, exist_ok=True)
    one = partial(write, given.folder, given.family, given.seed)
    if given.jobs > 1:
        with ProcessPoolExecutor(given.jobs) as pool:
            names = list(pool.map(one, range(given.count)))
    else:
        names = [one(k) for k in range(given.count)]
    print(f"{sum(name is not None for name in names)} bundles of family {given.family} in {given.folder}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
